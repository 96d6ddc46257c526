"""The exception of the package."""

from __future__ import annotations

from typing import TypedDict


class Finding(TypedDict):
    """One thing that was refused."""

    code: str
    message: str
    what: str
    value: str | None
    allowed: str
    file: str | None
    row: int | None
    column: str | None


class StoplineError(ValueError):
    """Something was refused, or cannot be done.

    Parameters
    ----------
    errors : list of dict
        Everything that was found, at least one: ``code``, ``message``, ``what``, ``value``, ``allowed``,
        ``file``, ``row``, ``column``. Codes are stable and the same in every language.

    Attributes
    ----------
    errors : list of dict
        As given.
    code, what, value, allowed, file, row, column
        Of the first of them.

    Examples
    --------
    >>> import stopline
    >>> try:
    ...     stopline.plan(k=-1.0, inadequate=1.0, adequate=2.0)
    ... except stopline.StoplineError as e:
    ...     print(e.code, e.what, e.value)
    out_of_range k -1
    """

    def __init__(self, errors: list[Finding]) -> None:
        super().__init__("\n".join(e["message"] for e in errors))
        self.errors = errors
        first = errors[0]
        self.code: str = first["code"]
        self.what: str = first["what"]
        self.value: str | None = first["value"]
        self.allowed: str = first["allowed"]
        self.file: str | None = first["file"]
        self.row: int | None = first["row"]
        self.column: str | None = first["column"]

    def __reduce__(self) -> tuple[type[StoplineError], tuple[list[Finding]]]:
        return (type(self), (self.errors,))


def finding(code: str, what: str, value: str | None, allowed: str) -> Finding:
    """One thing that this package's Python refuses, said as the core says it."""
    is_ = "" if value is None else f" is {value}"
    message = f"{what}{is_}; allowed: {allowed}"
    place: Finding = {
        "code": code,
        "message": message,
        "what": what,
        "value": value,
        "allowed": allowed,
        "file": None,
        "row": None,
        "column": None,
    }
    return place
