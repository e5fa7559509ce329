"""The lead check: what passes, what fails, and what a verdict says without it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from daq.findings import Side
from daq.judge import FAILED_MOST, RECHECK
from daq.lead_check import INSTRUCTIONS
from daq.pipeline import Pipeline
from daq.samples import Bias, Block, Change, ChangeKind, Origin
from tests.analysis.volts import blocks
from tests.analysis.waves import HIGH, LOW, Volts, levels

FREE_V = 5 * 1.1 / 2.1  # Ohm's law: 5 V over 1 Mohm into 1.1 Mohm, what the whisper leaves on a free lead
TOUCH_1 = [(0.4, 0.0, 0.0), (0.8, 12.6, 0.0), (0.3, 0.0, 0.0)]
TOUCH_2 = [(0.8, 0.0, 12.6)]


def checked(
    touches: Volts,
    then: Volts | None = None,
    skip_at: int | None = None,
    said: bool = True,
    whisper: bool = False,
) -> Pipeline:
    """The user says at the end of `touches` that the reference lead was wiggled, or does not."""
    pipeline = Pipeline()
    pipeline.push(Change(0, Origin.USER, ChangeKind.LEAD_CHECK, "start"))
    for block in blocks(touches, 4000, [skip_at] if skip_at else []):
        if skip_at is not None and block.first == skip_at:
            pipeline.push(Change(skip_at, Origin.USER, ChangeKind.LEAD_CHECK, "skip"))
        pipeline.push(whispered(block) if whisper else block)
    if said:
        pipeline.push(Change(len(touches), Origin.USER, ChangeKind.LEAD_CHECK, "wiggled"))
        for block in blocks(touches[-200:], 4000, first=len(touches)):
            pipeline.push(whispered(block) if whisper else block)
        touches = np.concatenate((touches, touches[-200:]))
    if then is not None:
        pipeline.push(Change(len(touches), Origin.USER, ChangeKind.CLEAR))
        for block in blocks(then, 4000, first=len(touches)):
            pipeline.push(whispered(block) if whisper else block)
    return pipeline


def whispered(block: Block) -> Block:
    return replace(block, layout=replace(block.layout, bias=(Bias.WHISPER, Bias.WHISPER)))


def wiggled(dip_v: float) -> Volts:
    volts = levels([(3.6, 0.0, 12.6)])
    volts[6000:6040, 1] -= dip_v
    return volts


def test_three_proven_leads_prove_the_verdict() -> None:
    pipeline = checked(np.concatenate([levels([*TOUCH_1, *TOUCH_2]), wiggled(0.0)]), levels(LOW))
    view = pipeline.snapshot().lead_check
    assert view.passed is True
    assert view.step == 0
    assert len(view.results) == 3
    assert abs((view.source_v or 0) - 12.6) < 0.02
    pipeline.finish()
    found = pipeline.findings()
    assert found.reference_proven
    assert "not proven" not in found.judgement.why
    assert found.judgement.side.value == "low"


def test_a_reading_that_holds_proves_nothing_until_the_user_says_that_it_was_wiggled() -> None:
    held = np.concatenate([levels([*TOUCH_1, *TOUCH_2]), wiggled(0.0), wiggled(0.0)])
    view = checked(held, said=False).snapshot().lead_check
    assert (view.step, view.passed) == (3, None)


@pytest.mark.parametrize("free_v", [0.0, FREE_V])
def test_a_lead_that_is_lifted_is_not_blamed_on_the_reference_and_nothing_is_proven(free_v: float) -> None:
    """Both leads then read as leads on nothing do: at zero, or where the whisper holds them. A reference
    that is off for good reads the same, so what came before counts for nothing."""
    proven = levels([*TOUCH_1, *TOUCH_2])
    lifted = levels([(2.0, 0.0, 12.6), (0.6, free_v, free_v)])
    whisper = free_v > 0
    view = checked(np.concatenate([proven, lifted]), whisper=whisper).snapshot().lead_check
    assert (view.step, view.passed, len(view.results)) == (3, None, 2)
    assert "keep a lead on battery positive" in view.instruction
    back = levels([(3.6, 0.0, 12.6)])
    unsaid = (
        checked(np.concatenate([proven, lifted, back]), said=False, whisper=whisper).snapshot().lead_check
    )
    assert (unsaid.step, unsaid.instruction) == (3, INSTRUCTIONS[3]), "counted anew: it must be said again"
    again = checked(np.concatenate([proven, lifted, back]), whisper=whisper).snapshot().lead_check
    assert again.passed
    assert "a tip was lifted, or the reference let go" in again.results[-1], "what was seen is not forgotten"
    twice = np.concatenate([proven, lifted, levels([(1.0, 0.0, 12.6), (0.6, free_v, free_v)]), back])
    view = checked(twice, whisper=whisper).snapshot().lead_check
    assert view.passed is False, "no hand slips twice: that may be the reference"


@pytest.mark.parametrize("free_v", [0.0, FREE_V])
def test_a_reference_that_lets_go_for_a_moment_fails(free_v: float) -> None:
    """A clip that is loose lets go for tens of milliseconds, shorter than a hand lifts a lead."""
    loose = levels([(1.0, 0.0, 12.6), (0.1, free_v, free_v), (3.0, 0.0, 12.6)])
    view = checked(np.concatenate([levels([*TOUCH_1, *TOUCH_2]), loose]), said=False).snapshot().lead_check
    assert view.passed is False
    assert view.results[-1].startswith("Fail: move the reference lead's clip")


def test_a_key_that_was_meant_for_the_wiggling_does_not_seat_the_leads() -> None:
    failing = np.concatenate([levels([*TOUCH_1, *TOUCH_2]), wiggled(6.0)])
    view = checked(failing, said=False).snapshot().lead_check
    assert (view.step, view.just_failed) == (4, True)
    later = np.concatenate([failing, levels([(2.5, 0.0, 12.6)])])
    assert not checked(later, said=False).snapshot().lead_check.just_failed


def test_which_leads_were_not_seen_to_leave_battery_positive() -> None:
    both = [(0.4, 0.0, 0.0), (0.8, 12.6, 0.0), (0.8, 12.6, 12.6), (3.6, 12.6, 12.6)]

    def stay(*after: tuple[float, float, float], before: list[tuple[float, float, float]]) -> tuple[int, ...]:
        return checked(levels([*before, *after])).snapshot().lead_check.on_positive

    assert stay(before=both) == (1, 2)
    assert stay((0.1, FREE_V, 12.6), (0.5, 12.6, 12.6), before=both) == (2,)
    assert stay((0.1, FREE_V, FREE_V), (0.5, 12.6, 12.6), before=both) == ()
    assert stay(before=[*TOUCH_1, *TOUCH_2, (3.6, 0.0, 12.6)]) == (2,), "lead 1 left while lead 2 was touched"


def test_a_lead_that_leaves_after_it_was_said_to_be_seated_is_seen() -> None:
    both = levels([(0.4, 0.0, 0.0), (0.8, 12.6, 0.0), (4.4, 12.6, 12.6)])
    assert checked(both, levels([(0.5, 12.6, 12.6)])).snapshot().lead_check.on_positive == (1, 2)
    left = checked(both, levels([(0.5, 12.6, 12.6), (0.1, 0.0, FREE_V), (0.5, 12.6, 12.6)]))
    assert left.snapshot().lead_check.on_positive == ()


def test_three_seconds_of_wiggling_are_watched_at_least() -> None:
    early = checked(np.concatenate([levels([*TOUCH_1, *TOUCH_2]), levels([(1.0, 0.0, 12.6)])]))
    assert early.snapshot().lead_check.step == 3


def test_the_steps_are_asked_for_in_turn() -> None:
    assert "lead 1" in checked(levels([(0.2, 0.0, 0.0)])).snapshot().lead_check.instruction
    assert "lead 2" in checked(levels(TOUCH_1)).snapshot().lead_check.instruction
    assert "wiggle" in checked(levels([*TOUCH_1, *TOUCH_2])).snapshot().lead_check.instruction


def test_a_loose_reference_fails() -> None:
    pipeline = checked(np.concatenate([levels([*TOUCH_1, *TOUCH_2]), wiggled(6.0)]), said=False)
    view = pipeline.snapshot().lead_check
    assert view.passed is False
    assert view.results[-1].startswith("Fail: move the reference lead's clip")


def test_a_lead_that_reads_low_fails() -> None:
    pipeline = checked(levels([*TOUCH_1, (0.8, 0.0, 9.8)]))
    assert pipeline.snapshot().lead_check.results[-1].startswith("Fail: clean lead 2's tip")


def test_a_skipped_step_stays_unproven() -> None:
    pipeline = checked(levels([(1.0, 0.0, 0.0)]), skip_at=2000)
    assert pipeline.snapshot().lead_check.results == ("Lead 1 was not proven.",)


def test_touching_is_no_evidence() -> None:
    """Leads that move from post to pin would look like switching."""
    pipeline = checked(np.concatenate([levels([*TOUCH_1, *TOUCH_2]), wiggled(0.0)]))
    for block in blocks(levels(HIGH), 4000, first=100_000):
        pipeline.push(block)
    assert pipeline.snapshot().edge_count == 0
    assert pipeline.snapshot().lead_check.step == 4


def test_the_checked_source_gives_the_feed_drop_of_a_high_side_circuit() -> None:
    spans = [(0.4, 0.0, 0.0), (0.5, 11.9, 0.1)] * 3 + [(0.4, 0.0, 0.0)]
    pipeline = checked(np.concatenate([levels([*TOUCH_1, *TOUCH_2]), wiggled(0.0)]), levels(spans))
    pipeline.finish()
    drop = pipeline.findings().feed_drop_v
    assert drop is not None
    assert abs(drop - 0.7) < 0.03


def test_pins_that_rest_at_source_prove_nothing() -> None:
    """A low-side load at rest shows source on both pins: the leads must be seen to leave and come back."""
    view = checked(levels([(6.0, 12.6, 12.6)])).snapshot().lead_check
    assert view.step == 1
    assert view.results == ()


def test_the_readings_show_while_the_check_runs() -> None:
    leads = checked(levels(TOUCH_1[:2])).snapshot().leads
    assert abs(leads[0].volts - 12.6) < 0.05
    assert abs(leads[1].volts) < 0.05


def test_a_source_that_is_said_to_be_of_the_check_is() -> None:
    """Looked at before and after the first post was touched, as a screen does."""
    pipeline = Pipeline()
    before = levels(LOW)
    for block in blocks(before, 4000):
        pipeline.push(block)
    pipeline.push(Change(len(before), Origin.USER, ChangeKind.LEAD_CHECK, "start"))
    for block in blocks(levels([(0.4, 0.0, 0.0), (1.0, 12.1, 0.0)]), 4000, range(0, 5600, 100), len(before)):
        pipeline.push(block)
        now = pipeline.snapshot()
        assert now.source_origin != "lead check" or now.source_v == now.lead_check.source_v
    assert now.source_origin == "lead check"


def test_after_a_failed_check_no_side_is_definite_until_one_is_passed() -> None:
    """The same levels: skipped they are a verdict with a reservation, failed they are none."""
    touched = levels([*TOUCH_1, *TOUCH_2])
    failing = np.concatenate([touched, wiggled(6.0)])
    failed = checked(failing, levels(LOW), said=False)
    failed.finish()
    judgement = failed.findings().judgement
    assert (judgement.side, judgement.control_lead, judgement.leaning) == (Side.UNDETERMINED, None, Side.LOW)
    assert judgement.confidence == pytest.approx(FAILED_MOST)
    assert "the lead check failed" in judgement.why
    assert judgement.next_test == RECHECK
    assert not failed.findings().reference_proven
    passed = checked(np.concatenate([touched, wiggled(0.0)]), levels(LOW))
    skipped = Pipeline()
    for value in ("start", "skip", "skip", "skip"):
        skipped.push(Change(0, Origin.USER, ChangeKind.LEAD_CHECK, value))
    skipped.push(Change(0, Origin.USER, ChangeKind.CLEAR))
    for block in blocks(levels(LOW), 4000):
        skipped.push(block)
    for pipeline in (passed, skipped):
        pipeline.finish()
        assert pipeline.findings().judgement.side is Side.LOW


@pytest.mark.parametrize("skipped", [False, True])
def test_what_failed_is_mended_by_a_passed_check_alone(skipped: bool) -> None:
    pipeline = checked(np.concatenate([levels([*TOUCH_1, *TOUCH_2]), wiggled(6.0)]), levels(LOW), said=False)
    at = pipeline.snapshot().samples

    def tell(kind: ChangeKind, value: str = "") -> None:
        pipeline.push(Change(at, Origin.USER, kind, value))

    def read(volts: Volts) -> int:
        for block in blocks(volts, 4000, first=at):
            pipeline.push(block)
        return at + len(volts)

    tell(ChangeKind.LEAD_CHECK, "start")
    if skipped:
        for _ in range(3):
            tell(ChangeKind.LEAD_CHECK, "skip")
    else:
        at = read(np.concatenate([levels([*TOUCH_1, *TOUCH_2]), wiggled(0.0)]))
        tell(ChangeKind.LEAD_CHECK, "wiggled")
        at = read(levels([(0.1, 0.0, 12.6)]))
    tell(ChangeKind.CLEAR)
    read(levels(LOW))
    now = pipeline.snapshot()
    assert now.lead_check.refuted == skipped
    assert (now.judgement.side is Side.UNDETERMINED) == skipped
