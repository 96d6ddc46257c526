"""Studies on any executor: each cell of a grid is a task of its own, and the table is the same whoever computes it."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Callable, Iterable, MutableMapping
from pathlib import Path
from typing import Any, Protocol

from ._error import StoplineError, finding
from ._native import Grid, _append


class _Executor(Protocol):
    def submit(self, fn: Callable[..., str], /, *args: Any) -> Any: ...


def _cell(text: str, number: int) -> str:
    """One cell, in whichever process or machine this is."""
    return Grid.from_json(text).cell(number)


def study(
    grid: Grid,
    executor: _Executor | None = None,
    *,
    done: MutableMapping[int, str] | None = None,
    folder: str | os.PathLike[str] | None = None,
    progress: Any = None,
) -> dict[str, list[Any]]:
    """Computes a grid of simulations.

    Parameters
    ----------
    grid : Grid
    executor : concurrent.futures.Executor or dask.distributed.Client, optional
        Where cells are computed; anything with ``submit(function, *arguments)`` whose futures have ``result()``,
        ``done()`` and ``cancel()``. By default here, one after the other.
    done : dict of int to str, optional
        Cells that are done, by number; those missing are computed and added as they come. Keep it, and a study
        goes on where it was interrupted.
    folder : path, optional
        Where cells that are done are kept, each made durable before it counts: the same call goes on where it was
        interrupted or killed, and so does the program's ``stopline study --folder`` with the same grid.
    progress : callable or tqdm bar, optional
        Told of the work: called with the cells done and all cells, or moved along.

    Returns
    -------
    dict of str to list
        The table, a row a cell and mean or real walk: ``pandas.DataFrame(study(grid))``, whose ``to_parquet`` writes a
        file.

    Raises
    ------
    StoplineError
        As ``simulate``; ``combination`` for a folder with another study, ``log`` for a shard that was changed,
        ``file_write``.

    Examples
    --------
    >>> import stopline
    >>> plan = stopline.plan(k=2.0, inadequate=1.5, adequate=3.0)
    >>> grid = stopline.Grid({"mine": plan}, means=[1.5, 3.0], k=[1.0, 2.0], walks=1000)
    >>> stopline.study(grid)["k"]
    [1.0, 1.0, 2.0, 2.0]
    """
    cells: MutableMapping[int, str] = {} if done is None else done
    kept = None if folder is None else _Folder(grid, Path(folder))
    if kept is not None:
        for number, text in kept.cells().items():
            cells.setdefault(number, text)

    def keep(number: int, text: str) -> None:
        if kept is not None:
            kept.append(text)
        cells[number] = text
        _tell(progress, len(cells), len(grid))

    left = [number for number in range(len(grid)) if number not in cells]
    if executor is None:
        for number in left:
            keep(number, grid.cell(number))
    else:
        text = grid.to_json()
        futures = {number: executor.submit(_cell, text, number) for number in left}
        try:
            for number, future in futures.items():
                keep(number, future.result())
        except BaseException:
            progress = None
            for number, future in futures.items():
                if number in cells or future.cancel() or not future.done():
                    continue
                if not future.cancelled() and future.exception() is None:
                    keep(number, future.result())
            raise
    return _columns(grid.table(dict(cells)))


def _tell(progress: Any, done: int, of: int) -> None:
    """As the core tells of its work: a bar is moved, a function called."""
    if progress is None:
        return
    if not hasattr(progress, "refresh"):
        progress(done, of)
        return
    progress.total, progress.n = of, done
    progress.refresh()


class _Folder:
    """A folder as the program keeps it: the grid, and a shard of cells for each time that the study was begun."""

    def __init__(self, grid: Grid, path: Path) -> None:
        self.grid, self.path = grid, path
        self.shard: Path | None = None
        path.mkdir(parents=True, exist_ok=True)
        spec, text = path / "study.json", grid.to_json()
        if not spec.exists():
            draft = path / f"study.json.{os.getpid()}"
            draft.unlink(missing_ok=True)
            _append(draft, text + "\n", new=True)
            draft.replace(spec)
        elif spec.read_text(encoding="utf-8").rstrip() != text:
            allowed = "the same grid as before, or another folder"
            raise StoplineError([finding("combination", "study in the folder", "another", allowed)])

    def shards(self) -> list[Path]:
        named = [path for path in self.path.glob("shard-*.jsonl") if path.stem[6:].isdecimal()]
        return sorted(named, key=lambda path: int(path.stem[6:]))

    def cells(self) -> dict[int, str]:
        found: dict[int, str] = {}
        for shard in self.shards():
            found.update(self.grid._cells_of(shard.read_bytes()))
        return found

    def append(self, text: str) -> None:
        shard, self.shard = self.shard, None  # nothing is ever written after a line that was cut off
        if shard is None:
            shard = self._begin()
        _append(shard, self.grid._shard_line(text))
        self.shard = shard

    def _begin(self) -> Path:
        number = max((int(path.stem[6:]) for path in self.shards()), default=0)
        while True:
            number += 1
            shard = self.path / f"shard-{number}.jsonl"
            if _append(shard, self.grid._shard_head(), new=True):
                return shard  # else another process began one just now


def _columns(text: str) -> dict[str, list[Any]]:
    rows = csv.DictReader(io.StringIO(text))
    names: Iterable[str] = rows.fieldnames or []
    table: dict[str, list[Any]] = {name: [] for name in names}
    for row in rows:
        for name, value in row.items():
            table[name].append(_value(name, value))
    return table


_WORDS = {"plan", "digest", "draw", "field", "visit"}
_WHOLE = {"run", "block", "repeat", "walks", "seed", "sites_p50", "sites_p90"}


def _value(name: str, text: str) -> Any:
    if not text:
        return None
    if name in _WORDS:
        return text
    return int(text) if name in _WHOLE else float(text)
