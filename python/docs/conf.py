"""The documentation: pages of words and numbers, each example run while it is built."""

import stopline

project = "stopline"
author = "the stopline developers"
copyright = "the stopline developers"  # noqa: A001
version = release = stopline.__version__
extensions = ["myst_nb", "sphinx.ext.autodoc", "sphinx.ext.autosummary", "sphinx.ext.mathjax", "sphinx.ext.napoleon"]
html_theme = "furo"
html_title = f"stopline {version}"
html_show_sourcelink = False

myst_enable_extensions = ["dollarmath", "deflist"]
myst_heading_anchors = 3
nb_execution_mode = "force"
nb_execution_raise_on_error = True
nb_execution_timeout = 120
# A warning from an example fails the build, as any other.
nb_output_stderr = "error"

napoleon_google_docstring = False
napoleon_use_rtype = False
autodoc_typehints = "none"
nitpicky = False
exclude_patterns = ["_build"]
