"""Snapshot: the frozen picture of everything known now, for screens and plain output.

It is a function of the ordered log and of the analysis version; the worker makes a new one after each
block and replaces `session.latest`. Screens only read it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum

from daq.findings import NO_EVENTS, Edge, Event, EventSummary, GapFound, Judgement, LoadKind, LoadState, Pwm
from daq.samples import Bias
from daq.seen import Look


class StateWord(Enum):
    """What a lead shows, in the trade's words."""

    AT_SOURCE = "at source"
    NEAR_ZERO = "near zero"
    BETWEEN = "between"
    BELOW_ZERO = "below zero"
    BEYOND_RANGE = "beyond range"
    FLOATING = "floating"  # the whisper moves it: nothing holds it
    CHANGING = "changing"
    NO_READING = "no reading"


@dataclass(frozen=True, slots=True)
class LeadView:
    """One lead now: mean of the last settled stretch, its standard uncertainty, and its word."""

    volts: float
    uncertainty_v: float
    word: StateWord


@dataclass(frozen=True, slots=True)
class Bands:
    """Where "near zero" and "at source" lie now, V (low, high); source is None until it is known."""

    near_zero_v: tuple[float, float]
    at_source_v: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class LeadCheckView:
    """The lead check: `step` is 0 when it does not run, 1..3 while leads and reference are proven, 4 while
    the leads are to be seated; `instruction` is what to do now. `on_positive`: leads that were not seen to
    leave battery positive since they passed there; `just_failed`: it ended by itself, less than two seconds
    ago, so that a key may still have been meant for the step before; `refuted`: a lead or the reference was
    seen to fail, and no check was passed since."""

    step: int
    instruction: str
    results: tuple[str, ...]  # one sentence for each finished step, in the trade's words
    passed: bool | None  # None: not done yet
    source_v: float | None
    on_positive: tuple[int, ...] = ()
    just_failed: bool = False
    refuted: bool = False


@dataclass(frozen=True, slots=True)
class Losses:
    gaps: int
    seconds: float
    pairs: int | None  # None when some loss could not be counted


def losses_of(gaps: Sequence[GapFound]) -> Losses:
    """All gaps together."""
    counted = [gap.pairs for gap in gaps]
    known = [pairs for pairs in counted if pairs is not None]
    seconds = sum(gap.duration_s for gap in gaps)
    return Losses(len(gaps), seconds, sum(known) if len(known) == len(counted) else None)


@dataclass(frozen=True, slots=True)
class Snapshot:
    samples: int  # pairs so far
    time_s: float  # from the first sample, gaps included
    rate_hz: float
    leads: tuple[LeadView, LeadView]
    bands: Bands
    load: LoadState
    pulsed: bool  # PWM right now
    source_v: float | None
    source_uncertainty_v: float | None
    source_origin: str  # "lead check", "seen at rest", "seen while on", "not seen"
    judgement: Judgement
    reference_proven: bool
    edge_count: int
    edges: tuple[Edge, ...]  # the latest, oldest first
    event_count: int
    events: tuple[Event, ...]  # the latest, oldest first
    pwm: Pwm | None
    load_kind: LoadKind
    lead_check: LeadCheckView
    plug: str  # "in", "out", "unknown"
    expectation: str
    bias: tuple[Bias, Bias]  # on the leads now
    losses: Losses
    cautions: tuple[str, ...]
    summary: EventSummary = NO_EVENTS  # over all events, not only the latest
    baseline_s: float | None = None  # when the user called the last minute normal
    look: Look | None = field(default=None, compare=False, repr=False)
