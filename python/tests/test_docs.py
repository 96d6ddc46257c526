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
    """Functions and classes by name, and the methods and properties of these."""
    for module, prefix in ((stopline, ""), (stopline.plot, "plot.")):
        for name in module.__all__:
            thing = getattr(module, name)
            if callable(thing):
                yield prefix + name, thing
            if isinstance(thing, type) and name not in ("Finding", "StoplineError"):
                for of, member in vars(thing).items():
                    if not of.startswith("_"):
                        yield f"{name}.{of}", getattr(thing, of)


PUBLIC = list(public())
ROUTINES = [(name, thing) for name, thing in PUBLIC if inspect.isroutine(thing)]

# Everything else converts or computes what may be refused.
NEVER_REFUSE = {
    *(f"{of}.to_dict" for of in ("Comparison", "Curve", "Decision", "Fit", "Plan", "Replay", "Simulated")),
    *(f"{of}.table" for of in ("Comparison", "Counts", "Curve", "Fit", "Plan", "Replay", "Simulated")),
    *("Plan.beside", "Plan.in_nine_of_ten", "Plan.card", "Plan.to_json", "Plan.with_about", "Grid.to_json"),
    *("Walk.note", "Walk.to_log", "Walk.record", "plot.mean_variance", "plot.replay"),
}
# What is computed by a published formula; others name in words what they compute.
PUBLISHED = {
    *("compare", "decide", "estimates", "evaluate", "field_means", "fit", "fit_capped", "fit_proportion"),
    *("mean_variance", "plan", "simulate"),
}


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
    if callable(thing) and name != "Finding" and "made by" not in doc:
        assert ">>>" in doc, f"{name} has no example"
    runner = doctest.DocTestRunner()
    runner.run(doctest.DocTestParser().get_doctest(doc, {}, name, None, 0))
    assert runner.failures == 0
    plt.close("all")


@pytest.mark.parametrize(("name", "thing"), ROUTINES)
def test_every_section_is_there(name: str, thing: Any) -> None:
    doc = inspect.getdoc(thing) or ""
    named = [p for p in inspect.signature(thing).parameters if p not in ("self", "type")]
    missing = [p for p in named if not re.search(rf"^(?:.*, )?{p}\b", doc.partition("Parameters\n----------\n")[2], re.M)]
    assert not missing, f"{name}: {missing}"
    assert ("Returns\n-------\n" in doc) == (name != "Plan.verify"), name
    assert ("Raises\n------\nStoplineError\n" in doc) == (name not in NEVER_REFUSE), name
    assert ("References\n----------\n" in doc) == (name in PUBLISHED), name
    told = re.findall(r"``(\w+)``", doc.partition("Raises\n------\n")[2].partition("\n\n")[0])
    words = [word for word in told if word not in named and word != "simulate"]
    assert all(word in stopline.CODES for word in words), f"{name}: {words}"


def test_lists_of_names_are_up_to_date() -> None:
    assert NEVER_REFUSE | PUBLISHED <= {name for name, _ in ROUTINES}


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
    assert {name for name in native if "." not in name} <= set(typed)
    for name, node in typed.items():
        if isinstance(node, ast.FunctionDef):
            assert node.returns is not None, name
            arguments = node.args.args + node.args.kwonlyargs
            assert all(a.annotation for a in arguments if a.arg not in ("self", "cls")), name
