"""Drawing: bands own their rows, no spike is lost, what was drawn stays where it is."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.samples import Volts
from daq.snapshot import Bands
from daq.trace import Columns
from tui.lane import BLANK, DOTS_PER_CELL, DOTS_PER_ROW, LOST, Codes, draw, make_axis, put_marks

BANDS = Bands((-0.5, 1.0), (11.1, 13.7))
UNKNOWN = Bands((-0.5, 0.5), None)
CELLS = 40


def _columns(low: Volts, high: Volts, first: int = 0) -> Columns:
    both = [np.stack([volts, volts], axis=1) for volts in (low, high)]
    return Columns(first, both[0], both[1], np.zeros(len(low), dtype=np.bool_))


def _dots(codes: Codes) -> npt.NDArray[np.bool_]:
    """Braille characters back to dots (rows, columns), by the Unicode numbering of dots 1 to 8."""
    bits = codes - BLANK
    places = {0: (0, 0), 1: (1, 0), 2: (2, 0), 3: (0, 1), 4: (1, 1), 5: (2, 1), 6: (3, 0), 7: (3, 1)}
    out = np.zeros((codes.shape[0] * 4, codes.shape[1] * 2), dtype=bool)
    for bit, (y, x) in places.items():
        out[y::4, x::2] = bits >> bit & 1
    return out


@given(volts=st.floats(-50, 60), rows=st.integers(3, 24), known=st.booleans())
def test_a_trace_stands_on_a_bands_rows_exactly_when_it_is_in_the_band(
    volts: float, rows: int, known: bool
) -> None:
    bands = BANDS if known else UNKNOWN
    axis = make_axis(bands, rows, highest_v=14.0)
    assert len(axis.row_bands) == rows
    row = axis.row_bands[int(axis.dots(np.array([volts]))[0]) // DOTS_PER_ROW]
    edges = (*bands.near_zero_v, *(bands.at_source_v or ()))
    if min(abs(volts - edge) for edge in edges) < 1e-6:
        return  # on the edge itself, either will do
    lowest, highest = bands.near_zero_v[0], (bands.at_source_v or (0.0, 99.0))[1]
    if rows < 5 and not lowest < volts < highest:
        return  # no row beyond the bands: cut at the lane's edge
    if bands.near_zero_v[0] < volts < bands.near_zero_v[1]:
        assert row == "zero"
    elif bands.at_source_v and bands.at_source_v[0] < volts < bands.at_source_v[1]:
        assert row == "source"
    else:
        assert row == ""


@given(
    at=st.integers(1, 75),
    level_v=st.floats(-1.0, 14.0),
    step_v=st.floats(-1.5, 1.5) | st.floats(-12.0, 12.0),
    rows=st.integers(3, 12),
    period=st.integers(0, 2500),
    phase=st.sampled_from([3, 3, 3, 0]),  # the column that a dashed trace may leave out, and another
)
def test_a_spike_of_one_column_shows(
    at: int, level_v: float, step_v: float, rows: int, period: int, phase: int
) -> None:
    """Up or down, as soon as it reaches another dot, on the dashed trace too."""
    first = 4 * period + (phase - at) % 4
    level = np.full(77, level_v)
    low, high = level.copy(), level.copy()
    low[at] += min(step_v, 0.0)
    high[at] += max(step_v, 0.0)
    axis = make_axis(BANDS, rows, 14.0)
    rest, reached = (int(dot) for dot in axis.dots(np.array([level_v, level_v + step_v])))
    dots = _dots(draw(_columns(low, high, first), 1, axis, CELLS, True))
    if reached != rest:
        assert dots[reached, (first + at) % (CELLS * DOTS_PER_CELL)]


def test_a_column_never_moves_once_it_is_drawn() -> None:
    """The picture is locked to the absolute column: later frames only add at the pen."""
    rng = np.random.default_rng(3)
    low = rng.uniform(0, 6, 200)
    high = low + rng.uniform(0, 6, 200)
    axis = make_axis(BANDS, 8, 14.0)
    width = CELLS * DOTS_PER_CELL
    frames = []
    for end in (120, 130):
        seen = slice(end - 76, end)
        frames.append(_dots(draw(_columns(low[seen], high[seen], end - 76), 0, axis, CELLS, False)))
    kept = np.arange(130 - 76 + 1, 120) % width  # in both frames (the oldest column joins to nothing)
    np.testing.assert_array_equal(frames[0][:, kept], frames[1][:, kept])


@given(seed=st.integers(0, 1000), rows=st.integers(3, 12))
def test_neighbouring_columns_touch(seed: int, rows: int) -> None:
    low = np.random.default_rng(seed).uniform(-1, 15, 60)
    axis = make_axis(BANDS, rows, 14.0)
    dots = _dots(draw(_columns(low, low), 0, axis, CELLS, False))
    for x in range(1, 60):
        here, before = np.flatnonzero(dots[:, x]), np.flatnonzero(dots[:, x - 1])
        assert here.max() >= before.min() - 1
        assert here.min() <= before.max() + 1


def test_the_second_lead_is_dashed_where_it_is_level_and_the_first_is_not() -> None:
    level = np.full(76, 12.5)
    axis = make_axis(BANDS, 6, 14.0)
    whole = np.any(_dots(draw(_columns(level, level), 0, axis, CELLS, False))[:, :76], axis=0)
    dashed = np.any(_dots(draw(_columns(level, level), 1, axis, CELLS, True))[:, :76], axis=0)
    assert np.all(whole)
    assert np.reshape(dashed, (-1, 4)).sum(axis=0).tolist() == [19, 19, 19, 0]


def test_pulses_are_drawn_whole_even_when_dashed() -> None:
    low, high = np.full(76, 0.1), np.full(76, 12.6)
    dots = _dots(draw(_columns(low, high), 1, make_axis(BANDS, 6, 14.0), CELLS, True))
    assert np.all(np.any(dots[:, :76], axis=0))


def test_lost_time_is_hatched_and_never_bridged() -> None:
    volts = np.full(40, 12.5)
    volts[10:20] = np.nan
    columns = Columns(0, np.stack([volts] * 2, 1), np.stack([volts] * 2, 1), np.isnan(volts))
    codes = draw(columns, 0, make_axis(BANDS, 4, 14.0), CELLS, False)
    assert (codes[:, 5:10] == LOST).all()
    assert not (codes == LOST)[:, [4, 10]].any()


def test_a_mark_covers_no_part_of_the_trace() -> None:
    volts = np.where(np.arange(60) < 30, 12.5, 0.0)
    axis = make_axis(BANDS, 5, 14.0)
    plain = draw(_columns(volts, volts), 0, axis, CELLS, False)
    marked = plain.copy()
    put_marks(marked, [(30, "on"), (50, "off"), (2 * CELLS * DOTS_PER_CELL + 20, "other")])
    changed = marked != plain
    assert (plain[changed] == BLANK).all()
    columns = {cell: "".join(map(chr, marked[:, cell])) for cell in (15, 25, 10)}
    assert "o" in columns[15]
    assert "f┊" in columns[25]
    assert "g" in columns[10]
    assert set(np.flatnonzero(changed.any(axis=0))) <= {10, 15, 25}


@pytest.mark.parametrize(("highest", "top"), [(12.0, "16 V"), (28.0, "32 V"), (39.0, "48 V"), (99.0, "48 V")])
def test_without_a_known_source_the_axis_says_where_it_ends(highest: float, top: str) -> None:
    assert make_axis(UNKNOWN, 4, highest).row_labels == (top, "", "", "0 V")
