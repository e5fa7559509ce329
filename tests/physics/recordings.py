"""From a plan to a recording: ngspice, the converter, and the truth read off the noiseless waves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from tests.physics.frontend import Converter
from tests.physics.harness import Harness
from tests.physics.spice import Transient, UnsolvedError, Waves, transients
from tests.physics.switches import Pulse
from tests.physics.truth import Control, TrueEdge, TrueEvent, TruePwm, Truth

Array = npt.NDArray[np.float64]
PROBES = ("shown1", "shown2", "pinf", "ping", "post", "splicef", "chassis")
MAX_STEP_S = 2e-3
SLOW_S = 0.02  # a driver slower than this has its span cut to the visible part of the slope


@dataclass(frozen=True)
class Command:
    """The control moved: at `t_s` the load is told to be `state`; contacts are at rest from `settled_s`.

    `leaving_s`: when the former state was left, where the way led through a short pause.
    """

    t_s: float
    state: str
    settled_s: float
    leaving_s: float | None = None


@dataclass(frozen=True)
class Claim:
    """What a careful technician could conclude from the two voltages, in terms of the load's pins.

    `control` is "f", "g", "both" or None: the pin whose wire is switched.
    """

    wiring: str
    side: str
    acceptable: tuple[str, ...]
    control: str | None
    decidable: bool
    lookalike: str | None = None
    other_controls: tuple[str | None, ...] = ()


@dataclass(frozen=True)
class Plan:
    """A circuit with its story."""

    category: str
    description: str
    harness: Harness
    converter: Converter
    length_s: float
    claim: Claim
    initial: str
    commands: tuple[Command, ...] = ()
    events: tuple[TrueEvent, ...] = ()
    pwm: TruePwm | None = None
    unjudged: tuple[tuple[float, float], ...] = ()
    faint: tuple[tuple[float, float], ...] = ()  # where edges need not be found, but none may be invented
    drops_seen: tuple[bool, bool] = (False, False)
    load_seen: bool = True
    safety: tuple[str, ...] = ()
    settings: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Recording:
    """What an analysis gets, and what is true of it."""

    volts: Array  # (n, 2)
    truth: Truth


@dataclass(frozen=True)
class Solved:
    """A plan's noiseless waves (probes: `PROBES`), before any converter, and what is true of them."""

    waves: Waves
    truth: Truth


def record(plans: Sequence[tuple[str, Plan, np.random.Generator]]) -> list[Recording | UnsolvedError]:
    """Solve a bundle of (name, plan, generator for the noise) in one ngspice process."""
    answers: list[Recording | UnsolvedError] = []
    solved = solve([(name, plan) for name, plan, _ in plans])
    for (_, plan, rng), answer in zip(plans, solved, strict=True):
        if isinstance(answer, UnsolvedError):
            answers.append(answer)
        else:
            answers.append(Recording(_sampled(plan, rng, answer.waves), answer.truth))
    return answers


def solve(plans: Sequence[tuple[str, Plan]]) -> list[Solved | UnsolvedError]:
    """Solve a bundle of (name, plan) in one ngspice process."""
    jobs = [Transient(p.harness.netlist(), p.length_s, longest_step(p), PROBES) for _, p in plans]
    return [
        waves if isinstance(waves, UnsolvedError) else Solved(waves, _truth(name, plan, waves))
        for (name, plan), waves in zip(plans, transients(jobs), strict=True)
    ]


def longest_step(plan: Plan) -> float:
    """How far ngspice may step, s: a dozen points per period of the fastest regular thing."""
    fastest = plan.harness.fastest_hz
    return min(MAX_STEP_S, 1 / (12 * fastest)) if fastest else MAX_STEP_S


def _sampled(plan: Plan, rng: np.random.Generator, waves: Waves) -> Array:
    times = np.arange(int(plan.length_s * plan.converter.rate_hz)) / plan.converter.rate_hz
    shown = np.column_stack([waves.at("shown1", times), waves.at("shown2", times)])
    return plan.converter.sample(shown, rng)


def lead_of(plan: Plan, pin: str | None) -> Control:
    """The lead on pin "f" or "g"; "both" and None pass through."""
    if pin in (None, "both"):
        return pin
    node = {"f": "pinf", "g": "ping"}[str(pin)]
    return plan.harness.leads_on.index(node) + 1 if node in plan.harness.leads_on else None


def _truth(name: str, plan: Plan, waves: Waves) -> Truth:
    view = _View(plan, waves)
    claim = plan.claim
    edges = view.edges()
    seen = sum(e.required for e in edges)
    decidable = claim.decidable and (seen >= 2 or plan.pwm is not None)
    acceptable = claim.acceptable if decidable else (*claim.acceptable, "undetermined")
    control = lead_of(plan, claim.control)
    feed, ground = lead_of(plan, "f"), lead_of(plan, "g")
    if claim.wiring in ("reversing", "none", "ac"):
        feed = ground = None
    feed_drop, ground_drop = view.drops()
    return Truth(
        name=name,
        category=plan.category,
        description=plan.description,
        rate_hz=plan.converter.rate_hz,
        duration_s=plan.length_s,
        wiring=claim.wiring,
        side=claim.side if decidable else "undetermined",
        acceptable_sides=tuple(dict.fromkeys(acceptable)),
        control_lead=control,
        acceptable_controls=tuple(
            dict.fromkeys([control, *(lead_of(plan, c) for c in claim.other_controls)])
        ),
        feed_lead=feed if isinstance(feed, int) else None,
        ground_lead=ground if isinstance(ground, int) else None,
        decidable=decidable and claim.side != "undetermined",
        lookalike=claim.lookalike,
        initial_state=plan.initial,
        edges=edges,
        unjudged_spans=(*plan.unjudged, *view.collapses()),
        events=view.events(),
        pwm=plan.pwm,
        source_v=plan.harness.supply.resting_v,
        feed_drop_v=feed_drop,
        ground_drop_v=ground_drop,
        load=plan.harness.load.kind,
        load_kinds=plan.harness.load.called if plan.load_seen else (),
        safety=plan.safety,
        levels=view.levels(),
        settings=plan.settings,
    )


class _View:
    """The noiseless waves of one plan, on a fine even grid, with the questions that truth asks of them."""

    def __init__(self, plan: Plan, waves: Waves) -> None:
        self.plan = plan
        self.step = 2.5e-5
        self.times = np.arange(0.0, plan.length_s, self.step)
        self.feed_pin = waves.at("pinf", self.times)
        self.ground_pin = waves.at("ping", self.times)
        self.feed_end = waves.at("splicef", self.times)
        if plan.harness.reference_at == "chassis":
            self.feed_end = self.feed_end - waves.at("chassis", self.times)
        self.post = waves.at("post", self.times)
        order = -1.0 if plan.harness.leads_on[1] == "pinf" or plan.harness.leads_on[0] == "ping" else 1.0
        self.sign = order
        self.across = self.feed_pin - self.ground_pin  # in pin order, forward positive
        self.shown = order * (waves.at("shown1", self.times) - waves.at("shown2", self.times))
        self.segments = self._segments()
        self.on_v = self._on_level()
        self.off_v = self._off_level()

    def _segments(self) -> list[tuple[float, float, str]]:
        bounds = [(0.0, self.plan.initial), *((c.t_s, c.state) for c in self.plan.commands)]
        ends = [*(c.t_s for c in self.plan.commands), self.plan.length_s]
        return [(a, b, state) for (a, state), b in zip(bounds, ends, strict=True)]

    def _part(self, values: npt.NDArray[Any], begin: float, end: float, share: float = 0.4) -> Array:
        """The last `share` of a segment, faults left out."""
        first, last = int((end - (end - begin) * share) / self.step), int(end / self.step)
        keep = np.ones(max(last - first, 0), dtype=bool)
        for event in self.plan.events:
            a = int((event.t_s - 0.005) / self.step) - first
            b = int((event.t_s + event.duration_s + 0.03) / self.step) - first
            keep[max(a, 0) : max(b, 0)] = False
        part = values[first:last][: len(keep)]
        return part[keep[: len(part)]]

    def _on_level(self) -> float:
        """Usual settled load voltage of the on segments (of pulses: their tops)."""
        levels = [
            float(np.percentile(np.abs(part), 90))
            for a, b, state in self.segments
            if state in ("on", "forward", "reverse") and len(part := self._part(self.across, a, b)) > 10
        ]
        return float(np.median(levels)) if levels else 0.0

    def _off_level(self) -> float:
        levels = [
            float(np.median(np.abs(part)))
            for a, b, state in self.segments
            if state == "off" and len(part := self._part(self.across, a, b)) > 10
        ]
        return min(levels, default=0.0)

    def edges(self) -> tuple[TrueEdge, ...]:
        ahead = zip(self.segments[:-1], self.segments[1:], self.plan.commands, strict=True)
        return tuple(self._edge(command, before[2], now[1]) for before, now, command in ahead)

    def _edge(self, command: Command, before: str, until: float) -> TrueEdge:
        crossing = self._last_pulse(command) if self.plan.pwm is not None else None
        crossing = self._crossing(command, before, until) if crossing is None else crossing
        rate = self.plan.converter.rate_hz
        tolerance = max(0.002, 2.5 / rate)
        swing = self.on_v - self.off_v
        visible = swing > max(0.5, 0.25 * self.plan.harness.supply.resting_v, 0.4 * self.on_v)
        visible = visible and crossing is not None and self._differs(command.t_s, until)
        t_s = command.t_s if crossing is None else crossing
        latest = until - tolerance if crossing is None else max(t_s, command.settled_s)
        state = command.state
        if self.sign < 0 and state in ("forward", "reverse"):
            state = "reverse" if state == "forward" else "forward"
        hidden = any(a <= command.t_s <= b for a, b in (*self.plan.unjudged, *self.plan.faint))
        slow = command.settled_s - command.t_s > SLOW_S and self.plan.pwm is None
        if slow and crossing is not None:
            return self._slope(command, t_s, until, state, tolerance, visible and not hidden)
        earliest = min(t_s, command.t_s if command.leaving_s is None else command.leaving_s)
        edge = TrueEdge(t_s, state, earliest, latest, tolerance, visible and not hidden)
        return replace(
            edge, t_s=round(t_s, 7), earliest_s=round(edge.earliest_s, 7), latest_s=round(latest, 7)
        )

    def _slope(
        self, command: Command, t_s: float, until: float, state: str, tolerance: float, required: bool
    ) -> TrueEdge:
        """A slow driver: any moment between 10 and 90 % of the way is right."""
        first, last = int(command.t_s / self.step), int(min(command.settled_s, until) / self.step)
        part = self.across[first:last]
        way = np.abs(part - part[0]) / max(abs(float(part[-1] - part[0])), 1e-6)
        inside = np.flatnonzero((way > 0.1) & (way < 0.9))
        low, high = (inside[0], inside[-1]) if len(inside) else (0, 0)
        earliest, latest = self.times[first + low], self.times[first + high]
        return TrueEdge(
            round(t_s, 7),
            state,
            round(min(float(earliest), t_s), 7),
            round(max(float(latest), t_s), 7),
            tolerance,
            required,
        )

    def _crossing(self, command: Command, before: str, until: float) -> float | None:
        middle = 0.5 * (self.on_v + self.off_v)
        first, last = int(command.t_s / self.step), int(until / self.step)
        part = self.across[first:last]
        if command.state == "off":
            toward = part < middle if before != "reverse" else part > -middle
        elif command.state == "reverse":
            toward = part < -middle
        else:
            toward = part > middle
        if not toward.any():
            return None
        return float(self.times[first + int(np.argmax(toward))])

    def _last_pulse(self, command: Command) -> float | None:
        """A pulsed stretch ends where its last pulse does, which may be before the command."""
        assert self.plan.pwm is not None
        first = max(int((command.t_s - 1.2 / self.plan.pwm.frequency_hz) / self.step), 0)
        part = self.across[first : int(command.t_s / self.step)]
        middle = 0.5 * (self.on_v + self.off_v)
        if command.state != "off" or not len(part) or part[-1] > middle or not (part > middle).any():
            return None
        return float(self.times[first + len(part) - int(np.argmax(part[::-1] > middle))])

    def _differs(self, at: float, until: float) -> bool:
        """Whether the leads show any change around the command."""
        first = max(int((at - 0.004) / self.step), 0)
        before = self.shown[first : int(at / self.step)]
        after = self.shown[int((at + 0.002) / self.step) : int(min(until, at + 2.0) / self.step)]
        if len(before) < 4 or len(after) < 4:
            return False
        return bool(np.max(np.abs(after - np.median(before))) > max(0.5, 0.3 * self.on_v))

    def events(self) -> tuple[TrueEvent, ...]:
        sags = self._sags() if self.plan.harness.neighbours else []
        return tuple(self._event(e) for e in (*self.plan.events, *sags))

    def _sags(self) -> list[TrueEvent]:
        """Where neighbours pull the feed down by 5 %: may be told as a dip, need not."""
        low = self.feed_end < 0.95 * float(np.percentile(self.feed_end, 90))
        return [
            TrueEvent("supply dip", a, b - a, ("sag or feed loss",), required=False)
            for a, b in self._spans(low)
            if b - a > 0.005
        ]

    def collapses(self) -> list[tuple[float, float]]:
        """Where a neighbour's inrush takes the load below half while it is on: nobody need call that off."""
        if not self.plan.harness.neighbours:
            return []
        on = np.zeros(len(self.times), dtype=bool)
        for a, b, state in self.segments:
            on[int(a / self.step) : int(b / self.step)] = state != "off"
        return [(a, b) for a, b in self._spans(on & (self.across < 0.55 * self.on_v)) if b - a < 0.1]

    def _spans(self, mask: npt.NDArray[np.bool_]) -> list[tuple[float, float]]:
        turns = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(int)))
        return [
            (round(a * self.step, 7), round(b * self.step, 7))
            for a, b in zip(turns[::2], turns[1::2], strict=True)
        ]

    def _event(self, event: TrueEvent) -> TrueEvent:
        event = replace(event, t_s=round(event.t_s, 7), duration_s=round(event.duration_s, 7))
        if not event.required or event.kind in ("reference lost", "lead off"):
            return event
        first, last = int(event.t_s / self.step), int((event.t_s + event.duration_s) / self.step) + 1
        if first < 4:
            return replace(event, required=False)
        if event.kind == "supply dip":
            return self._dip(event, first, last)
        share = self._moved(event) / max(self.on_v, 0.5)
        short = event.duration_s < max(1.6 / self.plan.converter.rate_hz, 4e-4)
        return replace(event, required=share > 0.15, hard=event.hard or share < 0.55 or short)

    def _moved(self, event: TrueEvent) -> float:
        """How far lead 1 - lead 2 leaves its level in at least 40 % of the samples of the event."""
        first = int(event.t_s / self.step)
        rate = self.plan.converter.rate_hz
        instants = np.arange(np.ceil(event.t_s * rate), (event.t_s + event.duration_s + 3e-4) * rate) / rate
        if not len(instants):
            return 0.0
        level = float(np.median(self.shown[max(first - 200, 0) : first]))
        away = np.sort(np.abs(np.interp(instants, self.times, self.shown) - level))[::-1]
        return float(away[int(0.4 * len(away))])

    def _dip(self, event: TrueEvent, first: int, last: int) -> TrueEvent:
        """A dip counts where a lead shows it: its upper lead sinks below 93 % of what it was."""
        upper = np.maximum(self.feed_pin, self.ground_pin)
        was = float(np.median(upper[max(first - 2000, 0) : max(first, 1)]))
        seen = float(np.mean(upper[first:last] < 0.93 * was)) if was > 0.5 * self.post[first - 1] else 0.0
        return replace(event, required=seen > 0.6, hard=seen < 0.9)

    def drops(self) -> tuple[float | None, float | None]:
        seen_feed, seen_ground = self.plan.drops_seen
        return (self._feed_drop() if seen_feed else None, self._ground_drop() if seen_ground else None)

    def _level(self, values: Array, states: tuple[str, ...]) -> float | None:
        levels = [
            float(np.median(part))
            for a, b, state in self.segments
            if state in states and b - a > 0.15 and len(part := self._part(values, a, b)) > 40
        ]
        return round(float(np.median(levels)), 4) if levels else None

    def _pulsed_level(self, values: Array, phase: tuple[float, float]) -> float | None:
        """Mean over one phase (from, until; parts of the period) of the pulses in the on segments."""
        pulse = self._pulse()
        assert pulse is not None
        place = (self.times * pulse.hertz) % 1.0
        inside = (place > phase[0]) & (place < phase[1])
        levels = [
            float(np.mean(part[chosen]))
            for a, b, state in self.segments
            if state == "on" and b - a > 0.15 and len(part := self._part(values, a, b)) > 40
            if (chosen := self._part(inside, a, b)).any()
        ]
        return round(float(np.median(levels)), 4) if levels else None

    def _pulse(self) -> Pulse | None:
        places = (self.plan.harness.high_f, self.plan.harness.low_g)
        return next((p.pulse for p in places if p is not None and p.pulse is not None), None)

    def _driven(self) -> tuple[float, float]:
        """Where in its period the drive conducts fully."""
        pulse = self._pulse()
        assert pulse is not None
        return pulse.slope_s * pulse.hertz, pulse.closed

    def _feed_drop(self) -> float | None:
        rest, on = self._level(self.feed_pin, ("off",)), self._on_pin(self.feed_pin)
        if rest is None and self._pulse() is not None:
            rest = self._pulsed_level(self.feed_pin, ((1 + 2 * self._driven()[1]) / 3, 0.999))
        return None if rest is None or on is None else round(rest - on, 4)

    def _on_pin(self, values: Array) -> float | None:
        return (
            self._level(values, ("on",))
            if self._pulse() is None
            else self._pulsed_level(values, self._driven())
        )

    def _ground_drop(self) -> float | None:
        return self._on_pin(self.ground_pin)

    def levels(self) -> dict[str, float | None]:
        states = ("on", "forward", "reverse")
        return {
            "feed_pin_on": self._level(self.feed_pin, states),
            "feed_pin_off": self._level(self.feed_pin, ("off",)),
            "ground_pin_on": self._level(self.ground_pin, states),
            "ground_pin_off": self._level(self.ground_pin, ("off",)),
        }
