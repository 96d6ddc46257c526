"""Studies on any executor: each cell of a grid is a task of its own, and the table is the same whoever computes it."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable
from typing import Any, Protocol

from ._native import Grid


class _Executor(Protocol):
    def submit(self, fn: Callable[..., str], /, *args: Any) -> Any: ...


def _cell(text: str, number: int) -> str:
    """One cell, in whichever process or machine this is."""
    return Grid.from_json(text).cell(number)


def study(grid: Grid, executor: _Executor | None = None, *, done: dict[int, str] | None = None) -> dict[str, list[Any]]:
    """Computes a grid of simulations.

    Parameters
    ----------
    grid : Grid
    executor : concurrent.futures.Executor or dask.distributed.Client, optional
        Where cells are computed; anything with ``submit(function, *arguments)`` whose futures have ``result()``.
        By default here, one after the other.
    done : dict of int to str, optional
        Cells that are done, by number; those missing are computed and added as they come. Keep it, and a study
        goes on where it was interrupted.

    Returns
    -------
    dict of str to list
        The table, a row a cell and mean: ``pandas.DataFrame(study(grid))``, whose ``to_parquet`` writes a file.

    Raises
    ------
    StoplineError
        As ``simulate``.

    Examples
    --------
    >>> import stopline
    >>> plan = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0)
    >>> grid = stopline.Grid({"mine": plan}, means=[1.5, 3.0], k=[1.0, 2.0], walks=1000)
    >>> stopline.study(grid)["k"]
    [1.0, 1.0, 2.0, 2.0]
    """
    cells = {} if done is None else done
    left = [number for number in range(len(grid)) if number not in cells]
    if executor is None:
        for number in left:
            cells[number] = grid.cell(number)
    else:
        text = grid.to_json()
        futures = [(number, executor.submit(_cell, text, number)) for number in left]
        for number, future in futures:
            cells[number] = future.result()
    rows = csv.DictReader(io.StringIO(grid.table(cells)))
    names: Iterable[str] = rows.fieldnames or []
    table: dict[str, list[Any]] = {name: [] for name in names}
    for row in rows:
        for name, value in row.items():
            table[name].append(_value(name, value))
    return table


_WORDS = {"plan", "digest"}
_WHOLE = {"run", "repeat", "walks", "seed", "sites_p50", "sites_p90"}


def _value(name: str, text: str) -> Any:
    if name in _WORDS:
        return text
    if not text:
        return None
    return int(text) if name in _WHOLE else float(text)
