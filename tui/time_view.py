"""TimeView: a stretch of a recording, a lane for each lead, with its events above and time below."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import ClassVar

import numpy as np
import numpy.typing as npt
from rich.segment import Segment
from textual.strip import Strip
from textual.widget import Widget

from daq import words
from daq.look_words import moment
from daq.snapshot import Bands
from daq.time_window import TimeWindow
from daq.trace import Columns
from tui.lane import BLANK, Codes, draw, make_axis, put_marks
from tui.trace_view import GUTTER

_SCALE = 7  # columns of the gutter that the axis takes
_HERE, _FROM = ord("│"), ord("╎")
_LABEL_EVERY = 18  # cells between two labels of the time axis, at least
_EVENT, _EVENTS, _CHOSEN = "'", '"', "▼"
RULED_ROWS = 2  # the row of events and the row of time


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """What to draw: `cells` x 2 columns over `window`; moments are seconds of the recording.

    Attributes:
        beside: lines of text left of each lane.
        events_s: when events began; `chosen_s` is the one chosen.
        here_s, from_s: the cursor, and where a measured span begins.
        other: columns of a second event, drawn dashed over the first.
        zero_s: what the time axis counts from.
    """

    window: TimeWindow
    columns: Columns
    bands: Bands
    beside: tuple[Sequence[str], Sequence[str]]
    events_s: Sequence[float] = ()
    chosen_s: float | None = None
    here_s: float | None = None
    from_s: float | None = None
    other: Columns | None = None
    zero_s: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Row:
    gutter: str
    trace: str
    band: bool
    lead: int
    other: npt.NDArray[np.bool_] | None  # cells in which only the second event is drawn


class TimeView(Widget, can_focus=False):
    """Call `show` with each new picture; `cells` says how wide a lane is."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "time--lead1",
        "time--lead2",
        "time--lead1-band",
        "time--lead2-band",
        "time--other",
        "time--other-band",
        "time--scale",
    }

    def __init__(self, id: str | None = None) -> None:
        super().__init__(id=id)
        self._ruled: tuple[str, str] = ("", "")
        self._rows: list[_Row] = []
        self._shown: tuple[Picture, int] | None = None  # the picture, and the cells it was made for

    @property
    def cells(self) -> int:
        return max(1, self.size.width - GUTTER)

    def show(self, picture: Picture) -> None:
        """Draw this; the rows above and below the lanes are the events and the time."""
        self._shown = picture, self.cells
        height = self.size.height - RULED_ROWS
        if height < RULED_ROWS or self.size.width <= GUTTER:
            return
        highest = float(np.fmax.reduce(picture.columns.high.ravel(), initial=0.0))
        self._rows = []
        for lead, rows in enumerate(((height + 1) // 2, height // 2)):
            self._rows += self._lane(picture, lead, rows, highest)[:rows]
        self._ruled = _event_row(picture, self.cells), _time_row(picture, self.cells)
        self.refresh()

    def on_resize(self) -> None:
        """A line that appears below makes the view lower after it was drawn; a new width draws the screen."""
        if self._shown is not None and self._shown[1] == self.cells:
            self.show(self._shown[0])

    def render_line(self, y: int) -> Strip:
        width = self.size.width
        if y == 0 or y > len(self._rows):
            text = self._ruled[0] if y == 0 else self._ruled[1] if y == len(self._rows) + 1 else ""
            text = " " * GUTTER + text
            return Strip([Segment(text.ljust(width)[:width], self.rich_style)], width)
        row = self._rows[y - 1]
        style = f"time--lead{row.lead + 1}"
        paint = self.get_component_rich_style(f"{style}-band" if row.band else style)
        gutter = Segment(row.gutter, self.get_component_rich_style("time--scale"))
        if row.other is None:
            return Strip([gutter, Segment(row.trace, paint)], len(row.gutter) + len(row.trace))
        other = self.get_component_rich_style("time--other-band" if row.band else "time--other")
        runs = groupby(zip(row.other.tolist(), row.trace, strict=True), key=lambda cell: cell[0])
        traces = [Segment("".join(c for _, c in run), other if its else paint) for its, run in runs]
        return Strip([gutter, *traces], len(row.gutter) + len(row.trace))

    def _lane(self, picture: Picture, lead: int, rows: int, highest: float) -> list[_Row]:
        axis = make_axis(picture.bands, rows, highest)
        cells = self.cells
        codes = draw(picture.columns, lead, axis, cells, dashed=lead == 1 and picture.other is None)
        only: Codes | None = None
        if picture.other is not None:
            second = draw(picture.other, lead, axis, cells, dashed=True)
            codes, only = _over(codes, second)
        put_marks(codes, picture.columns.marks)
        for at_s, glyph in ((picture.from_s, _FROM), (picture.here_s, _HERE)):
            cell = None if at_s is None else cell_of(picture.window, at_s, cells)
            if cell is not None:
                codes[:, cell] = np.where(codes[:, cell] == BLANK, glyph, codes[:, cell])
        plain = self.app.native_ansi_color or self.app.no_color
        out = []
        for y, band in enumerate(axis.row_bands):
            line = codes[y]
            if band and plain:  # without colour a band is a row of dots
                line = np.where(line == BLANK, ord("·"), line)
            text = line.astype("<u4").tobytes().decode("utf-32-le")
            beside = picture.beside[lead]
            label = (beside[y] if y < len(beside) else "").ljust(GUTTER - _SCALE)[: GUTTER - _SCALE]
            gutter = label + axis.row_labels[y].rjust(_SCALE - 1) + "▕"
            out.append(_Row(gutter, text, bool(band), lead, None if only is None else only[y] > 0))
        return out


def cell_of(window: TimeWindow, at_s: float, cells: int) -> int | None:
    """The cell a moment is in; None outside the window."""
    if not window.begin_s <= at_s <= window.end_s:
        return None
    return min(int((at_s - window.begin_s) / window.width_s * cells + 1e-6), cells - 1)


def _over(one: Codes, other: Codes) -> tuple[Codes, Codes]:
    """Both in one picture, and where nothing but the second is."""
    braille = (one >= BLANK) & (one < BLANK + 256) & (other >= BLANK) & (other < BLANK + 256)
    both = np.where(braille, one | other, np.where(one == BLANK, other, one))
    return both, ((one == BLANK) & (other != BLANK)).astype(np.int64)


def _event_row(picture: Picture, cells: int) -> str:
    """A tick for an event, a double one for several in a cell, and the chosen one pointed at."""
    row = [" "] * cells
    for at_s in picture.events_s:
        cell = cell_of(picture.window, at_s, cells)
        if cell is not None:
            row[cell] = _EVENT if row[cell] == " " else _EVENTS
    chosen = None if picture.chosen_s is None else cell_of(picture.window, picture.chosen_s, cells)
    if chosen is not None:
        row[chosen] = _CHOSEN
    return "".join(row)


def _time_row(picture: Picture, cells: int) -> str:
    """Moments under the cells they begin at; between "from here" and here a ruler."""
    window, step_s = picture.window, picture.window.width_s / cells
    count = max(1, cells // _LABEL_EVERY)
    row = [" "] * cells
    for n in range(count):
        cell = n * cells // count
        text = "└" + moment_from(picture.zero_s, window.begin_s + cell * step_s, step_s)
        row[cell : cell + len(text)] = text[: cells - cell]
    if picture.from_s is not None and picture.here_s is not None:
        ends = [picture.from_s, picture.here_s]
        inside = [min(max(at, window.begin_s), window.end_s) for at in ends]
        low, high = sorted(cell_of(window, at, cells) or 0 for at in inside)
        if high > low:
            begin = "├" if min(ends) >= window.begin_s else "◂"
            end = "┤" if max(ends) <= window.end_s else "▸"
            row[low : high + 1] = begin + "─" * (high - low - 1) + end
    return "".join(row)


def moment_from(zero_s: float, at_s: float, step_s: float) -> str:
    """A moment; where it counts from another one than the beginning, how long before or after that."""
    if not zero_s:
        return moment(at_s, step_s)
    sign = "−" if at_s < zero_s else "+"
    return f"{sign}{words.duration(abs(at_s - zero_s))}"
