"""What is true of a recording, as plain frozen records that travel as JSON.

Words are those of the findings document. `side` is the answer that the two voltages justify, which is not
always how the circuit is wired: `wiring` says that, and where both differ `lookalike` names the definite
answer the recording imitates.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

Control = int | str | None  # 1, 2, "both" or None


@dataclass(frozen=True)
class TrueEdge:
    """A change of the load's state.

    Attributes:
        t_s: first mid-level crossing of lead 1 - lead 2 that leads to `state`, s.
        earliest_s, latest_s: span in which any answer is right (bounce, slope, coasting).
        tolerance_s: added at both ends.
        required: False where it leaves too little trace to be asked for; finding it is never wrong.
    """

    t_s: float
    state: str
    earliest_s: float
    latest_s: float
    tolerance_s: float
    required: bool = True


@dataclass(frozen=True)
class TrueEvent:
    """Something that happened to the circuit.

    Attributes:
        also: other kinds that are right too.
        as_edges: by voltage the same as a short switch-off, so a pair of edges counts as found.
        required: False where it is hidden or where no name for it is justified.
        hard: seen in principle, but small or short.
        permanent: lasts to the end of the recording.
    """

    kind: str
    t_s: float
    duration_s: float
    also: tuple[str, ...] = ()
    as_edges: bool = False
    required: bool = True
    hard: bool = False
    permanent: bool = False


@dataclass(frozen=True)
class TruePwm:
    """The longest pulsed stretch. `duty`: part of the period in which the load is driven."""

    frequency_hz: float
    duty: float
    duty_tolerance: float
    spans: tuple[tuple[float, float], ...]
    required: bool = True


@dataclass(frozen=True)
class Truth:
    """Everything a score needs, and a sentence for people."""

    name: str
    category: str
    description: str
    rate_hz: float
    duration_s: float
    wiring: str  # low, high, both ends, reversing, none, ac
    side: str
    acceptable_sides: tuple[str, ...]
    control_lead: Control
    acceptable_controls: tuple[Control, ...]
    feed_lead: int | None
    ground_lead: int | None
    decidable: bool
    lookalike: str | None
    initial_state: str
    edges: tuple[TrueEdge, ...]
    unjudged_spans: tuple[tuple[float, float], ...]  # where extra edges are not counted as false
    events: tuple[TrueEvent, ...]
    pwm: TruePwm | None
    source_v: float
    feed_drop_v: float | None
    ground_drop_v: float | None
    load: str
    load_kinds: tuple[str, ...]
    safety: tuple[str, ...] = ()
    levels: dict[str, float | None] = field(default_factory=dict)
    settings: dict[str, Any] = field(default_factory=dict)


def to_dict(truth: Truth) -> dict[str, Any]:
    return asdict(truth)


def from_dict(document: dict[str, Any]) -> Truth:
    """The inverse of `to_dict` after a trip through JSON."""
    d = dict(document)
    d["edges"] = tuple(TrueEdge(**e) for e in d["edges"])
    d["events"] = tuple(TrueEvent(**{**e, "also": tuple(e["also"])}) for e in d["events"])
    if d["pwm"] is not None:
        d["pwm"] = TruePwm(**{**d["pwm"], "spans": tuple(tuple(s) for s in d["pwm"]["spans"])})
    for key in ("acceptable_sides", "acceptable_controls", "load_kinds", "safety"):
        d[key] = tuple(d[key])
    d["unjudged_spans"] = tuple(tuple(s) for s in d["unjudged_spans"])
    return Truth(**d)
