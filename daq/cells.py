"""Tables as CSV: text that no spreadsheet takes for a formula. Pure."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence

Cell = str | int | float | bool | None

_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
"""What may begin a formula (owasp.org, "CSV Injection"); text so begun gets an apostrophe."""


def row(cells: Sequence[Cell]) -> str:
    """One line of CSV, RFC 4180, with its line end; None is empty, floats keep every digit."""
    line = io.StringIO()
    csv.writer(line).writerow([_cell(cell) for cell in cells])
    return line.getvalue()


def _cell(cell: Cell) -> str:
    if isinstance(cell, str):
        text = cell.encode("utf-8", "replace").decode("utf-8")
        return f"'{text}" if text.lstrip(" ").startswith(_FORMULA) else text
    if isinstance(cell, bool):
        return "true" if cell else "false"
    return "" if cell is None else repr(cell)
