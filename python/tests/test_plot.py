"""Plots against images kept here, without their text (fonts differ between machines), and what the text says.

``UPDATE_IMAGES=1`` writes the images anew.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import matplotlib as mpl
import matplotlib.image
import numpy as np
import numpy.typing as npt
import pytest
import stopline
from cycler import cycler
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

mpl.use("Agg")

from long_work import demo  # noqa: E402
from stopline import plot  # noqa: E402

IMAGES = Path(__file__).parent / "images"
MEANS = np.linspace(0.3, 4.0, 25)
WALK = [3, 0, 2, 5, None, 1, 0, 4, 2, 6, 3, 3]

# Root mean square over pixels of 0 to 1. Another release of matplotlib moves edges by part of a pixel: well below .02;
# another plan is far above (tested).
NEAR = 0.02


def small(k: float = 1.2) -> stopline.Plan:
    return stopline.plan(k=k, inadequate=1.0, adequate=2.0)


def bands(ax: Axes) -> Axes:
    by_k = {"0.8 to 2": [stopline.evaluate(small(), MEANS, k=k) for k in (1.2, 0.8, 2.0)]}
    other = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0, method="fixed")
    return plot.calls(by_k | {"fixed": stopline.evaluate(other, MEANS)}, ax=ax)


def alike(ax: Axes) -> Axes:
    simulated = stopline.simulate(small(), MEANS[::6], walks=500, seed=3, shared=0.3, run=5)
    return plot.expected_sites({"apart": stopline.evaluate(small(), MEANS), "alike": simulated}, ax=ax)


def three_calls(ax: Axes) -> Axes:
    plan = stopline.plan(k=1.2, inadequate=1.0, adequate=2.0, upper=(4.0, 7.0), max_sites=60, method="wald")
    return plot.stop_chart(plan, ax=ax)


def demo_laws(ax: Axes) -> Axes:
    return plot.mean_variance(stopline.fit(demo(), study=True, draws=99), ax=ax)


def mites(ax: Axes) -> Axes:
    # Bliss & Fisher 1953, Biometrics 9:176-200.
    leaves = np.repeat(np.arange(8), [70, 38, 17, 10, 9, 3, 2, 1])
    return plot.hanging_rootogram(stopline.fit(leaves, study=True, draws=99), ax=ax)


def full_walks(ax: Axes) -> Axes:
    plan = stopline.plan(k=1.2, plants=3, inadequate=1.0, adequate=2.0)
    return plot.replay(stopline.replay(plan, demo(), orders=0), ax=ax)


def studied() -> dict[str, list[Any]]:
    grid = stopline.Grid({"mine": small()}, means=[1.0, 2.0], k=[0.4, 0.8, 1.2, 2.0], shared=[0.0, 0.2, 0.4], run=5,
                         walks=2000, repeats=2, seed=5)
    return stopline.study(grid)


def study_map(ax: Axes) -> Axes:
    return plot.study_map(studied(), "k", "shared", where={"mean": 1.0}, contours=[0.1, 0.15], ax=ax)


DRAWN: dict[str, Callable[[Axes], Axes]] = {
    "stop_chart": lambda ax: plot.stop_chart(small(), WALK, ax=ax),
    "three_calls": three_calls,
    "precision": lambda ax: plot.stop_chart(stopline.plan(k=2.0, se_over_mean=0.25, max_sites=100), ax=ax),
    "calls": bands,
    "expected_sites": alike,
    "mean_variance": demo_laws,
    "rootogram": mites,
    "replay": full_walks,
    "study_map": study_map,
}


@pytest.fixture(autouse=True)
def plain_style() -> Iterator[None]:
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.use("Agg")
        yield


def drawn(draw: Callable[[Axes], Axes]) -> npt.NDArray[np.float64]:
    """The picture without its text, as grey or coloured values from 0 to 1."""
    figure = Figure(figsize=(3.2, 2.4), dpi=50)
    ax = figure.add_axes((0.05, 0.05, 0.9, 0.9))
    assert draw(ax) is ax
    legend: Any = ax.get_legend()
    if legend is not None:
        legend.remove()
    ax.set(xlabel="", ylabel="")
    ax.set_title("", loc="left")
    for text in list(ax.texts):
        text.remove()
    ax.tick_params(labelbottom=False, labelleft=False, which="both")
    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    return np.asarray(canvas.buffer_rgba(), dtype=np.float64)[..., :3] / 255.0


def apart(a: npt.NDArray[np.float64], b: npt.NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean((a - b) ** 2)))


@pytest.mark.parametrize("name", DRAWN)
def test_images(name: str) -> None:
    found = drawn(DRAWN[name])
    kept = IMAGES / f"{name}.png"
    if os.environ.get("UPDATE_IMAGES"):
        mpl.image.imsave(kept, found)
    expected = mpl.image.imread(kept)[..., :3]
    assert expected.shape == found.shape and apart(expected, found) < NEAR


def test_another_plan_is_another_image() -> None:
    kept = mpl.image.imread(IMAGES / "stop_chart.png")[..., :3]
    assert apart(kept, drawn(lambda ax: plot.stop_chart(small(0.8), WALK, ax=ax))) > 2 * NEAR


@pytest.mark.parametrize("name", DRAWN)
def test_lines_are_told_apart_without_colour(name: str) -> None:
    ax = DRAWN[name](Figure().add_subplot())
    legend: Any = ax.get_legend()
    styles = [(line.get_linestyle(), line.get_marker()) for line in legend.get_lines()]
    assert len(set(styles)) == len(styles)
    assert ax.get_xlabel() and ax.get_ylabel()


def test_words_of_a_stop_chart() -> None:
    legend: Any = plot.stop_chart(small(), WALK, ax=Figure().add_subplot()).get_legend()
    verdict = stopline.decide(small(), WALK).verdict.replace("_", " ")
    texts = [text.get_text() for text in legend.get_texts()]
    assert texts == ["inadequate at most", "adequate at least", "walk", verdict]


def test_a_study_map_shows_the_average_of_repeats() -> None:
    table = studied()
    ax = plot.study_map(table, "k", "mean", value="expected_sites", where={"shared": 0.2}, ax=Figure().add_subplot())
    assert [label.get_text() for label in ax.get_xticklabels()] == ["0.4", "0.8", "1.2", "2"]
    of = [table["expected_sites"][i] for i in range(len(table["k"]))
          if (table["k"][i], table["shared"][i], table["mean"][i]) == (0.8, 0.2, 2.0)]
    written = {text.get_position(): text.get_text() for text in ax.texts}
    assert len(of) == 2 and written[1, 1] == f"{np.mean(of):.1f}" and len(written) == 8
    # Legible without colour: the shades of the usual map grow lighter with the value, and numbers stand out from them.
    shades = plot.study_map(table, "k", "shared", where={"mean": 1.0}, ax=Figure().add_subplot()).collections[0]
    grey = shades.to_rgba(np.linspace(*shades.get_clim(), 50))[:, :3] @ np.array([0.299, 0.587, 0.114])
    assert (np.diff(grey) > 0).all()
    with mpl.rc_context({"image.cmap": "Greys"}):
        ax = plot.study_map(table, "k", "shared", where={"mean": 1.0}, ax=Figure().add_subplot())
    assert ax.collections[0].get_cmap().name == "Greys"


def test_a_study_map_takes_words_frames_and_missing_cells() -> None:
    pandas = pytest.importorskip("pandas")
    counts = demo()
    plans = {name: stopline.plan(k=k, inadequate=1.0, adequate=2.0, plants=3) for name, k in (("a", 1.2), ("b", 0.8))}
    grid = stopline.Grid(plans, means=[1.0], counts=counts, draw=["with_replacement", "blocks"], walks=100)
    frame = pandas.DataFrame(stopline.study(grid))
    frame = frame[(frame["visit"] == frame["visit"][2]) & ((frame["plan"] == "a") | (frame["field"] != "bobolink"))]
    ax = plot.study_map(frame, "plan", "field", where={"draw": "blocks"}, ax=Figure().add_subplot())
    assert [label.get_text() for label in ax.get_xticklabels()] == ["a", "b"]
    assert len(ax.texts) == len(frame[frame["draw"] == "blocks"]) > 10
    with pytest.raises(stopline.StoplineError) as e:
        plot.study_map(frame, "plan", "field", where={"draw": "blocks"}, contours=[0.1], ax=Figure().add_subplot())
    assert e.value.what == "contours"


def test_rc_params_are_followed() -> None:
    with mpl.rc_context({"axes.prop_cycle": cycler(color=["#112233"]), "text.color": "#445566"}):
        ax = plot.stop_chart(small(), WALK, ax=Figure().add_subplot())
    assert [line.get_color() for line in ax.get_lines()][-1] == "#445566"
    assert ax.get_lines()[0].get_color() == "#112233"


def leaves(**how: Any) -> stopline.Fit:
    return stopline.fit([0, 1, 3, 2], **how)


@pytest.mark.parametrize(
    ("draw", "what"),
    [
        (lambda ax: plot.calls(stopline.evaluate(small(), MEANS), call="other", ax=ax), "call"),
        (lambda ax: plot.calls({"a": [stopline.evaluate(small(), [m]) for m in (1.0, 2.0)]}, ax=ax), "curves"),
        (lambda ax: plot.hanging_rootogram(leaves(), ax=ax), "fit"),
        (lambda ax: plot.study_map(studied(), "k", "other", ax=ax), "y"),
        (lambda ax: plot.study_map(studied(), "k", "k", ax=ax), "y"),
        (lambda ax: plot.study_map(studied(), "k", "shared", value="other", ax=ax), "value"),
        (lambda ax: plot.study_map(studied(), "k", "shared", ax=ax), "where"),
        (lambda ax: plot.study_map(studied(), "k", "shared", where={"mean": 9.0}, ax=ax), "where"),
        (lambda ax: plot.study_map(studied(), "k", "shared", where={"seed": 9}, ax=ax), "where"),
        (lambda ax: plot.hanging_rootogram(leaves(study=True, draws=99), 1, ax=ax), "walk"),
        (lambda ax: plot.hanging_rootogram(leaves(study=True, draws=99), law="other", ax=ax), "law"),
    ],
)
def test_refusals(draw: Callable[[Axes], Axes], what: str) -> None:
    with pytest.raises(stopline.StoplineError) as e:
        draw(Figure().add_subplot())
    assert e.value.code == "usage" and e.value.what == what and what in str(e.value)


def test_importing_the_package_leaves_matplotlib_alone() -> None:
    code = "import sys, stopline; assert not {'matplotlib', 'pandas', 'polars'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)
