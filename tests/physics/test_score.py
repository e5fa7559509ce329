"""The scorer against hand-made answers, right and wrong in known ways."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from tests.physics import tables
from tests.physics.score import score
from tests.physics.skeleton import gap_event
from tests.physics.truth import TrueEdge, TrueEvent, TruePwm, Truth

TRUTH = Truth(
    name="hand-made",
    category="contact",
    description="low side",
    rate_hz=4000.0,
    duration_s=3.0,
    wiring="low",
    side="low",
    acceptable_sides=("low",),
    control_lead=2,
    acceptable_controls=(2,),
    feed_lead=1,
    ground_lead=2,
    decidable=True,
    lookalike=None,
    initial_state="off",
    edges=(
        TrueEdge(0.5, "on", 0.5, 0.503, 0.002),
        TrueEdge(1.5, "off", 1.5, 1.8, 0.002),
        TrueEdge(2.2, "on", 2.2, 2.2, 0.002, required=False),
    ),
    unjudged_spans=(),
    events=(TrueEvent("feed dropout", 1.0, 0.01),),
    pwm=None,
    source_v=12.6,
    feed_drop_v=0.1,
    ground_drop_v=0.05,
    load="lamp",
    load_kinds=("lamp",),
)


def answer(**changes: Any) -> dict[str, Any]:
    right = {
        "side": "low",
        "control_lead": 2,
        "confidence": 0.97,
        "edges": [{"t_s": 0.501, "state": "on"}, {"t_s": 1.7, "state": "off"}],
        "events": [{"kind": "feed dropout", "t_s": 1.0004, "duration_s": 0.0098}],
        "pwm": None,
        "feed_drop_v": 0.12,
        "ground_drop_v": 0.2,
        "load_kind": "lamp",
        "cautions": [],
        "why": "",
    }
    return {**right, **changes}


def test_right_answer() -> None:
    s = score(answer(), TRUTH)
    assert (s.side, s.definite, s.wrong_definite, s.load) == ("right", True, False, "right")
    assert (s.edges.required, s.edges.found, s.edges.false) == (2, 2, 0)
    assert (s.events.required, s.events.found, s.events.false) == (1, 1, 0)
    assert s.edges.errors_s == pytest.approx((0.001, 0.2))
    assert s.ground_drop_error_v == pytest.approx(0.15)


@pytest.mark.parametrize(
    ("changes", "side", "wrong"),
    [
        ({"side": "high", "control_lead": 1}, "wrong", True),
        ({"side": "high", "control_lead": 1, "confidence": 0.6}, "wrong", False),
        ({"control_lead": 1}, "right", True),
        ({"side": "undetermined", "control_lead": None, "confidence": 0.5}, "abstained", False),
    ],
)
def test_sides(changes: dict[str, Any], side: str, wrong: bool) -> None:
    s = score(answer(**changes), TRUTH)
    assert (s.side, s.wrong_definite) == (side, wrong)


def test_look_alike_is_told_apart_from_a_mistake() -> None:
    imitates = replace(
        TRUTH, side="undetermined", acceptable_sides=("undetermined",), decidable=False, lookalike="high"
    )
    s = score(answer(side="high", control_lead=1), imitates)
    assert s.wrong_definite
    assert s.unavoidable
    assert not score(answer(), imitates).unavoidable
    assert (
        score(answer(side="undetermined", control_lead=None, confidence=0.2), imitates).side == "rightly open"
    )


@pytest.mark.parametrize(
    ("edges", "found", "false"),
    [
        ([(0.5, "on")], 1, 0),
        ([(0.5, "on"), (0.5015, "off"), (0.503, "on"), (1.6, "off")], 2, 2),
        ([(0.49, "on"), (1.6, "off")], 1, 1),
        ([(0.5, "off"), (1.6, "off")], 1, 1),
        ([(0.5, "on"), (1.6, "off"), (2.2, "on")], 2, 0),
        ([(0.5, "on"), (1.6, "off"), (2.5, "on")], 2, 1),
        ([], 0, 0),
    ],
)
def test_edges(edges: list[tuple[float, str]], found: int, false: int) -> None:
    s = score(answer(edges=[{"t_s": t, "state": state} for t, state in edges]), TRUTH)
    assert (s.edges.found, s.edges.false) == (found, false)


@pytest.mark.parametrize(
    ("events", "found", "false"),
    [
        ([("feed dropout", 1.0, 0.01)], 1, 0),
        ([("feed dropout", 1.0, 0.003), ("feed dropout", 1.006, 0.004)], 1, 0),
        ([("feed dropout", 1.0, 0.03)], 0, 0),
        ([("supply dip", 1.0, 0.01)], 0, 1),
        ([("ground dropout", 2.5, 0.01)], 0, 1),
        ([("feed dropout", 1.0, 0.01), ("reference lost", 2.0, 0.5)], 1, 1),
        ([], 0, 0),
    ],
)
def test_events(events: list[tuple[str, float, float]], found: int, false: int) -> None:
    told = [{"kind": k, "t_s": t, "duration_s": d} for k, t, d in events]
    s = score(answer(events=told), TRUTH)
    assert (s.events.found, s.events.false) == (found, false)


def test_gap_that_equals_a_switch_off_may_be_told_as_edges() -> None:
    truth = replace(TRUTH, events=(TrueEvent("feed dropout", 1.0, 0.01, as_edges=True),))
    edges = [{"t_s": t, "state": s} for t, s in ((0.5, "on"), (1.0, "off"), (1.01, "on"), (1.6, "off"))]
    s = score(answer(edges=edges, events=[]), truth)
    assert (s.events.found, s.edges.false) == (1, 0)


@pytest.mark.parametrize(
    ("pwm", "verdict"),
    [
        ({"frequency_hz": 100.05, "duty": 0.31}, "right"),
        ({"frequency_hz": 101.0, "duty": 0.3}, "frequency"),
        ({"frequency_hz": 100.0, "duty": 0.7}, "duty"),
        (None, "missing"),
    ],
)
def test_pwm(pwm: dict[str, float] | None, verdict: str) -> None:
    truth = replace(TRUTH, pwm=TruePwm(100.0, 0.3, 0.02, ((0.5, 1.5),)))
    assert score(answer(pwm=pwm), truth).pwm == verdict
    assert score(answer(pwm={"frequency_hz": 1.0, "duty": 0.5}), TRUTH).pwm == "invented"


def test_reliability_counts_control_lead_too() -> None:
    scores = [score(answer(confidence=0.97), TRUTH), score(answer(confidence=0.96, control_lead=1), TRUTH)]
    (bin_,) = [b for b in tables.reliability(scores) if b.answers]
    assert (bin_.answers, bin_.right) == (2, 1)
    assert "| decidable: definite and right | 1 | 2 |" in tables.markdown(scores)
    assert tables.picture(tables.reliability(scores)).count("<circle") == 1
    right = [scores[0]] * 40
    table = {"proportions": [{"what": "decidable: definite and right", "interval": (0.9, 1.0)}]}
    assert tables.outside(right, table) == []
    assert len(tables.outside([scores[1]] * 40, table)) == 1
    assert any("WRONG" in line for line in tables.complaints(scores))


def test_claims_that_are_not_asked_for_but_true() -> None:
    """An optional event may be told; after a wire is open for good even a lost reference may be read."""
    optional = replace(TRUTH, events=(TrueEvent("feed dropout", 1.0, 0.01, required=False),))
    assert score(answer(), optional).events.false == 0
    lost = [{"kind": "reference lost", "t_s": 2.0, "duration_s": 0.5}]
    assert score(answer(events=lost), optional).events.false == 1
    opened = replace(TRUTH, events=(TrueEvent("feed dropout", 1.9, 1.1, permanent=True, required=False),))
    assert score(answer(events=lost), opened).events.false == 0
    assert score(answer(events=lost), opened).reference_lost == "seen"


@pytest.mark.parametrize(
    ("kind", "side", "same"),
    [
        ("feed dropout", "low", False),
        ("feed dropout", "high", True),
        ("ground dropout", "low", True),
        ("ground dropout", "high", False),
    ],
)
def test_a_gap_on_the_switched_side_equals_a_switch_off(kind: str, side: str, same: bool) -> None:
    """Feed open on the positive side and ground open on the ground side read like off (nodal table)."""
    event = gap_event(kind, [(1.0, 1.002), (1.004, 1.006)], side)
    assert (event.as_edges, "switch-off or dropout" in event.also) == (same, same)
    assert event.t_s == 1.0
    assert event.duration_s == pytest.approx(0.006)
