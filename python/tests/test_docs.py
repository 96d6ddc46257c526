"""Every public object is documented, typed and shown at work; the examples are run."""

from __future__ import annotations

import ast
import doctest
import inspect
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import matplotlib.pyplot as plt
import pytest
import stopline
import stopline.plot

STUB = ast.parse((Path(stopline.__file__).parent / "_native.pyi").read_text(encoding="utf-8"))


def public() -> Iterator[tuple[str, Any]]:
    """Functions and classes by name, and the methods of these."""
    for module in (stopline, stopline.plot):
        for name in module.__all__:
            thing = getattr(module, name)
            if callable(thing):
                yield name, thing
            if isinstance(thing, type) and name not in ("Finding", "StoplineError"):
                for of, member in vars(thing).items():
                    if not of.startswith("_"):
                        yield f"{name}.{of}", getattr(thing, of)


PUBLIC = list(public())


def stubs() -> dict[str, ast.AST]:
    """The same names in the stub, by name; properties too."""
    found: dict[str, ast.AST] = {}
    for node in STUB.body:
        if isinstance(node, ast.ClassDef | ast.FunctionDef):
            found[node.name] = node
        if isinstance(node, ast.ClassDef):
            found |= {f"{node.name}.{one.name}": one for one in node.body if isinstance(one, ast.FunctionDef)}
    return found


@pytest.mark.parametrize(("name", "thing"), PUBLIC)
def test_documented_and_its_examples_run(name: str, thing: Any) -> None:
    doc = inspect.getdoc(thing)
    owner = getattr(stopline, name.split(".")[0], None)
    if doc is None and isinstance(owner, type):
        # A property is told of in the table of its class.
        attributes = (owner.__doc__ or "").partition("Attributes\n")[2]
        assert re.search(rf"^(?:.*, )?{name.split('.')[1]}\b", attributes, re.M), f"{name} is not documented"
        return
    assert doc, f"{name} is not documented"
    whole = "." not in name and name != "Finding"
    if whole and not isinstance(thing, type):
        assert "Returns\n-------" in doc and "Parameters\n----------" in doc, name
    if whole and "made by" not in doc:
        assert ">>>" in doc, f"{name} has no example"
    runner = doctest.DocTestRunner()
    runner.run(doctest.DocTestParser().get_doctest(doc, {}, name, None, 0))
    assert runner.failures == 0
    plt.close("all")


@pytest.mark.parametrize(("name", "thing"), [(n, t) for n, t in PUBLIC if inspect.isroutine(t)])
def test_every_parameter_is_documented(name: str, thing: Any) -> None:
    doc = inspect.getdoc(thing) or ""
    named = [p for p in inspect.signature(thing).parameters if p not in ("self", "type", "ax")]
    if len(named) > 1 and "." not in name:
        missing = [p for p in named if not re.search(rf"^(?:.*, )?{p}\b.* ?:", doc, re.M)]
        assert not missing, f"{name}: {missing}"


def test_every_error_is_explained() -> None:
    page = (Path(__file__).resolve().parents[1] / "docs" / "errors.md").read_text(encoding="utf-8")
    assert sorted(re.findall(r"^\| `(\w+)` \|", page, re.M)) == sorted(stopline.CODES)


def test_every_object_is_in_the_reference() -> None:
    page = (Path(__file__).resolve().parents[1] / "docs" / "api.md").read_text(encoding="utf-8")
    objects = {name for name in stopline.__all__ if name not in ("CODES", "__version__")}
    assert objects == set(re.findall(r"auto(?:function|class|exception):: stopline\.(\w+)", page))


def test_typed() -> None:
    typed = stubs()
    native = {name for name, thing in PUBLIC if getattr(thing, "__module__", "") in ("stopline", "stopline._native")}
    assert {name for name in native if "." not in name} - set(typed) == set()
    for name, node in typed.items():
        if isinstance(node, ast.FunctionDef):
            assert node.returns is not None, name
            arguments = node.args.args + node.args.kwonlyargs
            assert all(a.annotation for a in arguments if a.arg not in ("self", "cls")), name
