"""Recordings through the reasoning: what the circuit simulator broke is among what it could be.

The recordings are ngspice's (tests/physics); their truth is the netlist, which the reasoning never saw.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daq.capture import CaptureSource
from daq.explain import NO_FIT, explained, readings_of, reasoned
from daq.explain_words import could_be
from daq.findings import Findings, Judgement, LoadState, Side, to_json
from daq.judge import RECHECK
from daq.pipeline import Pipeline
from daq.readings import Levels, State, parse_all
from daq.reasoning import reason
from daq.recordings_in import analyse
from daq.samples import Bias, Block, Change, ChangeKind, Item, Layout, Origin
from daq.seen import Held, Seen, SeenState
from daq.summary import summary
from tests.analysis.test_lead_check import TOUCH_1, TOUCH_2, checked, wiggled
from tests.analysis.volts import MICROVOLT, blocks
from tests.analysis.waves import HIGH, LOW, levels
from tests.physics import circuits
from tests.physics.recordings import Recording, record
from tui.details import verdict

SEED = 424242
HEALTHY = ("contact", "transistor", "flasher", "reversing")
BROKEN = ("high resistance", "dropouts", "opens for good")
PLACES = {
    # side of the load -> places that are on it, of a circuit switched on that side or on the other
    "feed": {"fuse", "feed wire"},
    "ground": {"ground wire", "ground point"},
}


def found_in(items: Sequence[Item], expectation: str = "switching") -> Findings:
    pipeline = Pipeline(expectation)
    for item in items:
        pipeline.push(item)
    pipeline.finish()
    return pipeline.findings()


@cache
def recorded() -> dict[str, Recording]:
    plans = [(name, *circuits.plan(SEED, n, name)) for n, name in enumerate((*HEALTHY, *BROKEN))]
    made = record(plans)
    return {n: m for (n, _, _), m in zip(plans, made, strict=True) if isinstance(m, Recording)}


def judged(name: str) -> tuple[Judgement, Recording]:
    one = recorded()[name]
    found = explained(found_in(blocks(one.volts, one.truth.rate_hz)))
    return found.judgement, one


@pytest.mark.parametrize("name", HEALTHY)
def test_a_healthy_circuit_is_most_likely_healthy(name: str) -> None:
    judgement, one = judged(name)
    first = judgement.candidates[0]
    assert first.fault == "none", (one.truth.description, judgement.candidates[:3])
    assert first.side.value == one.truth.wiring
    assert judgement.fits


def places_of(one: Recording) -> set[str]:
    """Where the simulated fault lies, in the words of the contract: one word stands for a whole path."""
    side = "feed" if "feed" in one.truth.category else "ground"
    switched = {"high": "feed", "low": "ground"}[one.truth.wiring] == side
    return PLACES[side] | ({"control wire", "switch"} if switched else set())


@pytest.mark.parametrize("name", BROKEN)
def test_what_was_broken_is_in_the_set_of_95_percent(name: str) -> None:
    judgement, one = judged(name)
    total, listed = 0.0, set()
    for candidate in judgement.candidates:
        if total < 0.95:
            listed.add((candidate.side.value, candidate.fault, candidate.place))
        total += candidate.probability
    faults = {"high resistance"} if name == "high resistance" else {"open", "high resistance"}
    true = {(one.truth.wiring, fault, place) for fault in faults for place in places_of(one)}
    assert listed & true, (one.truth.category, one.truth.wiring, judgement.candidates[:5])


def test_side_and_control_lead_are_the_sum_of_their_explanations() -> None:
    for spans in (LOW, HIGH):
        judgement = explained(found_in(blocks(levels(spans), 4000))).judgement
        mine = [
            c.probability
            for c in judgement.candidates
            if (c.side, c.control_lead) == (judgement.side, judgement.control_lead)
        ]
        assert sum(mine) == pytest.approx(judgement.confidence, abs=0.02)  # the least are not listed
        assert dict(judgement.sides)["unswitched"] < 0.1


def chances(candidates: Sequence[Any], side: str, control: int) -> dict[tuple[Any, ...], float]:
    """Of each fault, given side and control lead."""
    mine = [
        (c, p)
        for c, p in candidates
        if (str(getattr(c.side, "value", c.side)), c.control_lead) == (side, control)
    ]
    total, found = sum(p for _, p in mine), dict[tuple[Any, ...], float]()
    for c, p in mine:  # of a load that is seized nobody tells at the leads
        name = (c.fault, c.place, c.condition, c.also, c.leaking)
        found[name] = found.get(name, 0.0) + p / total
    return found


@pytest.mark.parametrize(
    ("off", "on", "texts"),
    [
        ((12.6, 12.6), (12.5, 0.1), ["in off 12.6 12.6", "in on 12.5 0.1"]),
        ((12.6, 12.6), (12.4, 2.9), ["in off 12.6 12.6", "in on 12.4 2.9"]),
        ((0.0, 0.0), (8.9, 0.1), ["in off 0 0", "in on 8.9 0.1"]),
    ],
    ids=["healthy, ground side", "bad ground", "bad feed, positive side"],
)
def test_hand_readings_of_the_same_circuit_say_the_same(
    off: tuple[float, float], on: tuple[float, float], texts: list[str]
) -> None:
    """A meter and the logger look at one circuit: same side, and each fault as likely to 0.1."""
    spans = [(0.5, *off), (0.6, *on)] * 3 + [(0.5, *off)]
    judgement = explained(found_in(blocks(levels(spans, noise_v=0.01), 4000))).judgement
    by_hand = reason(parse_all(texts))
    assert judgement.side.value == max(by_hand.side, key=lambda s: by_hand.side[s])
    control = judgement.control_lead
    assert isinstance(control, int)
    ours = chances([(c, c.probability) for c in judgement.candidates], judgement.side.value, control)
    theirs = chances(by_hand.candidates, judgement.side.value, control)
    for fault in ours.keys() | theirs.keys():
        assert ours.get(fault, 0.0) == pytest.approx(theirs.get(fault, 0.0), abs=0.1), fault


def test_levels_that_fit_nothing_are_called_so() -> None:
    """Both leads far below battery negative: no circuit of this kind does that with the leads in place."""
    judgement = explained(found_in(blocks(levels([(1.0, 12.6, -6.0), (0.5, 3.0, 9.0)]), 4000))).judgement
    assert judgement.side is Side.UNDETERMINED
    assert not judgement.fits
    assert NO_FIT in judgement.why
    assert sum(c.probability for c in judgement.candidates) < 0.5


def test_what_only_the_levels_tell_leaves_the_control_open() -> None:
    found = found_in(blocks(levels([(1.5, 12.5, 0.1)]), 4000))
    assert found.look is not None
    (reading,) = readings_of(found.look(), found.judgement.side)
    assert reading.state.control == "?"
    assert explained(found).judgement.side is Side.UNDETERMINED


def test_marks_without_a_change_at_the_pins_say_what_was_read_on_and_off() -> None:
    marks = [
        Change(0, Origin.USER, ChangeKind.MARK, "on", 3.0),
        Change(0, Origin.USER, ChangeKind.MARK, "off", 6.0),
    ]
    found = found_in([*blocks(levels([(9.0, 12.6, 12.6)], rate_hz=500.0), 500.0), *marks])
    assert found.look is not None
    read = readings_of(found.look(), found.judgement.side)
    assert {r.state.control for r in read} == {"off", "on"}
    judgement = explained(found).judgement
    assert judgement.side is Side.UNDETERMINED
    assert {c.fault for c in judgement.candidates[:4]} <= {"stuck off", "open"}
    assert judgement.next_test is not None
    assert judgement.next_test.reading, "switching it once more would tell nothing"


def read_unplugged(cuts: Sequence[int]) -> Findings:
    """Unplugged, marked off then on; 5 V through 10 kΩ on lead 2: a switch to ground pulls it down."""
    items: list[Item] = [Change(0, Origin.USER, ChangeKind.PLUG, "out")]
    volts = levels([(1.0, 12.6, 5.0), (1.0, 12.6, 0.0)], rate_hz=500.0)
    for n, control in enumerate(("off", "on")):
        items.append(Change(500 * n, Origin.USER, ChangeKind.MARK, control, 1.0 * n))
        ends = [0, *(c for c in cuts if c < 500), 500]
        for a, b in pairwise(ends):
            counts = np.rint(volts[500 * n + a : 500 * n + b] * 1e6).astype(np.int32)
            items.append(Block(500 * n + a, counts, Layout(500.0, MICROVOLT, (Bias.OFF, Bias.UP))))
    return found_in(items)


def test_what_is_read_unplugged_is_reasoned_about() -> None:
    found = read_unplugged([])
    assert found.look is not None
    off, on = readings_of(found.look(), found.judgement.side)
    assert (off.state, on.state) == (State(False, "off"), State(False, "on"))
    assert isinstance(on.what, Levels)
    assert on.what.bias == (None, "up")
    assert on.what.volts == pytest.approx((12.6, 0.0), abs=0.03)
    sides = dict(explained(found).judgement.sides)
    assert sides["low"] > 0.9


def test_readings_unplugged_do_not_hang_on_how_samples_were_cut() -> None:
    one, other = read_unplugged([]), read_unplugged([1, 7, 130, 131, 333])
    assert one.look is not None
    assert other.look is not None
    assert one.look() == other.look()


def test_proven_leads_and_marked_readings_give_a_side_without_any_switching() -> None:
    undecided = Judgement(Side.UNDETERMINED, None, None, None, 0.0, "Never switched.", None)
    held = tuple(
        Held(v, (0.0, 0.0), c, (Bias.OFF, Bias.UP)) for c, v in (("off", (12.6, 5.0)), ("on", (12.6, 0.0)))
    )
    rest = (SeenState("off", LoadState.UNKNOWN, (12.6, 12.6), (0.0, 0.0)),)
    proven = reasoned(undecided, lambda: Seen(rest, held, reference_proven=True))
    assert (proven.side, proven.control_lead, proven.feed_lead) == (Side.LOW, 2, 1)
    assert 0.9 <= proven.confidence <= 0.98
    unproven = reasoned(undecided, lambda: Seen(rest, held))
    assert unproven.side is Side.UNDETERMINED


def test_leads_that_move_together_where_it_was_marked_are_an_open_ground() -> None:
    """Source on both pins with the control on, zero on both with it off (common practice, no source)."""
    with CaptureSource(Path(__file__).parents[2] / "recordings" / "fog-lamp-dark.whichside") as source:
        found = explained(analyse(source)).judgement
    first = found.candidates[0]
    assert (first.side, first.fault) == (Side.HIGH, "open")
    assert first.place in ("ground wire", "ground point")
    grounds = [c.probability for c in found.candidates if c.place in ("ground wire", "ground point")]
    assert sum(grounds) > 0.75


def test_leads_that_move_together_unmarked_say_the_same_live_as_in_the_recording() -> None:
    """An open ground or a feed that wakes: zero and source both count, whichever lasted longer."""
    for zero_s, source_s in ((0.5, 0.9), (0.9, 0.5)):
        volts = levels([(zero_s, 0.0, 0.0), (source_s, 12.6, 12.6)] * 3 + [(zero_s, 0.0, 0.0)], noise_v=0.01)
        pipeline = Pipeline()
        for item in blocks(volts, 4000):
            pipeline.push(item)
        now = pipeline.snapshot()
        pipeline.finish()
        live, found = reasoned(now.judgement, now.look), explained(pipeline.findings()).judgement
        for judgement in (live, found):
            assert judgement.side is Side.UNDETERMINED
            first = judgement.candidates[0]
            assert (first.side, first.fault, first.place) == (Side.HIGH, "open", "ground wire")
            of_side = {s: sum(c.probability for c in judgement.candidates if c.side is s) for s in Side}
            assert 0.3 < of_side[Side.LOW] < 0.6
            assert 0.3 < of_side[Side.HIGH] < 0.6
        assert could_be(live) == could_be(found)


def test_a_recorded_lamp_is_not_left_with_a_test_of_another_direction() -> None:
    with CaptureSource(Path(__file__).parents[2] / "recordings" / "mower-work-lamp.whichside") as source:
        found = explained(analyse(source))
    test = found.judgement.next_test
    assert test is not None
    assert test.do.startswith("If the control has another direction or speed: ")
    assert test.otherwise is not None
    assert test.otherwise.do.startswith("If it has none: ")
    assert to_json(found, "lamp")["next_test"]["otherwise"]["reading"] == test.otherwise.reading
    said = (summary(found, "lamp"), [text for _, text in verdict(found.judgement)])
    for lines in said:
        assert any(test.otherwise.do in line for line in lines)
        assert any(test.otherwise.caution in line for line in lines)


def test_after_a_failed_lead_check_no_other_test_comes_first() -> None:
    """Switched on and off as marked: the reasoning would go on along the wire."""
    touched = levels([*TOUCH_1, *TOUCH_2])
    pipeline = checked(np.concatenate([touched, wiggled(6.0)]), said=False)
    at = pipeline.snapshot().samples
    pipeline.push(Change(at, Origin.USER, ChangeKind.CLEAR))
    for control, leads in [("off", (12.6, 12.6)), ("on", (12.4, 1.9))] * 3:
        pipeline.push(Change(at, Origin.USER, ChangeKind.MARK, control))
        for block in blocks(levels([(1.0, *leads)]), 4000, first=at):
            pipeline.push(block)
        at += 4000
    pipeline.finish()
    judgement = explained(pipeline.findings()).judgement
    assert judgement.candidates
    assert judgement.next_test == RECHECK
