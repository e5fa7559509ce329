"""How volts become dots: the axis of a lane and the braille picture of its trace. Pure numpy.

A lane's axis is straight in pieces: "near zero" and "at source" take whole rows of their own, so that a
trace drawn on a band's rows is in that band, however low the lane is. What lies beyond them gets a row
where there is room and is cut at the lane's edge where there is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from daq.snapshot import Bands
from daq.trace import NOTED, Columns

DOTS_PER_ROW, DOTS_PER_CELL = 4, 2  # of a braille character
BLANK = 0x2800
LOST = ord("▒")
MARKED = ord("┊")
MARK_LETTERS = {"on": "o", "off": "f", "other": "g", NOTED: "n"}  # the keys that make them
_BITS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])

_LEAST_ROWS = 3
_DASH, _PERIOD = 3, 4  # columns drawn of each period, where a dashed trace is level
_LEVEL_DOTS = 2  # noise makes a level trace this much thicker than one dot
_TOPS_V = (16.0, 32.0, 48.0)  # ends of the axis while the source is unknown: 12 V, 24 V, the input's span

Codes = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Axis:
    """Volts at increasing heights (dots from the bottom), and what each row is, from the top."""

    volts: tuple[float, ...]
    heights: tuple[float, ...]
    row_bands: tuple[str, ...]  # "source", "zero" or ""
    row_labels: tuple[str, ...]

    def dots(self, volts: npt.NDArray[np.floating]) -> npt.NDArray[np.float64]:
        """Dot rows from the top, whole numbers; NaN stays NaN, what is off the axis is cut to its edge."""
        rows = len(self.row_bands) * DOTS_PER_ROW
        height = np.interp(volts, self.volts, self.heights)
        from_top: npt.NDArray[np.float64] = rows - 1 - np.clip(np.floor(height), 0, rows - 1)
        return from_top


@lru_cache(maxsize=8)
def make_axis(bands: Bands, rows: int, highest_v: float) -> Axis:
    """The axis of a lane of `rows` rows; `highest_v` only matters while the source is unknown."""
    rows = max(rows, _LEAST_ROWS)
    beyond = 1 if rows >= 5 else 0
    band = 2 if rows >= 10 else 1
    zero_low, zero_high = bands.near_zero_v
    if bands.at_source_v is None:
        top = next((top for top in _TOPS_V if highest_v <= top), _TOPS_V[-1])
        volts = [-top / 2] * beyond + [zero_low, zero_high, top]
        sizes = [beyond] * beyond + [band, rows - beyond - band]
        names = [""] * beyond + ["zero", ""]
        labels = [""] * beyond + ["0 V", f"{top:.0f} V"]
    else:
        low, high = bands.at_source_v
        volts = [-high] * beyond + [zero_low, zero_high, low, high] + [2 * high] * beyond
        sizes = [beyond] * beyond + [band, rows - 2 * (beyond + band), band] + [beyond] * beyond
        names = [""] * beyond + ["zero", "", "source"] + [""] * beyond
        labels = [""] * beyond + ["0 V", "", "source"] + [""] * beyond
    heights = np.concatenate(([0], np.cumsum(sizes))) * DOTS_PER_ROW
    row_bands = [name for name, size in zip(names, sizes, strict=True) for _ in range(size)]
    row_labels = [
        text for label, size in zip(labels, sizes, strict=True) for text in [""] * (size - 1) + [label]
    ]
    return Axis(tuple(volts), tuple(map(float, heights)), tuple(row_bands[::-1]), tuple(row_labels[::-1]))


def draw(columns: Columns, lead: int, axis: Axis, cells: int, dashed: bool) -> Codes:
    """Character codes (rows, cells) of one lead's trace, swept: column i stands at dot i mod the width.

    Every column shows its whole span, joined to its neighbour's, so that a single sample is seen. A
    dashed trace leaves out only what its neighbours show as well.
    """
    rows = len(axis.row_bands) * DOTS_PER_ROW
    top, bottom = _joined(axis.dots(columns.high[:, lead]), axis.dots(columns.low[:, lead]))
    index = columns.first + np.arange(len(top))
    if dashed:
        top = np.where(_told_by_neighbours(top, bottom) & (index % _PERIOD >= _DASH), np.nan, top)
    width = cells * DOTS_PER_CELL
    height = np.arange(rows)[:, None]
    dots = np.zeros((rows, width), dtype=np.bool_)
    dots[:, index % width] = (height >= top) & (height <= bottom)
    codes: Codes = BLANK + np.tensordot(
        dots.reshape(-1, DOTS_PER_ROW, cells, DOTS_PER_CELL).transpose(0, 2, 1, 3), _BITS, axes=2
    )
    empty = np.isnan(columns.high[:, lead]) & columns.lost
    lost_cells = np.unique(index[empty] % width // DOTS_PER_CELL)
    codes[:, lost_cells] = np.where(codes[:, lost_cells] == BLANK, LOST, codes[:, lost_cells])
    return codes


def _joined(
    top: npt.NDArray[np.float64], bottom: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """The spans, each stretched to touch the one before it."""
    before_top = np.concatenate(([np.nan], top[:-1]))
    before_bottom = np.concatenate(([np.nan], bottom[:-1]))
    return (
        np.where(top > before_bottom + 1, before_bottom + 1, top),
        np.where(bottom < before_top - 1, before_top - 1, bottom),
    )


def _told_by_neighbours(
    top: npt.NDArray[np.float64], bottom: npt.NDArray[np.float64]
) -> npt.NDArray[np.bool_]:
    """Columns that are nearly level and reach no further than the columns beside them."""
    higher = np.minimum(_one_before(top), _one_after(top))
    lower = np.maximum(_one_before(bottom), _one_after(bottom))
    told: npt.NDArray[np.bool_] = (bottom - top <= _LEVEL_DOTS) & (top >= higher) & (bottom <= lower)
    return told


def _one_before(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.concatenate((values[:1], values[:-1]))


def _one_after(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.concatenate((values[1:], values[-1:]))


def put_marks(codes: Codes, marks: Sequence[tuple[int, str]]) -> None:
    """Draw a mark down its column, with its letter at the top, where the trace leaves the cells free.

    `marks` are (column, what was marked); columns are swept as in `draw`.
    """
    cells = codes.shape[1]
    for column, what in marks:
        cell = column % (cells * DOTS_PER_CELL) // DOTS_PER_CELL
        free = np.flatnonzero(codes[:, cell] == BLANK)
        codes[free, cell] = MARKED
        if len(free):
            codes[free[0], cell] = ord(MARK_LETTERS.get(what, "?"))
