"""TraceView: the two lanes, one a lead, with each lead's volts and state word beside its trace.

Our own line-API widget. The trace is swept like a pen on a drum: columns stay where they were drawn and
only those near the pen change, so a frame is a few cells to write. Rows are compared with what stands on
the screen, and only the stretch that differs is given to Textual.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar, Protocol, TypeVar

import numpy as np
from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from daq import words
from daq.samples import Volts
from daq.snapshot import Bands, LeadView, Snapshot, StateWord
from daq.trace import Columns, TraceRing
from tui.lane import BLANK, DOTS_PER_CELL, Axis, draw, make_axis, put_marks

WINDOWS_S = (1.0, 2.0, 5.0, 10.0, 20.0, 60.0)
GUTTER = 23  # columns left of the trace: the lead's number, volts and word, and the axis
_SCALE = 7  # of these, for the axis
_PEN_GAP = 3  # empty cells ahead of the pen
_BAND_SHIFT_V = 0.1  # the axis moves when a band moved more: following every reading would redraw all

_RECENT = 2  # columns that tell where a moving lead goes: the newest is seldom whole
LINES = ("━━", "╍╍")  # how each lead's trace is drawn

T = TypeVar("T")


class ReadTrace(Protocol):
    """`Session.trace`: runs a reader on the ring while the worker keeps off it."""

    def __call__(self, read: Callable[[TraceRing], T]) -> T: ...


@dataclass(frozen=True, slots=True)
class _Row:
    """One line of the screen: three texts, each in one style."""

    gutter: str
    scale: str
    trace: str
    gutter_style: str
    trace_style: str


@dataclass(frozen=True, slots=True)
class _Zoom:
    """How bins become dots: `bins` to a dot, or a bin `repeat` dots wide where the rate is low."""

    bins: int
    repeat: int

    @classmethod
    def fitting(cls, window_s: float, dots: int, bin_s: float) -> _Zoom:
        ratio = window_s / bin_s / dots
        return cls(max(1, round(ratio)), max(1, round(1 / ratio)) if ratio < 1 else 1)


class TraceView(Widget, can_focus=False):
    """Call `show` with the latest snapshot; `window_s` sets the time across."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {
        "trace--lead1",
        "trace--lead2",
        "trace--lead1-band",
        "trace--lead2-band",
        "trace--scale",
    }

    def __init__(self, read_trace: ReadTrace, id: str | None = None) -> None:
        self._paints: dict[str, Style] = {}
        super().__init__(id=id)
        self.read_trace = read_trace
        self.window_s = 10.0
        self._rows: list[_Row] = []
        self._bands: Bands | None = None
        self._roles: tuple[str, str] = ("", "")
        self._snapshot: Snapshot | None = None

    def show(self, snapshot: Snapshot, roles: tuple[str, str] = ("", "")) -> None:
        """Draw this moment; `roles` names the wire each lead is on, where that is known."""
        self._snapshot, self._roles = snapshot, roles
        if self.size.height and self.size.width > GUTTER:
            self._replace(self._compose_rows(snapshot))

    def next_window(self) -> float:
        self.window_s = WINDOWS_S[(WINDOWS_S.index(self.window_s) + 1) % len(WINDOWS_S)]
        return self.window_s

    def on_resize(self) -> None:
        if self._snapshot is not None:
            self.show(self._snapshot, self._roles)

    def render_line(self, y: int) -> Strip:
        if y >= len(self._rows):
            return Strip.blank(self.size.width, self.rich_style)
        row = self._rows[y]
        return Strip(
            [
                Segment(row.gutter, self._paint(row.gutter_style)),
                Segment(row.scale, self._paint("trace--scale")),
                Segment(row.trace, self._paint(row.trace_style)),
            ],
            len(row.gutter) + len(row.scale) + len(row.trace),
        )

    def _paint(self, name: str) -> Style:
        """The widget forgets its own styles with every refresh; they are the same until the theme changes."""
        if name not in self._paints:
            self._paints[name] = self.get_component_rich_style(name)
        return self._paints[name]

    def notify_style_update(self) -> None:
        self._paints.clear()
        super().notify_style_update()

    def _compose_rows(self, snapshot: Snapshot) -> list[_Row]:
        cells = self.size.width - GUTTER
        columns = self.read_trace(lambda ring: self._columns(ring, cells * DOTS_PER_CELL))
        bands = self._settled_bands(snapshot.bands)
        known = bands.at_source_v is not None
        highest = 0.0 if known else float(np.fmax.reduce(columns.high.ravel(), initial=0.0))
        heights = ((self.size.height + 1) // 2, self.size.height // 2)
        rows: list[_Row] = []
        for lead, height in enumerate(heights):
            axis = make_axis(bands, height, highest)
            label = self._label(lead, snapshot.leads[lead], columns)
            rows += self._lane(lead, axis, columns, cells, label)[:height]
        return rows

    def _lane(self, lead: int, axis: Axis, columns: Columns, cells: int, label: list[str]) -> list[_Row]:
        codes = draw(columns, lead, axis, cells, dashed=lead == 1)
        put_marks(codes, columns.marks)
        plain = self.app.native_ansi_color or self.app.no_color
        style = f"trace--lead{lead + 1}"
        rows = []
        ahead = (columns.first + len(columns.low) + 1) // DOTS_PER_CELL + np.arange(_PEN_GAP - 1)
        for y, band in enumerate(axis.row_bands):
            line = codes[y]
            if band and plain:  # without colour a band is a row of dots, open ahead of the pen
                line = np.where(line == BLANK, ord("·"), line)
                line[ahead % cells] = BLANK
            text = line.astype("<u4").tobytes().decode("utf-32-le")
            gutter = (label[y] if y < len(label) else "").ljust(GUTTER - _SCALE)[: GUTTER - _SCALE]
            scale = axis.row_labels[y].rjust(_SCALE - 1) + "▕"
            rows.append(_Row(gutter, scale, text, style, f"{style}-band" if band else style))
        return rows

    def _label(self, lead: int, view: LeadView, columns: Columns) -> list[str]:
        """What stands beside a lane; the first three lines are on every screen."""
        reading = _reading(view, columns.low[-_RECENT:, lead], columns.high[-_RECENT:, lead])
        lines = [f"{LINES[lead]} LEAD {lead + 1}", reading, view.word.value.upper()]
        role = [self._roles[lead]] if self._roles[lead] else []
        return lines + role

    def _columns(self, ring: TraceRing, dots: int) -> Columns:
        """The columns that fit, newest at the pen."""
        bin_s = ring.bin_pairs / ring.rate_hz if ring.rate_hz else self.window_s / dots
        zoom = _Zoom.fitting(self.window_s, dots, bin_s)
        last = (ring.bins + zoom.bins - 1) // zoom.bins
        shown = dots - _PEN_GAP * DOTS_PER_CELL
        first = max(0, last - shown // zoom.repeat)
        found = ring.columns(first, last, zoom.bins)
        if zoom.repeat > 1:
            found = Columns(
                first * zoom.repeat,
                np.repeat(found.low, zoom.repeat, axis=0),
                np.repeat(found.high, zoom.repeat, axis=0),
                np.repeat(found.lost, zoom.repeat),
                tuple((at * zoom.repeat, what) for at, what in found.marks),
            )
        return found

    def _settled_bands(self, bands: Bands) -> Bands:
        """The bands as drawn: kept until they moved enough to be worth a new axis."""
        old = self._bands
        if old is None or _moved(old, bands):
            self._bands = old = bands
        return old

    def _replace(self, rows: list[_Row]) -> None:
        """Put `rows` on the screen, refreshing only what differs."""
        width, old = self.size.width, self._rows
        if len(old) != len(rows):
            self._rows = rows
            self.refresh()
            return
        regions = [
            Region(*_differing(before, after, width, y))
            for y, (before, after) in enumerate(zip(old, rows, strict=True))
            if before != after
        ]
        self._rows = rows
        if regions:
            self.refresh(*regions)


def _reading(view: LeadView, low: Volts, high: Volts) -> str:
    """Volts of a settled lead; of one that moves, as when it is pulsed, from where to where."""
    if view.word is StateWord.NO_READING:
        return "-- V"
    if view.word is not StateWord.CHANGING or np.isnan(low).all():
        return words.volts(view.volts, view.uncertainty_v)
    return words.span(float(np.nanmin(low)), float(np.nanmax(high)))


def _moved(old: Bands, new: Bands) -> bool:
    if (old.at_source_v is None) != (new.at_source_v is None):
        return True
    before = old.near_zero_v + (old.at_source_v or ())
    after = new.near_zero_v + (new.at_source_v or ())
    return max(abs(a - b) for a, b in zip(before, after, strict=True)) > _BAND_SHIFT_V


def _differing(before: _Row, after: _Row, width: int, y: int) -> tuple[int, int, int, int]:
    """x, y, width, height of the stretch that differs."""
    old = before.gutter + before.scale + before.trace
    new = after.gutter + after.scale + after.trace
    if len(old) != len(new) or before.trace_style != after.trace_style:
        return 0, y, width, 1
    first = next((x for x, (a, b) in enumerate(zip(old, new, strict=True)) if a != b), 0)
    last = next((x for x in range(len(old) - 1, -1, -1) if old[x] != new[x]), 0)
    return first, y, last - first + 1, 1
