"""The sentences of the look-back: which side of the load, and digits that fit the picture."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from types import SimpleNamespace
from typing import Any

import pytest

from daq import look_words
from daq.findings import Event, EventKind, Side
from daq.level_histogram import OnLevels
from daq.span import LeadSpan, MeasuredSpan
from daq.time_window import TimeWindow
from tests.tui.scenes import GROUND_SIDE

POSITIVE_SIDE = replace(GROUND_SIDE, side=Side.HIGH, control_lead=1, feed_lead=None, ground_lead=2)


@pytest.mark.parametrize(
    ("t_s", "step_s", "said"),
    [
        (3725.4, 60.0, "1:02:05"),
        (3725.4321, 0.01, "1:02:05.43"),
        (125.0, 1.0, "2:05"),
        (12.34567, 0.00025, "0:12.3457"),
        (59.999, 0.1, "1:00.0"),
        (3599.99, 0.1, "1:00:00.0"),
        (0.0, 1e-9, "0:00.000000"),
    ],
)
def test_moments_have_the_digits_of_the_picture(t_s: float, step_s: float, said: str) -> None:
    assert look_words.moment(t_s, step_s) == said


def test_the_window_and_the_wall_clock() -> None:
    whole = TimeWindow.of(36_000.0, 0.004)
    assert look_words.window(whole, 100) == "all: 0:00 to 10:00:00, step 6 min 00 s"
    at = datetime(2026, 1, 1, 8, 0, 0, 612_345)
    assert look_words.wall(at, 10.0) == "08:00:01"
    assert look_words.wall(at, 0.1) == "08:00:00.6"
    assert look_words.wall(at, 0.001) == "08:00:00.612"
    assert look_words.wall(None, 1.0) == ""


@pytest.mark.parametrize(
    ("kind", "judgement", "said"),
    [
        (EventKind.FEED_DROPOUT, GROUND_SIDE, "It is between source and load: lead 1."),
        (EventKind.GROUND_DROPOUT, GROUND_SIDE, "It is between load and ground: lead 2."),
        (EventKind.FEED_DROPOUT, POSITIVE_SIDE, "It is between source and load: lead 1."),
        (EventKind.GROUND_DROPOUT, POSITIVE_SIDE, "It is between load and ground: lead 2."),
    ],
)
def test_an_event_says_on_which_side_of_the_load(kind: EventKind, judgement: object, said: str) -> None:
    told = look_words.told(Event(kind, 1.0, 0.01), judgement)  # type: ignore[arg-type]
    assert told.endswith(said)
    assert "opened" in told


def test_an_open_load_is_between_the_leads() -> None:
    told = look_words.told(Event(EventKind.LOAD_OPEN, 1.0, 0.01), GROUND_SIDE)
    assert told.endswith("It is between the two leads.")


@pytest.mark.parametrize("kind", EventKind)
def test_every_kind_has_its_sentence(kind: EventKind) -> None:
    assert look_words.told(Event(kind, 1.0, 0.01), GROUND_SIDE).endswith(".")


def test_where_the_side_is_not_known_no_place_is_named() -> None:
    open_side = replace(GROUND_SIDE, side=Side.UNDETERMINED)
    assert "between" not in look_words.told(Event(EventKind.FEED_DROPOUT, 1.0, 0.01), open_side)


def test_a_span_says_time_and_volts() -> None:
    lead = LeadSpan(12.5, -0.02, 12.66, -0.03)
    said = look_words.span(MeasuredSpan(1.0, 1.0123, 49, 0.002, (lead, lead)))
    assert said[0] == "from here to here: 12.300 ms, 49 pairs, 2.0 ms of it lost"
    assert said[1] == "lead 1: mean 12.50 V, least −0.02 V, most 12.66 V, end less begin −0.03 V"
    assert look_words.span(MeasuredSpan(1.0, 2.0, 0, 1.0, None))[-1] == "no samples in it"


def test_counts_of_events() -> None:
    events = [Event(EventKind.FEED_DROPOUT, float(n), 0.01) for n in range(3)]
    assert look_words.counted([], [], None, over=False) == "no events so far"
    assert look_words.counted([], [], None, over=True) == "no events"
    assert look_words.counted(events, events, 1, over=True) == "event 2 of 3"
    assert look_words.counted(events, events[:1], None, over=True) == "1 event (3 in all; k: kinds)"


def test_of_no_on_time_there_is_nothing_to_count() -> None:
    assert "not on" in look_words.on_levels(OnLevels(0.0, 0.0, None))


def test_a_column_that_moves_says_from_where_to_where() -> None:
    nan = float("nan")
    assert look_words.seen([0.1, nan], [12.6, nan], "12.50 V") == "0.1 to 12.6 V"
    assert look_words.seen([12.4], [12.6], "12.50 V") == "12.50 V"
    assert look_words.seen([nan], [nan], "-- V") == "-- V"


def test_what_is_expected_is_never_cut() -> None:
    findings = SimpleNamespace(judgement=POSITIVE_SIDE)
    now: Any = SimpleNamespace(expectation="switching", findings=findings)
    whole = look_words.verdict(now, 200)
    assert whole.endswith(" sure · expect switching")
    for width in (len(whole) - 1, 60, 40):
        told = look_words.verdict(now, width)
        assert len(told) <= width or width == 40
        assert told.startswith("POSITIVE SIDE · ")
        assert told.endswith(" · expect switching")
