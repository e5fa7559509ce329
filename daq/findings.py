"""What is found in a recording: plain frozen records, and the JSON document that carries them.

The document's names are a contract: readers ignore what they do not know, so keys are added, never
renamed. `SCHEMA` counts incompatible changes of the document, `ANALYSIS_VERSION` changes of the answers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

SCHEMA = 1
ANALYSIS_VERSION = 8

Lead = int  # 1 or 2


class Side(Enum):
    LOW = "low"  # switched on the ground side
    HIGH = "high"  # switched on the positive side
    BOTH_ENDS = "both ends"  # feed and ground both switched, no reversal
    REVERSING = "reversing"  # polarity changes
    UNDETERMINED = "undetermined"
    UNSWITCHED = "unswitched"  # an explanation, never a verdict


class LoadState(Enum):
    ON = "on"
    OFF = "off"
    FORWARD = "forward"  # reversing loads: lead 1 positive
    REVERSE = "reverse"
    UNKNOWN = "unknown"


class LoadKind(Enum):
    LAMP = "lamp"
    COIL = "coil"
    CLAMPED_COIL = "coil with clamp"
    MOTOR = "motor"
    RESISTIVE = "resistive"
    UNKNOWN = "unknown"


class EventKind(Enum):
    """Every kind of event there is; `events.REGISTRY` says what each means."""

    FEED_DROPOUT = "feed dropout"
    GROUND_DROPOUT = "ground dropout"
    SUPPLY_DIP = "supply dip"
    SAG_OR_FEED_LOSS = "sag or feed loss"
    REFERENCE_LOST = "reference lost"
    LEAD_OFF = "lead off"
    UNDECIDED_GAP = "switch-off or dropout"
    LOAD_OPEN = "load open"
    FEED_ASLEEP = "feed asleep"
    FEED_AWAKE = "feed awake"
    SPIKE = "spike beyond range"
    DROP_DRIFT = "drop drifting"
    PULSES_CHANGED = "pulses changed"
    STUCK = "stuck"


@dataclass(frozen=True, slots=True)
class Edge:
    """A change of the load's state; `t_s` is the first mid-level crossing that leads to `state`."""

    t_s: float
    state: LoadState


@dataclass(frozen=True, slots=True)
class Event:
    kind: EventKind
    t_s: float
    duration_s: float


@dataclass(frozen=True, slots=True)
class KindCount:
    """All events of one kind: how many, the longest, and the one that ended last."""

    kind: EventKind
    count: int
    longest_s: float
    last: Event


@dataclass(frozen=True, slots=True)
class Coincidence:
    """Of `of` events of a kind, `near` were within `within_s` of `what`: a mark's label, or supply dips.

    `by_chance` is how many would be at most if the events had nothing to do with it; `telling` when chance
    does not explain it. Of the `times` that `what` happened, `met` had such an event.
    """

    kind: EventKind
    what: str
    mark: bool  # `what` is a mark's label
    within_s: float
    near: int
    of: int
    by_chance: float
    telling: bool
    met: int
    times: int


@dataclass(frozen=True, slots=True)
class Cluster:
    """Of `of` events of a kind, `count` began between `first_s` and `last_s`, closer than chance has it."""

    kind: EventKind
    first_s: float
    last_s: float
    count: int
    of: int


@dataclass(frozen=True, slots=True)
class EventSummary:
    """The numbers over all events: worst kinds first; what tells most first."""

    count: int = 0
    kinds: tuple[KindCount, ...] = ()
    coincidences: tuple[Coincidence, ...] = ()
    clusters: tuple[Cluster, ...] = ()


NO_EVENTS = EventSummary()


@dataclass(frozen=True, slots=True)
class Pwm:
    """The longest pulsed stretch: `duty` is the fraction of a period in which the load is on."""

    frequency_hz: float
    duty: float


@dataclass(frozen=True, slots=True)
class GapFound:
    t_s: float
    duration_s: float
    uncertainty_s: float
    pairs: int | None
    reason: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """One explanation with its probability; the words are those of the reasoning contract."""

    side: Side
    control_lead: Lead | str | None
    fault: str
    place: str | None
    probability: float
    condition: str | None = None
    also: tuple[str, str] | None = None  # a second fault, (fault, place)
    leaking: bool = False  # a short that is none: water, a chafed cover


@dataclass(frozen=True, slots=True)
class NextTest:
    """The one thing to do next; `reading` is a hand-reading template, `splits` what each outcome means.

    `otherwise` is the test in its place where `do` cannot be done: there is no other direction or speed.
    """

    do: str
    reading: str = ""
    expected_bits: float | None = None
    splits: str = ""
    caution: str = ""
    otherwise: NextTest | None = None

    @property
    def and_otherwise(self) -> tuple[NextTest, ...]:
        return (self,) if self.otherwise is None else (self, *self.otherwise.and_otherwise)


@dataclass(frozen=True, slots=True)
class Judgement:
    """The one judge's answer. `side` is definite only at `confidence` >= 0.9.

    `leaning` tells which side the evidence favours while it is not enough; it is never shown as a verdict.
    """

    side: Side
    control_lead: Lead | str | None  # 1, 2, "both" or None
    feed_lead: Lead | None
    ground_lead: Lead | None
    confidence: float
    why: str
    next_test: NextTest | None
    candidates: tuple[Candidate, ...] = ()
    fits: bool = True  # False: no single fault explains what was seen
    sides: tuple[tuple[str, float], ...] = ()  # probability of each, "unswitched" among them
    leaning: Side = Side.UNDETERMINED


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything that the recording so far says, as a function of the ordered log alone."""

    sample_rate_hz: float
    duration_s: float
    reference_proven: bool
    source_v: float | None
    judgement: Judgement
    initial_state: LoadState
    edges: tuple[Edge, ...]
    pwm: Pwm | None
    pwm_note: str
    feed_drop_v: float | None
    ground_drop_v: float | None
    load_kind: LoadKind
    events: tuple[Event, ...]
    gaps: tuple[GapFound, ...]
    cautions: tuple[str, ...]  # ids: see `cautions.TEXT` for the sentences
    summary: EventSummary = NO_EVENTS
    look: Callable[[], Any] | None = field(default=None, compare=False, repr=False)  # see `seen.Look`


def to_json(findings: Findings, file: str) -> dict[str, Any]:
    """The findings document. Times are rounded to 1 µs, volts to 1 mV, probabilities to 0.001."""
    j = findings.judgement
    return {
        "schema": SCHEMA,
        "analysis_version": ANALYSIS_VERSION,
        "file": file,
        "sample_rate_hz": round(findings.sample_rate_hz, 6),
        "duration_s": round(findings.duration_s, 6),
        "reference_proven": findings.reference_proven,
        "source_v": _volts(findings.source_v),
        "side": j.side.value,
        "control_lead": j.control_lead,
        "feed_lead": j.feed_lead,
        "ground_lead": j.ground_lead,
        "confidence": round(j.confidence, 3),
        "why": j.why,
        "initial_state": findings.initial_state.value,
        "edges": [{"t_s": round(e.t_s, 6), "state": e.state.value} for e in findings.edges],
        "pwm": None
        if findings.pwm is None
        else {"frequency_hz": round(findings.pwm.frequency_hz, 4), "duty": round(findings.pwm.duty, 4)},
        "pwm_note": findings.pwm_note,
        "feed_drop_v": _volts(findings.feed_drop_v),
        "ground_drop_v": _volts(findings.ground_drop_v),
        "load_kind": findings.load_kind.value,
        "events": [
            {"kind": e.kind.value, "t_s": round(e.t_s, 6), "duration_s": round(e.duration_s, 6)}
            for e in findings.events
        ],
        "event_summary": _summary(findings.summary),
        "gaps": [_gap(g) for g in findings.gaps],
        "sides": {side: round(p, 4) for side, p in j.sides},
        "candidates": [_candidate(c) for c in j.candidates],
        "fits": j.fits,
        "next_test": None if j.next_test is None else _next_test(j.next_test),
        "cautions": list(findings.cautions),
    }


def _volts(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def _summary(s: EventSummary) -> dict[str, Any]:
    return {
        "count": s.count,
        "kinds": [
            {"kind": k.kind.value, "count": k.count, "longest_s": round(k.longest_s, 6)} for k in s.kinds
        ],
        "coincidences": [
            {
                "kind": c.kind.value,
                "mark" if c.mark else "with": c.what,
                "within_s": c.within_s,
                "near": c.near,
                "of": c.of,
                "by_chance": round(c.by_chance, 3),
                "telling": c.telling,
                "met": c.met,
                "times": c.times,
            }
            for c in s.coincidences
        ],
        "clusters": [
            {
                "kind": c.kind.value,
                "first_s": round(c.first_s, 6),
                "last_s": round(c.last_s, 6),
                "count": c.count,
                "of": c.of,
            }
            for c in s.clusters
        ],
    }


def _gap(g: GapFound) -> dict[str, Any]:
    return {
        "t_s": round(g.t_s, 6),
        "duration_s": round(g.duration_s, 6),
        "uncertainty_s": round(g.uncertainty_s, 6),
        "pairs": g.pairs,
        "reason": g.reason,
    }


def _candidate(c: Candidate) -> dict[str, Any]:
    also: dict[str, Any] = {} if c.also is None else {"also": {"fault": c.also[0], "place": c.also[1]}}
    if c.leaking:
        also["quality"] = "leaking"
    return {
        "side": c.side.value,
        "control_lead": c.control_lead,
        "fault": c.fault,
        "place": c.place,
        "condition": c.condition,
        "probability": round(c.probability, 4),
        **also,
    }


def _next_test(n: NextTest) -> dict[str, Any]:
    return {
        "do": n.do,
        "reading": n.reading,
        "expected_bits": n.expected_bits,
        "splits": n.splits,
        "caution": n.caution,
        **({} if n.otherwise is None else {"otherwise": _next_test(n.otherwise)}),
    }
