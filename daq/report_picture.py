"""Both leads of a stretch of a recording as an SVG drawing, for a page that is printed or sent. Pure.

Each lead has a lane of its own, its number and its own kind of outline, so that nothing hangs on colour; the
two colours are the colour-blind-safe purple and green of Okabe and Ito's set.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from html import escape

import numpy as np

from daq import look_words
from daq.findings import Event
from daq.snapshot import Bands
from daq.time_window import TimeWindow
from daq.trace import Columns

COLUMNS = 720
"""Columns of samples that a picture wants."""

WIDTH, BESIDE, LANE, APART, BELOW = 800, 80, 96, 22, 26
TICKS = 6
_COLOURS = ("#93386b", "#00724f")
_DASHES = ("", ' stroke-dasharray="5 2"')


def picture(
    columns: Columns, window: TimeWindow, bands: Bands, events: Sequence[tuple[int, Event]], title: str
) -> str:
    """An `<svg>` element.

    Args:
        columns: the samples in `window`, in columns of equal time.
        events: those to mark, with their numbers.
        title: what a reader who does not see it is told.
    """
    low, high = _range(columns, bands)
    height = 2 * (LANE + APART) + BELOW
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img" '
        f'aria-label="{escape(title)}">'
    ]
    for lead in (0, 1):
        top = APART + lead * (LANE + APART)
        parts += _lane(columns, lead, bands, _Scale(low, high, top))
    parts += _marks(window, events, height)
    parts += _axis(window, height)
    return "\n".join([*parts, "</svg>"])


class _Scale:
    """Volts to heights on the page."""

    def __init__(self, low: float, high: float, top: float) -> None:
        self.low, self.high, self.top = low, high, top

    def y(self, volts: float) -> float:
        inside = min(max(volts, self.low), self.high)
        return self.top + LANE * (self.high - inside) / (self.high - self.low)


def _range(columns: Columns, bands: Bands) -> tuple[float, float]:
    """Both lanes show the same volts: zero, the source, and what was read."""
    ends = [0.0, *(bands.at_source_v or (12.0,))]
    seen = [x[np.isfinite(x)] for x in (columns.low, columns.high)]
    if all(len(x) for x in seen):
        ends += [float(seen[0].min()), float(seen[1].max())]
    low, high = min(ends), max(ends)
    room = 0.05 * (high - low)
    return low - room, high + room


def _lane(columns: Columns, lead: int, bands: Bands, scale: _Scale) -> Iterator[str]:
    right, colour = WIDTH - BESIDE, _COLOURS[lead]
    yield f'<rect x="{BESIDE}" y="{scale.top}" width="{right}" height="{LANE}" class="lane"/>'
    named = (("0 V", 0.0, bands.near_zero_v), ("source", None, bands.at_source_v))
    for name, at_v, band in named:
        if band is None:
            continue
        y, base = scale.y(band[1]), scale.y(band[0])
        yield f'<rect x="{BESIDE}" y="{y:.1f}" width="{right}" height="{base - y:.1f}" class="band"/>'
        at = (y + base) / 2 if at_v is None else scale.y(at_v)
        yield f'<text x="{BESIDE - 6}" y="{at + 3:.1f}" class="beside">{name}</text>'
    yield f'<text x="4" y="{scale.top + 12}" fill="{colour}" class="lead">lead {lead + 1}</text>'
    yield from _lost(columns, scale.top)
    for begin, end in _runs(np.isfinite(columns.low[:, lead])):
        yield _outline(columns, lead, begin, end, scale)


def _outline(columns: Columns, lead: int, begin: int, end: int, scale: _Scale) -> str:
    """From the highest to the lowest sample of each column, joined to the next: no spike is lost."""
    points = []
    for at in range(begin, end):
        highest, lowest = float(columns.high[at, lead]), float(columns.low[at, lead])
        points.append(f"{_x(at, columns):.1f},{scale.y(highest):.1f}")
        if highest > lowest:
            points.append(f"{_x(at, columns):.1f},{scale.y(lowest):.1f}")
    return f'<polyline points="{" ".join(points)}" stroke="{_COLOURS[lead]}" class="trace"{_DASHES[lead]}/>'


def _lost(columns: Columns, top: float) -> Iterator[str]:
    for begin, end in _runs(columns.lost):
        x = _x(begin - 0.5, columns)
        wide = max(2.0, _x(end - 0.5, columns) - x)
        yield f'<rect x="{x:.1f}" y="{top}" width="{wide:.1f}" height="{LANE}" class="lost"/>'


def _x(column: float, columns: Columns) -> float:
    return BESIDE + (WIDTH - BESIDE) * (column + 0.5) / len(columns.lost)


def _runs(true: np.ndarray) -> list[tuple[int, int]]:
    """Half-open ranges in which it is true."""
    steps = np.flatnonzero(np.diff(np.concatenate(([0], true.astype(np.int8), [0]))))
    return list(zip(steps[::2].tolist(), steps[1::2].tolist(), strict=True))


def _marks(window: TimeWindow, events: Sequence[tuple[int, Event]], height: float) -> Iterator[str]:
    for number, event in events:
        if not window.begin_s <= event.t_s <= window.end_s:
            continue
        x = BESIDE + (WIDTH - BESIDE) * (event.t_s - window.begin_s) / window.width_s
        yield f'<line x1="{x:.1f}" y1="{APART - 6}" x2="{x:.1f}" y2="{height - BELOW}" class="mark"/>'
        yield f'<text x="{x:.1f}" y="{APART - 9}" class="number">{number}</text>'


def _axis(window: TimeWindow, height: float) -> Iterator[str]:
    for n in range(TICKS):
        at_s = window.begin_s + window.width_s * n / (TICKS - 1)
        x = BESIDE + (WIDTH - BESIDE) * n / (TICKS - 1)
        anchor = "start" if n == 0 else "end" if n == TICKS - 1 else "middle"
        text = look_words.moment(at_s, _finest(window.width_s))
        y = height - BELOW / 2
        yield f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" class="time">{text}</text>'


def _finest(width_s: float) -> float:
    """The step of time that tells ticks apart, and where between two seconds they stand."""
    return max(1e-6, 10.0 ** (math.floor(math.log10(width_s / (TICKS - 1))) - 1))
