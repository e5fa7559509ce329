"""Scores a findings document against the truth of its recording."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from tests.physics.truth import TrueEdge, TrueEvent, Truth

DEFINITE = 0.9  # a side is definite from this confidence on
GAP_KINDS = ("feed dropout", "ground dropout", "switch-off or dropout")
SLOW_KINDS = ("supply dip", "sag or feed loss")
JUDGED_KINDS = (*GAP_KINDS, *SLOW_KINDS, "reference lost", "lead off")  # the truth knows no others
DIRECTIONS = ("on", "forward", "reverse")


@dataclass(frozen=True)
class EdgeScore:
    """`errors_s`: found minus true time, of the edges found."""

    required: int = 0
    found: int = 0
    claimed: int = 0
    false: int = 0
    errors_s: tuple[float, ...] = ()
    missed_at: tuple[float, ...] = ()
    false_at: tuple[float, ...] = ()


@dataclass(frozen=True)
class EventScore:
    """`hard_*` count apart the events that are small or short."""

    required: int = 0
    found: int = 0
    hard_required: int = 0
    hard_found: int = 0
    claimed: int = 0
    false: int = 0
    missed: tuple[str, ...] = ()
    invented: tuple[str, ...] = ()


@dataclass(frozen=True)
class Score:
    """One recording's marks.

    Attributes:
        side: "right", "abstained", "wrong"; "rightly open" where nothing could be concluded;
            "allowed" where abstaining was as good.
        definite: the answer named a side with confidence >= 0.9.
        wrong_definite: definite and wrong in side or control lead.
        unavoidable: wrong only in that the recording imitates exactly that answer.
        pwm: "right", "frequency", "duty", "missing", "invented", or "" where not judged.
        load: "right", "wrong", "not given", or "".
    """

    name: str
    category: str
    decidable: bool
    said: str
    confidence: float
    side: str
    control_right: bool
    definite: bool
    wrong_definite: bool
    unavoidable: bool
    edges: EdgeScore
    events: EventScore
    pwm: str
    pwm_errors: tuple[float, float] | None
    feed_drop_error_v: float | None
    ground_drop_error_v: float | None
    load: str
    load_told: str
    reference_lost: str
    ac_warned: bool | None
    remarks: tuple[str, ...] = field(default=())


def score(findings: Mapping[str, Any], truth: Truth) -> Score:
    """Marks for one findings document."""
    said, confidence = str(findings["side"]), float(findings["confidence"])
    named = said != "undetermined"
    definite = named and confidence >= DEFINITE
    side_ok = said in truth.acceptable_sides
    control_ok = findings["control_lead"] in truth.acceptable_controls
    wrong = definite and not (side_ok and (control_ok or not truth.decidable))
    pwm, pwm_errors = _pwm(findings.get("pwm"), truth)
    events = score_events(findings.get("events", ()), findings.get("edges", ()), truth)
    return Score(
        name=truth.name,
        category=truth.category,
        decidable=truth.decidable,
        said=said,
        confidence=confidence,
        side=_side(said, side_ok, truth),
        control_right=control_ok,
        definite=definite,
        wrong_definite=wrong,
        unavoidable=wrong and truth.lookalike == said,
        edges=score_edges(findings.get("edges", ()), truth),
        events=events,
        pwm=pwm,
        pwm_errors=pwm_errors,
        feed_drop_error_v=_difference(findings.get("feed_drop_v"), truth.feed_drop_v),
        ground_drop_error_v=_difference(findings.get("ground_drop_v"), truth.ground_drop_v),
        load_told=f"{findings.get('load_kind')} for {truth.load}",
        load=_load(str(findings.get("load_kind", "unknown")), truth),
        reference_lost=_reference(findings, truth),
        ac_warned=_warns_of_ac(findings) if truth.wiring == "ac" else None,
    )


def _side(said: str, side_ok: bool, truth: Truth) -> str:
    if said == "undetermined":
        if truth.decidable:
            return "allowed" if side_ok else "abstained"
        return "rightly open"
    if not side_ok:
        return "wrong"
    return "right" if truth.decidable else "allowed"


def _difference(found: Any, true: float | None) -> float | None:
    return None if found is None or true is None else float(found) - true


def _load(found: str, truth: Truth) -> str:
    if not truth.load_kinds:
        return ""
    if found == "unknown":
        return "not given"
    return "right" if found in truth.load_kinds else "wrong"


def _reference(findings: Mapping[str, Any], truth: Truth) -> str:
    claimed = any(e["kind"] == "reference lost" for e in findings.get("events", ()))
    real = any(e.kind == "reference lost" and e.required for e in truth.events)
    possible = any(e.kind == "reference lost" or e.permanent for e in truth.events)
    if claimed:
        return "seen" if possible else "false"
    return "missed" if real else ""


def _warns_of_ac(findings: Mapping[str, Any]) -> bool:
    words = (
        " ".join(str(c) for c in findings.get("cautions", ())).lower() + str(findings.get("why", "")).lower()
    )
    return "ac" in words.split() or "alternating" in words or "mains" in words


def same_state(found: str, true: str, exact: bool) -> bool:
    """Directions count only where the answer can be reversing."""
    if exact:
        return found == true
    return (found in DIRECTIONS) == (true in DIRECTIONS)


def score_edges(found: Sequence[Mapping[str, Any]], truth: Truth) -> EdgeScore:
    """Each true edge takes the nearest unused answer in its span; the rest are false unless unjudged."""
    exact = truth.side == "reversing"
    answers = sorted((float(e["t_s"]), str(e["state"])) for e in found)
    used = [False] * len(answers)
    errors: list[float] = []
    missed: list[float] = []
    required = [e for e in truth.edges if e.required]
    for edge in [*required, *(e for e in truth.edges if not e.required)]:
        taken = _take(edge, answers, used, exact)
        if taken is None:
            if edge.required:
                missed.append(edge.t_s)
        elif edge.required:
            errors.append(answers[taken][0] - edge.t_s)
    spans = _forgiven(truth)
    false = [t for (t, _), u in zip(answers, used, strict=True) if not u and not _inside(t, spans)]
    return EdgeScore(
        len(required),
        len(errors),
        len(errors) + len(false),
        len(false),
        tuple(errors),
        tuple(missed),
        tuple(false),
    )


def _take(edge: TrueEdge, answers: list[tuple[float, str]], used: list[bool], exact: bool) -> int | None:
    low, high = edge.earliest_s - edge.tolerance_s, edge.latest_s + edge.tolerance_s
    fits = [
        (abs(t - edge.t_s), i)
        for i, (t, state) in enumerate(answers)
        if not used[i] and low <= t <= high and same_state(state, edge.state, exact)
    ]
    if not fits:
        return None
    used[min(fits)[1]] = True
    return min(fits)[1]


def _forgiven(truth: Truth) -> list[tuple[float, float]]:
    spans = list(truth.unjudged_spans)
    margin = max(0.006, 3.0 / truth.rate_hz)
    if truth.pwm is not None:
        period = 1.5 / truth.pwm.frequency_hz + margin
        spans += [(a - period, b + period) for a, b in truth.pwm.spans]
    for event in truth.events:
        if event.as_edges or event.hard:
            spans.append((event.t_s - margin, event.t_s + event.duration_s + margin))
    return spans


def _inside(t: float, spans: Sequence[tuple[float, float]]) -> bool:
    return any(a <= t <= b for a, b in spans)


def score_events(
    found: Sequence[Mapping[str, Any]], edges: Sequence[Mapping[str, Any]], truth: Truth
) -> EventScore:
    """Pieces of one interruption are joined; a pair of edges counts where the voltages allow no more."""
    claims = [
        (str(e["kind"]), float(e["t_s"]), float(e["duration_s"])) for e in found if e["kind"] in JUDGED_KINDS
    ]
    used = [False] * len(claims)
    hits = {id(e): _event_found(e, claims, used, edges, truth) for e in truth.events}
    required = [e for e in truth.events if e.required]
    easy = [e for e in required if not e.hard]
    hard = [e for e in required if e.hard]
    invented = [c for c, u in zip(claims, used, strict=True) if not u and not _excused(c, truth)]
    return EventScore(
        len(easy),
        sum(hits[id(e)] for e in easy),
        len(hard),
        sum(hits[id(e)] for e in hard),
        len(claims),
        len(invented),
        tuple(f"{e.kind} at {e.t_s:.4f} for {e.duration_s:.4f}" for e in easy if not hits[id(e)]),
        tuple(f"{k} at {t:.4f} for {d:.4f}" for k, t, d in invented),
    )


def _event_found(
    event: TrueEvent,
    claims: list[tuple[str, float, float]],
    used: list[bool],
    edges: Sequence[Mapping[str, Any]],
    truth: Truth,
) -> bool:
    fine = max(0.002, 2.5 / truth.rate_hz)
    begin, end = event.t_s, event.t_s + event.duration_s
    slack = {"supply dip": 0.15, "sag or feed loss": 0.15, "reference lost": 0.06}.get(event.kind, 1.5 * fine)
    near = [
        i
        for i, (kind, t, length) in enumerate(claims)
        if kind in (event.kind, *event.also) and t <= end + slack and t + length >= begin - slack
    ]
    for i in near:
        used[i] = True
    if not near:
        return event.as_edges and _as_edges(event, edges, fine)
    first, last = min(claims[i][1] for i in near), max(claims[i][1] + claims[i][2] for i in near)
    if event.kind in SLOW_KINDS:
        return min(last, end) - max(first, begin) >= 0.5 * event.duration_s
    if event.kind == "reference lost":
        return abs(first - begin) <= 0.05 or event.hard
    lasts = abs((last - first) - event.duration_s) <= max(fine, 0.25 * event.duration_s)
    return abs(first - begin) <= fine and (lasts or event.permanent)


def _as_edges(event: TrueEvent, edges: Sequence[Mapping[str, Any]], fine: float) -> bool:
    ends = [(event.t_s, False)]
    if not event.permanent:
        ends.append((event.t_s + event.duration_s, True))
    return all(
        any(abs(float(e["t_s"]) - t) <= fine and (e["state"] in DIRECTIONS) == on for e in edges)
        for t, on in ends
    )


def _excused(claim: tuple[str, float, float], truth: Truth) -> bool:
    """Claims that are not wrong although no true event asks for them."""
    kind, t, length = claim
    margin = max(0.01, 3.0 / truth.rate_hz)
    if kind in ("lead off", "switch-off or dropout") and not truth.decidable:
        return True
    if kind == "reference lost":  # both pins adrift after an open read like a lost reference
        return any(e.kind == kind or (e.permanent and t >= e.t_s) for e in truth.events)
    if any(a - margin <= t and t + length <= b + margin for a, b in truth.unjudged_spans):
        return True
    return any(
        e.t_s - margin <= t + length and t <= e.t_s + e.duration_s + margin and _family(kind, e.kind)
        for e in truth.events
    )


def _family(kind: str, other: str) -> bool:
    return (kind in GAP_KINDS) == (other in GAP_KINDS)


def _pwm(found: Mapping[str, Any] | None, truth: Truth) -> tuple[str, tuple[float, float] | None]:
    true = truth.pwm
    if true is None:
        return ("invented" if found is not None else ""), None
    if found is None:
        return ("missing" if true.required else ""), None
    frequency = float(found["frequency_hz"]) / true.frequency_hz - 1
    duty = float(found["duty"]) - true.duty
    if not true.required:
        return "", (frequency, duty)
    if abs(frequency) > 0.001:
        return "frequency", (frequency, duty)
    return ("duty" if abs(duty) > true.duty_tolerance else "right"), (frequency, duty)
