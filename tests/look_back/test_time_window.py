"""A window never leaves its recording, and zooming keeps what is under the cursor there."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.time_window import TimeWindow

WHOLE = TimeWindow.of(3600.0, 0.004)
moments = st.floats(-100.0, 4000.0)
factors = st.floats(0.001, 1000.0)
STEPS = st.lists(
    st.tuples(st.sampled_from(["zoomed", "moved", "around", "holding"]), factors, moments), max_size=20
)


def step(window: TimeWindow, what: str, factor: float, at_s: float) -> TimeWindow:
    if what == "zoomed":
        return window.zoomed(factor, at_s)
    if what == "around":
        return window.around(at_s, factor)
    return getattr(window, what)(at_s)  # type: ignore[no-any-return]


@given(STEPS)
def test_whatever_is_done_it_stays_inside(steps: list[tuple[str, float, float]]) -> None:
    window = WHOLE
    for what, factor, at_s in steps:
        window = step(window, what, factor, at_s)
        assert -1e-9 <= window.begin_s < window.end_s <= window.whole_s + 1e-9
        assert window.width_s >= window.least_s * (1 - 1e-9) - 1e-9


@given(st.floats(0.0, 3600.0), st.floats(0.01, 1.0), st.floats(0.0, 1.0))
def test_zooming_in_keeps_the_cursor_in_its_place(begin_s: float, factor: float, share: float) -> None:
    window = WHOLE.around(begin_s, 100.0)
    about_s = window.begin_s + share * window.width_s
    closer = window.zoomed(factor, about_s)
    assert (about_s - closer.begin_s) / closer.width_s == pytest.approx(share, abs=1e-6)


@given(st.floats(0.0, 3600.0), st.floats(0.01, 3600.0), st.floats(0.0, 3600.0))
def test_what_is_gone_to_is_seen_and_what_is_seen_does_not_move(
    begin_s: float, width_s: float, at_s: float
) -> None:
    window = WHOLE.around(begin_s, width_s)
    held = window.holding(at_s)
    assert held.begin_s - 1e-9 <= at_s <= held.end_s + 1e-9
    if window.begin_s <= at_s <= window.end_s:
        assert held == window


def test_of_nothing_there_is_still_a_window() -> None:
    assert TimeWindow.of(0.0, 0.01) == TimeWindow(0.0, 0.01, 0.01, 0.01)
