"""What was switched, and what only moved: faults, leads that slip, both ends, another load on a shared wire.

Each of these told a side with confidence that was wrong, or hid a plain one. Levels follow from Ohm's law and
the front end's 1.1 MΩ; how often and how long things open is common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from daq.pipeline import Pipeline
from tests.analysis.volts import analyse, blocks
from tests.analysis.waves import Volts, levels, rounded

RATE_HZ = 4000.0
ON_V, LOW_OFF_V, HIGH_OFF_V, OPEN_GROUND_V = (12.4, 0.3), (12.6, 12.6), (0.0, 0.0), (12.6, 12.6)
Levels = tuple[float, float]


def alternating(on: Levels, off: Levels, times: int = 5) -> Volts:
    return levels([(0.6, *off), (0.7, *on)] * times + [(0.6, *off)])


@pytest.mark.parametrize("first", [0.0, 0.8])
@pytest.mark.parametrize("times", [6, 12, 20])
@pytest.mark.parametrize(("opened", "rest"), [(OPEN_GROUND_V, HIGH_OFF_V), ((0.0, 0.0), LOW_OFF_V)])
def test_however_often_a_wire_opens_the_load_was_switched_off_otherwise(
    first: float, times: int, opened: Levels, rest: Levels
) -> None:
    """Somebody shakes a wire while the load is on, and switches it off at last."""
    begin = [(first, *rest)] if first else []
    spans = [(0.5, *ON_V), (0.3, *opened)] * times
    found = analyse(levels([*begin, *spans, (0.9, *ON_V), (0.9, *rest)]), RATE_HZ)
    assert found["side"] == "undetermined"
    assert "mark each time" in found["next_test"]["do"]


def test_a_key_that_is_turned_off_while_the_load_is_on_asks_for_marks() -> None:
    """The feed wakes, a hand cycles the load, the feed goes away: the levels of the next test's circuit."""
    cycles = [(0.5, *LOW_OFF_V), (0.5, *ON_V)] * 20
    found = analyse(levels([(1.0, 0.0, 0.0), *cycles, (1.0, 0.0, 0.0)]), RATE_HZ)
    assert found["side"] == "undetermined"
    assert "mark" in found["next_test"]["do"]


@pytest.mark.parametrize("times", [2, 12, 24, 40])
def test_a_ground_that_is_open_when_the_feed_is_switched_and_then_shakes_is_no_key(times: int) -> None:
    shaken = [(0.5, *ON_V), (0.3, *OPEN_GROUND_V)] * times
    found = analyse(
        levels([(1.0, *HIGH_OFF_V), (3.0, *OPEN_GROUND_V), *shaken, (0.9, *ON_V), (0.9, *HIGH_OFF_V)]),
        RATE_HZ,
    )
    assert found["side"] == "undetermined"


@pytest.mark.parametrize("times", [6, 20])
def test_a_feed_that_opens_again_and_again_while_a_hand_holds_the_ground_is_no_switch(times: int) -> None:
    """The control is moved while the feed is away: what rests at source first is no positive side."""
    shaken = [(0.5, *ON_V), (0.3, 0.0, 0.0)] * times
    found = analyse(
        levels([(1.0, *LOW_OFF_V), (3.0, 0.0, 0.0), *shaken, (0.9, *ON_V), (0.9, *LOW_OFF_V)]), RATE_HZ
    )
    assert found["side"] == "undetermined"


def test_the_reason_tells_how_the_load_rests_and_not_how_a_fault_leaves_it() -> None:
    cycles = [(0.5, *LOW_OFF_V), (0.5, *ON_V)] * 12
    found = analyse(levels([*cycles, (3.0, 0.0, 0.0), (0.5, *ON_V), (0.5, *LOW_OFF_V)]), RATE_HZ)
    assert found["side"] == "low"
    assert "Off: both leads at source" in found["why"]


@pytest.mark.parametrize("apart_s", [0.004, 0.008, 0.015, 0.03])
@pytest.mark.parametrize("opens_first", ["feed", "ground"])
def test_a_ground_that_is_switched_milliseconds_after_the_feed_is_seen(
    apart_s: float, opens_first: str
) -> None:
    """A main relay or key feeds the load, and its module grounds it a little later."""
    between = [(apart_s, *LOW_OFF_V)]
    after = between if opens_first == "ground" else []
    cycle = [(0.6, 0.0, 0.0), *between, (0.8, *ON_V), *after]
    found = analyse(levels([*cycle * 5, (0.6, 0.0, 0.0)]), RATE_HZ)
    assert found["side"] == "undetermined"
    assert "feed and ground may both be switched" in found["why"]


def test_a_lead_that_slips_off_the_feed_pin_is_no_switch() -> None:
    """The ground side shows all the while that the current flows."""
    found = analyse(alternating(ON_V, (0.0, 0.3)), RATE_HZ)
    assert found["side"] == "undetermined"
    assert "Press the leads onto their pins" in found["next_test"]["do"]


def test_a_lead_that_slips_off_beside_a_plain_verdict_is_a_lead_off_and_no_feed_dropout() -> None:
    slips = [(0.3, 0.0, 0.3), (0.7, 12.4, 0.3)] * 2
    cycles = [(0.6, *LOW_OFF_V), (0.7, *ON_V)] * 5
    found = analyse(levels([*cycles, *slips, (0.6, *LOW_OFF_V)]), RATE_HZ)
    assert (found["side"], found["control_lead"]) == ("low", 2)
    assert [(e["kind"], e["t_s"]) for e in found["events"]] == [
        ("lead off", pytest.approx(at, abs=0.01)) for at in (6.5, 7.5)
    ]
    assert len(found["edges"]) == 10


def test_a_lead_that_slips_off_says_nothing_of_how_a_fault_leaves_the_load() -> None:
    """The feed opens once as well: that is the state to reason about, however often the lead slips."""
    slips = [(0.3, 0.0, 0.3), (0.7, 12.4, 0.3)] * 3
    cycles = [(0.6, *LOW_OFF_V), (0.7, *ON_V)] * 12
    pipeline = Pipeline()
    volts = levels([*cycles, *slips, (0.3, 0.0, 0.0), (0.7, *ON_V), (0.6, *LOW_OFF_V)])
    for block in blocks(volts, RATE_HZ):
        pipeline.push(block)
    pipeline.finish()
    look = pipeline.findings().look
    assert look is not None
    broken = look().broken
    assert broken is not None
    assert broken.volts == pytest.approx((0.0, 0.0), abs=0.05)


@pytest.mark.parametrize(
    ("on", "off"),
    [
        ((12.4, 0.35), (0.0, 0.0)),
        ((12.4, 0.35), (0.3, 0.3)),
        ((12.4, 0.35), (0.1, 0.1)),
        ((12.4, 0.95), (0.6, 0.93)),
    ],
)
def test_a_load_on_a_ground_that_others_lift_is_believed(on: Levels, off: Levels) -> None:
    """Whatever leaks from the feed pin meanwhile: 500 ohm beside a load of 300 leaves 0.6 of 0.93 V."""
    found = analyse(alternating(on, off), RATE_HZ)
    assert (found["side"], found["control_lead"]) == ("high", 1)


def test_a_feed_that_another_load_pulls_down_half_way_is_no_switch() -> None:
    """What voltage is left drives its share of the current: the ground side shows it."""
    found = analyse(alternating((12.0, 0.40), (6.0, 0.20)), RATE_HZ)
    assert found["side"] == "undetermined"
    assert "another load" in found["why"]


def test_a_string_of_diodes_that_a_driver_leaks_through_is_believed() -> None:
    found = analyse(alternating((12.0, 0.40), (6.0, 0.0)), RATE_HZ)
    assert (found["side"], found["control_lead"]) == ("high", 1)


@pytest.mark.parametrize(
    ("on", "off"),
    [
        ((12.1, 0.6), (2.5, 2.5)),  # dipped and main beam on one bad ground
        ((12.5, 0.1), (2.5, 2.5)),  # drivers at both ends, and what tests them in between
        ((12.5, 0.1), (10.1, 10.1)),
    ],
)
def test_both_leads_off_their_rails_may_be_another_load_or_both_ends(on: Levels, off: Levels) -> None:
    found = analyse(alternating(on, off), RATE_HZ)
    assert found["side"] == "undetermined"
    assert f"both leads stand at {off[0]:.1f} V" in found["why"], "nothing dims a load that has no voltage"


def test_a_starter_that_moves_both_leads_is_no_switching_of_both_ends() -> None:
    """Half the voltage is left: a sagging source and a lifted ground, four times."""
    starts: list[tuple[float, float, float]] = []
    for _ in range(4):
        starts += [(1.5, *ON_V), (0.7, 8.0, 2.2)]
    found = analyse(levels([*starts, (1.5, *ON_V)]), RATE_HZ)
    assert found["side"] == "undetermined"
    assert "another load" in found["why"]


@pytest.mark.parametrize("fades_s", [0.02, 0.06, 0.15])
def test_a_module_whose_capacitor_empties_after_each_switching_off_is_believed(fades_s: float) -> None:
    """Fed on the positive side; from full on to nothing without a step."""
    t = np.arange(round(1.4 * RATE_HZ)) / RATE_HZ
    feed = np.where(t < 0.7, 12.5, 12.5 * np.exp(-np.maximum(t - 0.7, 0) / fades_s))
    cycle = np.stack([feed, np.where(t < 0.7, 0.02, 0.0)], axis=1)
    clean = np.concatenate([np.zeros((2000, 2)), *[cycle] * 4])
    found = analyse(rounded(clean + np.random.default_rng(4).normal(0, 0.02, clean.shape)), RATE_HZ)
    assert (found["side"], found["control_lead"], found["feed_lead"]) == ("high", 1, 1)
    assert len(found["edges"]) == 8


@pytest.mark.parametrize("seconds", [0.2, 0.5, 2.0])
@pytest.mark.parametrize("side", ["low", "high"])
def test_a_dimmer_that_is_turned_up_and_down_slowly_is_followed(seconds: float, side: str) -> None:
    """Nothing in it is fast; the load is on and off twice all the same."""
    t = np.arange(round((4 * seconds + 2.4) * RATE_HZ)) / RATE_HZ
    up = np.interp(t, np.cumsum([0.6, seconds, 0.6, seconds, 0.6, seconds, 0.6, seconds]), [0, 1, 1, 0] * 2)
    lead1, lead2 = (12.6 - 0.1 * up, 12.6 - 12.4 * up) if side == "low" else (12.5 * up, 0.2 * up)
    clean = np.stack([lead1, lead2], axis=1)
    found = analyse(rounded(clean + np.random.default_rng(6).normal(0, 0.02, clean.shape)), RATE_HZ)
    assert (found["side"], found["control_lead"]) == (side, {"low": 2, "high": 1}[side])
    middles = [0.6 + seconds / 2 + k * (seconds + 0.6) for k in range(4)]
    assert [e["t_s"] for e in found["edges"]] == pytest.approx(middles, abs=0.25 * seconds)


def test_a_lead_that_only_dims_slowly_or_a_source_that_sags_slowly_is_no_switching() -> None:
    t = np.arange(round(8 * RATE_HZ)) / RATE_HZ
    down = 0.5 - 0.5 * np.cos(2 * np.pi * t / 2)
    for clean in (
        np.stack([12.5 - 0.1 * down, 0.2 + 7.0 * down], axis=1),
        np.stack([12.5 - 9.0 * down, 0.2 - 0.1 * down], axis=1),
    ):
        found = analyse(rounded(clean + np.random.default_rng(6).normal(0, 0.02, clean.shape)), RATE_HZ)
        assert found["side"] == "undetermined"


@pytest.mark.parametrize(
    ("hertz", "duty"), [(10.0, 0.4), (25.0, 0.4), (60.0, 0.4), (100.0, 0.4), (100.0, 0.2)]
)
def test_a_ground_that_is_switched_under_a_pulsed_feed_is_seen(hertz: float, duty: float) -> None:
    """A dimmer pulses the feed, pulled down in between, and a hand switches the ground: while the ground is
    open both leads pulse together, and the load does not."""
    t = np.arange(round(7 * RATE_HZ)) / RATE_HZ
    closed, driven = (t % 1.4 > 0.7)[:, None], (((t + 0.003) * hertz) % 1 < duty)[:, None]
    clean = np.where(driven, np.where(closed, ON_V, LOW_OFF_V), 0.0)
    found = analyse(rounded(clean + np.random.default_rng(2).normal(0, 0.02, clean.shape)), RATE_HZ)
    assert found["side"] == "undetermined"
    assert "feed and ground may both be switched" in found["why"]


def test_the_mean_of_pulses_too_fast_to_see_is_not_called_a_bad_ground_for_sure() -> None:
    found = analyse(alternating((12.5, 6.0), (12.6, 12.6)), RATE_HZ)
    assert found["side"] == "low"
    assert "pulsed faster than these samples show" in found["why"]
    assert "pulsed faster" not in analyse(alternating((12.5, 2.0), (12.6, 12.6)), RATE_HZ)["why"]
