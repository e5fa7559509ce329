"""What departs from normal without switching the load off, and what the user calls normal."""

from __future__ import annotations

import numpy as np
import pytest

from daq import words
from daq.events import REGISTRY
from daq.findings import EventKind
from daq.pipeline import Pipeline
from daq.samples import BASELINE, Change, ChangeKind, Item, Origin
from tests.analysis.volts import Volts, analyse, blocks, findings_of
from tests.analysis.waves import LOW, levels, rounded

RATE = 4000.0
OFF = (0.4, 12.6, 12.6)
ON = (0.5, 12.5, 0.15)


def told(volts: Volts, *changes: Change, expect: str = "switching") -> list[tuple[str, float, float]]:
    """(kind, time, duration) of the events, with changes at their samples."""
    cuts = sorted({c.sample for c in changes if 0 < c.sample < len(volts)})
    items: list[Item] = []
    for block in blocks(volts, RATE, cuts):
        items += [c for c in changes if c.sample == block.first]
        items.append(block)
    return [(e["kind"], e["t_s"], e["duration_s"]) for e in findings_of(items, expect)["events"]]


def kinds(events: list[tuple[str, float, float]]) -> list[str]:
    return [kind for kind, _, _ in events]


def at(seconds: float) -> int:
    return round(seconds * RATE)


def test_every_kind_has_its_meaning() -> None:
    assert set(REGISTRY) == set(EventKind)
    assert all(m.sentence.endswith(".") and m.severity in (0, 1, 2) for m in REGISTRY.values())


def test_a_load_that_opens_inside_is_inferred_from_the_drops() -> None:
    """The ground side loses the drop its current made; the driver stays on."""
    opens = [(0.5, 12.4, 0.2), (0.6, 12.6, 0.0)]
    events = told(levels([OFF, ON, OFF, *opens, OFF]))
    assert kinds(events) == ["load open"]
    assert events[0][1:] == pytest.approx((1.8, 0.6), abs=0.03)


def test_a_neighbour_that_lets_a_shared_ground_go_is_no_open_load() -> None:
    """Its own drop stays."""
    events = told(levels([OFF, ON, OFF, (0.5, 12.4, 0.4), (0.6, 12.45, 0.12), OFF]))
    assert kinds(events) == []


def test_a_feed_that_falls_asleep_and_wakes() -> None:
    asleep = [(0.3, 12.6, 12.6), (0.7, 0.0, 0.0), (0.3, 12.6, 12.6)]
    events = told(levels([*LOW, *asleep, ON, OFF]))
    assert [k for k in kinds(events) if k.startswith("feed ")] == ["feed asleep", "feed awake"]
    assert events[0][2] == pytest.approx(0.7, abs=0.01)


def test_a_feed_that_opens_for_a_moment_while_off_is_a_dropout() -> None:
    """Both pins of a low-side load that is off fall to zero and come back: too short for a sleep."""
    gap = [(0.3, 12.6, 12.6), (0.03, 0.0, 0.0), (0.3, 12.6, 12.6)]
    events = told(levels([*LOW, *gap, ON, OFF]))
    assert kinds(events) == ["feed dropout"]
    assert events[0][2] == pytest.approx(0.03, abs=0.003)


def test_both_pins_of_a_high_side_load_may_lie_at_zero_without_sleeping() -> None:
    high = [(0.4, 0.0, 0.0), (0.5, 12.5, 0.1)]
    assert kinds(told(levels([*high, *high, (0.4, 0.0, 0.0)]))) == []


def test_a_spike_beyond_the_range_away_from_switching() -> None:
    volts = levels([*LOW, *LOW])
    middle = at(0.4 + 0.25)
    volts[middle : middle + 2, 0] = 40.0
    events = told(volts)
    assert kinds(events) == ["spike beyond range"]
    assert events[0][1] == pytest.approx(0.65, abs=0.002)


def test_a_coils_kick_at_switching_is_no_spike() -> None:
    volts = levels([*LOW, *LOW])
    volts[at(0.9) + 1 : at(0.9) + 4, 1] = 40.0
    assert "spike beyond range" not in kinds(told(volts))


def test_a_connection_that_heats_up_drifts() -> None:
    heating = [piece for n in range(12) for piece in (OFF, (0.5, 12.5, 0.15 + 0.03 * n))]
    events = told(levels([*[OFF, ON] * 4, *heating, OFF]))
    assert kinds(events) == ["drop drifting"]
    assert events[0][1] == pytest.approx(3.6 + 5 * 0.9, abs=1.5)


def test_a_step_of_the_drop_is_another_load_and_no_heating() -> None:
    more = [OFF, (0.5, 12.5, 0.45)]
    assert kinds(told(levels([*[OFF, ON] * 6, *more * 6, OFF]))) == []


def test_pulses_that_change_their_duty() -> None:
    def pulses(duty: float, seconds: float) -> Volts:
        t = np.arange(at(seconds)) / RATE
        on = (t * 100.0 + 0.017) % 1 < duty
        clean = np.stack([np.full(len(t), 12.5), np.where(on, 0.1, 12.6)], axis=1)
        return rounded(clean + np.random.default_rng(3).normal(0, 0.02, clean.shape))

    rest = levels([OFF])
    events = told(np.concatenate([rest, pulses(0.4, 1.5), rest, pulses(0.7, 0.8), rest]))
    assert kinds(events) == ["pulses changed"]
    assert events[0][1:] == pytest.approx((2.3, 0.8), abs=0.03)


def test_a_control_marked_as_switched_without_answer_is_stuck() -> None:
    volts = levels([*LOW, (3.0, 12.6, 12.6)])
    mark = Change(at(3.0), Origin.USER, ChangeKind.MARK, "on")
    assert kinds(told(volts, mark)) == ["stuck"]


def test_marks_that_are_followed_say_nothing() -> None:
    volts = levels([*LOW, (2.0, 12.6, 12.6)])
    mark = Change(at(0.45), Origin.USER, ChangeKind.MARK, "on")
    assert kinds(told(volts, mark)) == []


def test_a_baseline_minute_makes_every_off_part_after_it_a_departure() -> None:
    """The user says that on is normal here: what goes off later is a dropout, on the switched side too."""
    on = (3.0, 12.5, 0.15)
    volts = levels([*LOW, on, (0.3, 12.6, 12.6), on])
    normal = Change(at(4.9), Origin.USER, ChangeKind.SETTING, BASELINE)
    assert "ground dropout" not in kinds(told(volts))
    steady = levels([(5.0, 12.5, 0.15), (0.3, 12.6, 12.6), on])
    assert kinds(told(steady, normal)) == ["ground dropout"]


def test_with_a_baseline_a_drop_is_compared_with_that_minute() -> None:
    """The first minute was cold: what it settled to is normal, and nothing drifts from there."""
    cold = [piece for n in range(8) for piece in (OFF, (0.5, 12.5, 0.15 + 0.03 * n))]
    warm = [OFF, (0.5, 12.5, 0.36)] * 12
    volts = levels([*cold, *warm, OFF])
    normal = Change(at(12.0), Origin.USER, ChangeKind.SETTING, BASELINE)
    assert kinds(told(volts)) == ["drop drifting"]
    assert kinds(told(volts, normal)) == []


def test_a_baseline_is_shown_from_when_it_was_given() -> None:
    pipeline = Pipeline()
    for item in blocks(levels(LOW), RATE):
        pipeline.push(item)
    assert "normal" not in words.expected(pipeline.snapshot())
    pipeline.push(Change(at(1.5), Origin.USER, ChangeKind.SETTING, BASELINE))
    assert words.expected(pipeline.snapshot()) == "expected: switching; normal as before 1.500 s"


def test_nothing_departs_on_a_healthy_circuit() -> None:
    assert analyse(levels(LOW), RATE)["events"] == []
