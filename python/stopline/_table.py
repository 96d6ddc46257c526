"""Tables of counts: any that exports its columns by the Arrow PyCapsule interface, pandas, and dicts of columns.

Arrow's C stream is read with NumPy alone; the layouts are those of the Arrow C data interface and columnar format 1.4.
Numbers, booleans, texts (also as views), dictionaries of texts and nulls are read; a column of another type is refused
by name.
"""

from __future__ import annotations

import ctypes
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ._error import StoplineError, finding

_Array = npt.NDArray[Any]

_NUMBERS = dict(zip("cCsSiIlLefg", ("i1", "u1", "i2", "u2", "i4", "u4", "i8", "u8", "f2", "f4", "f8"), strict=True))


# Each structure points to itself: its fields are given below.
_Schema: Any = type("_Schema", (ctypes.Structure,), {})
_Chunk: Any = type("_Chunk", (ctypes.Structure,), {})
_Stream: Any = type("_Stream", (ctypes.Structure,), {})

_pointer = ctypes.POINTER
_Schema._fields_ = [
    ("format", ctypes.c_char_p),
    ("name", ctypes.c_char_p),
    ("metadata", ctypes.c_void_p),
    ("flags", ctypes.c_int64),
    ("n_children", ctypes.c_int64),
    ("children", _pointer(_pointer(_Schema))),
    ("dictionary", _pointer(_Schema)),
    ("release", ctypes.CFUNCTYPE(None, _pointer(_Schema))),
    ("private_data", ctypes.c_void_p),
]
_Chunk._fields_ = [
    ("length", ctypes.c_int64),
    ("null_count", ctypes.c_int64),
    ("offset", ctypes.c_int64),
    ("n_buffers", ctypes.c_int64),
    ("n_children", ctypes.c_int64),
    ("buffers", _pointer(ctypes.c_void_p)),
    ("children", _pointer(_pointer(_Chunk))),
    ("dictionary", _pointer(_Chunk)),
    ("release", ctypes.CFUNCTYPE(None, _pointer(_Chunk))),
    ("private_data", ctypes.c_void_p),
]
_Stream._fields_ = [
    ("get_schema", ctypes.CFUNCTYPE(ctypes.c_int, _pointer(_Stream), _pointer(_Schema))),
    ("get_next", ctypes.CFUNCTYPE(ctypes.c_int, _pointer(_Stream), _pointer(_Chunk))),
    ("get_last_error", ctypes.CFUNCTYPE(ctypes.c_char_p, _pointer(_Stream))),
    ("release", ctypes.CFUNCTYPE(None, _pointer(_Stream))),
    ("private_data", ctypes.c_void_p),
]

_get_pointer = ctypes.pythonapi.PyCapsule_GetPointer
_get_pointer.restype = ctypes.c_void_p
_get_pointer.argtypes = (ctypes.py_object, ctypes.c_char_p)


def arguments(
    table: Any,
    count: Sequence[str] | None,
    field: str,
    visit: str | None,
    site: str,
    plants_column: str | None,
    plants: int | None,
    place: Sequence[str] | None,
    observer: str | None,
) -> dict[str, Any]:
    """A table as the arguments of ``Counts.from_columns``."""
    groups = ["count"] if count is None else list(count)
    beside = list(place or []) + [name for name in (visit, plants_column, observer) if name is not None]
    asked = [field, site, *groups, *beside]
    usual = [visit or "visit", plants_column or "plants"]
    found = _columns(table, dict.fromkeys(asked + usual))
    errors = [finding("counts_column", "column", name, "a column of the table") for name in asked if name not in found]
    if errors:
        raise StoplineError(errors)
    arguments = {
        "field": _words(found[field]),
        "site": _numbers(found[site]),
        "counts": {name: _numbers(found[name]) for name in groups},
        "plants_wanted": plants,
    }
    if place is not None:
        arguments["place"] = tuple(_numbers(found[name]) for name in place)
    if observer is not None:
        arguments["observer"] = _words(found[observer])
    if usual[0] in found:
        arguments["visit"] = _words(found[usual[0]])
    if usual[1] in found:
        arguments["plants"] = _numbers(found[usual[1]])
    return arguments


def _numbers(column: Any) -> _Array:
    """Numbers, NaN where missing."""
    if hasattr(column, "to_numpy") and hasattr(column, "isna"):  # pandas, whose missing values have several forms
        return np.asarray(column.to_numpy(dtype="float64", na_value=np.nan))
    values = np.asarray(column)
    if values.dtype == object:
        values = np.array([np.nan if value is None else value for value in values], dtype=np.float64)
    return values


def _words(column: Any) -> list[str]:
    """Names, empty where missing; whole numbers without a decimal point."""
    if hasattr(column, "isna"):
        column = column.astype(object).where(~column.isna(), None)
    values = np.asarray(column)
    return ["" if value is None or value != value else _word(value) for value in values.tolist()]


def _word(value: Any) -> str:
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def _columns(table: Any, wanted: Iterable[str]) -> dict[str, Any]:
    """The wanted columns that the table has."""
    if isinstance(table, Mapping) or hasattr(table, "iloc"):
        return {name: table[name] for name in wanted if name in table}
    if not hasattr(table, "__arrow_c_stream__"):
        raise TypeError(f"a table is wanted (one that exports Arrow, a pandas.DataFrame or a dict), not {type(table)}")
    capsule = table.__arrow_c_stream__()
    stream = ctypes.cast(_get_pointer(capsule, b"arrow_array_stream"), _pointer(_Stream))
    schema = _Schema()
    _ask(stream, stream.contents.get_schema, schema)
    try:
        if schema.format != b"+s":
            raise TypeError("a table is wanted: this stream is one column")
        fields = [schema.children[i].contents for i in range(schema.n_children)]
        places = {field.name.decode(): i for i, field in enumerate(fields)}
        parts: dict[str, list[_Array]] = {name: [] for name in wanted if name in places}
        for chunk in _chunks(stream):
            for name, part in parts.items():
                place = places[name]
                column = _read(name, fields[place], chunk.children[place].contents)
                part.append(column[chunk.offset : chunk.offset + chunk.length])
    finally:
        schema.release(schema)
    return {name: np.concatenate(part) if part else np.array([]) for name, part in parts.items()}


def _ask(stream: Any, function: Callable[..., int], into: Any) -> None:
    if function(stream, ctypes.byref(into)) != 0:
        why = stream.contents.get_last_error(stream)
        raise ValueError(f"the table cannot be read: {why.decode() if why else 'no reason given'}")


def _chunks(stream: Any) -> Iterator[Any]:
    while True:
        chunk = _Chunk()
        _ask(stream, stream.contents.get_next, chunk)
        if not chunk.release:
            return
        try:
            yield chunk
        finally:
            chunk.release(chunk)


def _buffer(chunk: Any, i: int, dtype: str, length: int) -> _Array:
    """A buffer as a view; valid until the chunk is released."""
    size = length * np.dtype(dtype).itemsize
    if size == 0 or not chunk.buffers[i]:
        return np.empty(0, dtype)
    memory: Any = (ctypes.c_char * size).from_address(chunk.buffers[i])
    return np.frombuffer(memory, dtype)


def _bits(chunk: Any, i: int, end: int) -> npt.NDArray[np.bool_]:
    return np.unpackbits(_buffer(chunk, i, "u1", -(-end // 8)), bitorder="little")[:end].astype(bool)


def _read(name: str, schema: Any, chunk: Any) -> _Array:
    """A copy of one column of a chunk."""
    layout, start, end = schema.format.decode(), chunk.offset, chunk.offset + chunk.length
    if layout == "n":
        return np.full(chunk.length, np.nan)
    known = _bits(chunk, 0, end) if chunk.null_count != 0 and chunk.buffers[0] else np.ones(end, dtype=bool)
    known = known[start:]
    if schema.dictionary:
        words = _read(name, schema.dictionary.contents, chunk.dictionary.contents)
        index = _buffer(chunk, 1, _NUMBERS[layout], end)[start:]
        # Behind a null may stand any index.
        index = np.where(known, index, 0)
        values = words[index] if len(words) else np.full(chunk.length, None, dtype=object)
    elif layout == "b":
        values = _bits(chunk, 1, end)[start:]
    elif layout in _NUMBERS:
        values = _buffer(chunk, 1, _NUMBERS[layout], end)[start:]
    elif layout in ("u", "U"):
        edges = _buffer(chunk, 1, "i4" if layout == "u" else "i8", end + 1)
        text = _buffer(chunk, 2, "u1", int(edges[-1]) if edges.size else 0).tobytes()
        values = _texts(text[edges[i] : edges[i + 1]] for i in range(start, end))
    elif layout == "vu":
        values = _views(chunk, start, end, known)
    else:
        raise TypeError(f"column {name!r} has the Arrow type {layout!r}: numbers or texts are read")
    if values.dtype != object:
        return np.where(known, values.astype(np.float64), np.nan)
    values[~known] = None
    return values


def _texts(pieces: Iterator[bytes]) -> _Array:
    return np.array([piece.decode() for piece in pieces], dtype=object)


def _views(chunk: Any, start: int, end: int, known: npt.NDArray[np.bool_]) -> _Array:
    """Texts of 16-byte views: length, then the text itself if at most 12 bytes, else a prefix, buffer and place."""
    views = _buffer(chunk, 1, "V16", end)
    last = chunk.n_buffers - 1
    sizes = _buffer(chunk, last, "i8", last - 2)
    data = [_buffer(chunk, 2 + i, "u1", int(size)).tobytes() for i, size in enumerate(sizes)]

    def text(view: bytes) -> bytes:
        size, _, buffer, place = np.frombuffer(view, "<i4").tolist()
        return view[4 : 4 + size] if size <= 12 else data[buffer][place : place + size]

    return _texts(text(views[i].tobytes()) if known[i - start] else b"" for i in range(start, end))
