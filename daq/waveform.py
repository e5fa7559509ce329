"""What kind of load it is, from what its voltage does after switching and between pulses.

- A coil keeps its current: let go, the load voltage reverses, to a diode's drop where one takes the current
  over, else much further. Its current, and with it the drop along the wires, rises with L/R.
- A motor let go is a generator: most of the voltage stays and falls over tenths of seconds; shorted when off,
  it brakes with a current that dies away as slowly. Run up, it draws a surge that lasts as long.
- A cold filament draws some ten times its current and warms in milliseconds: a surge that has half gone at
  each doubling of the time.
- A resistor does none of this. That is said only where the drop along the wires is large enough that a surge
  or a rise would have shown.

Common practice, no source; the time laws are those of R-L, R-L-EMF and tungsten in tests/physics/loads.py.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from typing import TypeVar

import numpy as np

from daq.crossings import UV
from daq.findings import LoadKind
from daq.labels import ON, Label, Scale, difference
from daq.pulses import Shown, break_levels, make_levels, on_levels, pause_levels
from daq.response import BEYOND_UV, WINDOWS, Floats, Respond, Response
from daq.stretches import Pair, Train
from daq.switching import Part
from daq.turns import Turn

COOLS_S = 0.15  # off at least so long, a filament is cold and a surge may be looked for
ON_LEAST_S = 0.06
WORKED_S = 0.01  # on at least so long, there is current to let go
DIODE_UV = (0.4 * UV, 1.35 * UV)
DIODE_LOWEST_UV = 1.6 * UV
DIODE_SAMPLES = 3
DEEP_UV = 3.0 * UV  # even a single sample
PARTLY = 1 / 3  # of the releases must show it
COAST_FROM = 0.15  # of D
COAST_FALL = 0.08  # of D
FAST = 0.45  # of D
COAST_SLOW = 0.6  # of the first level is left at 20 to 40 ms: a slow driver's slope is over then
COMES_TO_REST = 0.12  # of the first level: then it may fall ever more slowly
STEEPENS = 2.5  # the steepest doubling of time against the first ones
FALLS_ON = 0.8  # in the last doubling of time against the one before
OWN_UV = 0.04 * UV  # a voltage of its own after a kick
OWN_PULSED = 0.05  # of the on level, between pulses, where a leak may add some
OWN_PULSED_UV = 0.4 * UV
RISE_PULSED = 0.004  # of the on level: undoing the low-pass leaves less than that
FLAT_PAUSE = 1.1  # a string of diodes falls to its voltage
NEAR_ZERO = 0.03  # of D
BRAKE_MOST = 0.1  # of D
BRAKE_LASTS = 0.5  # of what it was three windows earlier
SAMPLE_UV = 0.026 * UV  # noise of one sample, rounding included
CLEAR = 4.0  # sigma
SEEN_UV = 0.012 * UV
SURGE_LEAST = 0.5  # of the settled drop: what a filament makes that is still warm
NEXT = 0.2  # of it left in the next window: a surge does not end at once
LASTS_15_MS, LASTS_60_MS = 0.5, 0.3  # of a surge left: a motor may
LAMP_START = 0.7  # of the surge at 2.5 to 5 ms is the least there is before
LAMP_15_MS, LAMP_60_MS = 0.8, 0.4  # a filament, be it large, warm and behind a bad wire, does not keep more
REFERENCE = 6  # the window 80 to 160 ms after switching
REFERENCE_LEAST = 5
HELD = 0.25  # of the switched lead's movement: the other one is held
SLOW_EDGE = 0.05  # of D: a surge as large as this may be a slow driver: it must leave a tail
TAIL = 0.03  # of it left at 20 to 40 ms
MOSTLY = 0.6  # of the switchings must agree
RISE_LEFT = 0.4
KEPT = 32  # answers of each kind: enough for medians
CLEAN_LEAST = 2
RATE_LEAST = 2000.0
LAMP_SURGE = 2.0  # times the settled drop, at 2.5 to 10 ms, is the least that a cold filament makes

T = TypeVar("T")

asked_again = lru_cache(maxsize=4 * KEPT)
"""Of one response: a live picture asks the same of the same ones every time."""


@dataclass(slots=True)
class Answers:
    """How the load answered to being switched."""

    makes: list[Response] = field(default_factory=list)
    breaks: list[Response] = field(default_factory=list)
    drops: list[float] = field(default_factory=list)  # of the lead that is not switched, on against off, µV
    off_rail: bool = False  # some off part rests away from the rails

    def __add__(self, other: Answers) -> Answers:
        return Answers(
            _thin(self.makes + other.makes),
            _thin(self.breaks + other.breaks),
            _thin(self.drops + other.drops),
            self.off_rail or other.off_rail,
        )


def _thin(answers: list[T]) -> list[T]:
    return answers[::2] if len(answers) > KEPT else answers


def answers_of(
    parts: Sequence[Part], turns: Sequence[Turn], scale: Scale, rate_hz: float, respond: Respond
) -> Answers:
    """The answers to every switching that was seen from before to after."""
    by_time = {turn.at: turn for turn in turns}
    found = Answers(off_rail=not _rests_on_rail(parts, scale))
    for before, part in pairwise(parts):
        turn = by_time.get(part.start)
        if turn is None or not part.begins or part.mirrored or before.mirrored:
            continue
        if part.label is Label.OFF and before.label in ON:
            _add_break(found, before, part, turn, rate_hz, respond)
        elif part.label in ON and before.label is Label.OFF:
            _add_make(found, before, part, turn, rate_hz, respond)
    return found


def _add_break(
    found: Answers, before: Part, part: Part, turn: Turn, rate_hz: float, respond: Respond
) -> None:
    settled = _settled(part)
    worked = before.end - before.start > WORKED_S * rate_hz
    if settled is not None and worked and len(found.breaks) < KEPT:
        found.breaks.append(respond(turn, part.end, settled, before.label))


def _add_make(found: Answers, before: Part, part: Part, turn: Turn, rate_hz: float, respond: Respond) -> None:
    on, off = _settled(part), _settled(before)
    long = part.end - part.start > ON_LEAST_S * rate_hz and before.end - before.start > COOLS_S * rate_hz
    plain = part.train is None and bool(part.stretches)
    if on is None or off is None or not long or not plain or len(found.makes) >= KEPT:
        return
    found.makes.append(respond(turn, part.end, on, part.label))
    moved = sorted(abs(a - b) for a, b in zip(on, off, strict=True))
    if moved[0] < HELD * moved[1]:
        found.drops.append(moved[0])


def _settled(part: Part) -> Pair | None:
    return part.stretches[-1].settled if part.stretches else part.levels


def _rests_on_rail(parts: Sequence[Part], scale: Scale) -> bool:
    """Off levels agree to 2 %: no diode string, no leakage between."""
    offs = [p.levels for p in parts if p.label is Label.OFF and p.stretches and p.levels is not None]
    return bool(offs) and all(abs(difference(x)) < 0.02 * scale.full for x in offs)


# -- what the answers say -------------------------------------------------------------------------------


def kind_of_load(
    answers: Answers, trains: Sequence[Train], scale: Scale, reversing: bool, rate_hz: float
) -> LoadKind:
    """The kind that the answers show; unknown where they show none and could have hidden one."""
    full = scale.full
    changes = [_change(r) for r in answers.makes]
    make = _usual(changes, [r.samples for r in answers.makes])
    pulses = [p for p in map(_pulse_kind, trains) if p is not None]
    releases = answers.breaks
    kicks = [k for r in releases if (k := _kick_kind(r)) is not None]
    coasts = _most([_coasts(r, full) for r in releases])
    surge, lasts = _surge(make), _lasts(make)
    if coasts and (surge or (_blind(make) and _most([_fast(r, full) for r in releases]))):
        return LoadKind.MOTOR
    if surge and lasts and (reversing or _most([_brakes(r, full) for r in releases])):
        return LoadKind.MOTOR
    if kicks and len(kicks) >= PARTLY * len(releases):
        return max(kicks, key=kicks.count)
    if pulses:
        return max(pulses, key=pulses.count)
    if surge:
        # one that is still warm keeps its smaller surge for longer: the coldest shows the shape best
        coldest = max(changes, key=lambda c: float(np.nanmax(c[1:4], initial=-math.inf)))
        lamp = any(_lamp_like(c, answers.drops, full) for c in (make.values, coldest))
        other = not releases or coasts or reversing or _most([_slow(r, full) for r in releases])
        return LoadKind.LAMP if lamp and not other else LoadKind.UNKNOWN
    if _rises(make) and not answers.off_rail:
        return LoadKind.COIL
    proven = _flat(make, answers) and rate_hz >= RATE_LEAST and not answers.off_rail
    quiet = len(releases) >= CLEAN_LEAST and not any(_restless(r, full) for r in releases)
    return LoadKind.RESISTIVE if proven and quiet else LoadKind.UNKNOWN


def _most(signs: Sequence[bool]) -> bool:
    """A good part of the switchings show it: others may have been too short, or disturbed."""
    return any(signs) and sum(signs) >= PARTLY * len(signs)


@asked_again
def _change(r: Response) -> Floats:
    """How much less voltage there was than at 80 to 160 ms (or at last): later, other things change too."""
    seen = np.flatnonzero(r.samples[: REFERENCE + 1] > 0)
    reference = r.levels[seen[-1]] if len(seen) and seen[-1] >= REFERENCE_LEAST else r.end
    return np.asarray(reference - r.levels)


@dataclass(frozen=True, slots=True)
class Usual:
    """By window: medians over switchings, their error from noise alone, and from how they spread, µV."""

    values: Floats
    noise: Floats
    spread: Floats
    agree: Floats  # part of the switchings that moved the way the median did


def _usual(rows: Sequence[Floats], samples: Sequence[Floats]) -> Usual:
    values, noise, spread, agree = (np.full(WINDOWS, math.nan) for _ in range(4))
    if not rows:
        return Usual(values, noise, spread, agree)
    all_rows, all_samples = np.stack(rows), np.stack(samples)
    for k in np.flatnonzero((all_samples > 0).any(axis=0)):
        seen = all_samples[:, k] > 0
        column = all_rows[seen, k]
        one = SAMPLE_UV / math.sqrt(_median(all_samples[seen, k]))
        values[k] = _median(column)
        noise[k] = one / math.sqrt(len(column))
        spread[k] = max(one, 1.48 * _median(abs(column - values[k]))) / math.sqrt(len(column))
        agree[k] = np.mean(np.sign(values[k]) * column > one)
    return Usual(values, noise, spread, agree)


def _median(values: Floats) -> float:
    """numpy's own takes ten times as long for the few values there are."""
    return float(statistics.median(values.tolist()))


@asked_again
def _kick_kind(r: Response) -> LoadKind | None:
    """A coil's kick, or a motor's, which has a voltage of its own afterwards."""
    kick = r.kick
    if kick is None:
        return None
    deep = -kick.lowest > (DIODE_LOWEST_UV if kick.samples > 1 else DEEP_UV)
    diode = kick.samples >= DIODE_SAMPLES and DIODE_UV[0] < -kick.level < DIODE_UV[1]
    if not deep and not diode:
        return None
    error = SAMPLE_UV / np.sqrt(np.maximum(r.samples[1:4], 1.0))
    own = r.levels[1:4] - max(0.0, r.end) > OWN_UV + CLEAR * error
    if (own[1:] & own[:-1]).any():
        return LoadKind.MOTOR
    return LoadKind.COIL if deep else LoadKind.CLAMPED_COIL


@asked_again
def _coasts(r: Response, full: float) -> bool:
    """Most of the voltage stays and falls by itself over tenths of seconds, at first hardly at all.

    An indicator with a capacitor falls fastest at first, and comes to rest at the voltage of its diodes.
    """
    seen = np.flatnonzero(r.samples > 0)
    seen = seen[seen >= 1]
    if len(seen) < 4 or seen[0] > 3 or seen[-1] < 4:
        return False
    levels = r.levels[seen]
    first, last = levels[0], levels[-1]
    if first < COAST_FROM * full or first - min(last, r.end) < COAST_FALL * full:
        return False
    if r.levels[4] < COAST_SLOW * first:
        return False
    falls = -np.diff(levels)
    steepens = falls.max() > STEEPENS * max(float(falls[:2].mean()), SAMPLE_UV / 4)
    return bool(steepens and (last < COMES_TO_REST * first or falls[-1] > FALLS_ON * falls[-2]))


def _fast(r: Response, full: float) -> bool:
    """A motor near its running speed: so much voltage no indicator's diodes hold."""
    return bool(r.levels[2] > FAST * full)


@asked_again
def _brakes(r: Response, full: float) -> bool:
    """A small voltage that dies away over tens of milliseconds: a motor is short-circuited."""
    if abs(r.end) > NEAR_ZERO * full:
        return False
    for k in (2, 3):
        early, late = r.levels[k] - r.end, r.levels[k + 2] - r.end
        clear = max(CLEAR * SAMPLE_UV / math.sqrt(max(r.samples[k], 1.0)), SEEN_UV)
        if clear < abs(early) < BRAKE_MOST * full and late / early > BRAKE_LASTS:
            return True
    return False


def _slow(r: Response, full: float) -> bool:
    """The voltage took milliseconds to go: the driver is slow, and its slope looks like a surge."""
    first = [v for v in r.levels[:2].tolist() if not math.isnan(v)]
    return bool(first) and max(first) - r.end > SLOW_EDGE * full


@asked_again
def _restless(r: Response, full: float) -> bool:
    """Something that a resistor does not do after it was let go."""
    kicks = r.kick is not None and r.kick.samples > 1
    return kicks or _slow(r, full) or _brakes(r, full) or _coasts(r, full)


def _first(make: Usual) -> int | None:
    """The first window that tells of a surge: after the edges, and before 20 ms."""
    return next((k for k in (1, 2, 3) if not math.isnan(make.values[k])), None)


def _surge(make: Usual) -> bool:
    """More drop along the wires at first than later."""
    at = _first(make)
    if at is None or make.agree[at] < MOSTLY:
        return False
    least = max(CLEAR * make.noise[at], SEEN_UV)
    return bool(make.values[at] > least and make.values[at + 1] > NEXT * make.values[at])


def _lasts(make: Usual) -> bool:
    """No filament keeps so much of its surge for so long."""
    at = _first(make)
    if at is None or at > 2:
        return False
    first = make.values[at]
    return bool(make.values[5] > LASTS_60_MS * first or make.values[3] > LASTS_15_MS * first)


def _lamp_like(changes: Floats, drops: Sequence[float], full: float) -> bool:
    """Large against the settled drop, falling from the start, with a tail that no slow driver makes."""
    at = next((k for k in (1, 2, 3) if not math.isnan(changes[k])), None)
    if at is None or math.isnan(changes[4]) or math.isnan(changes[5]):
        return False
    first = changes[at]
    large = first > SURGE_LEAST * float(np.median(drops or [0.0]))
    falls = changes[5] < LAMP_60_MS * first and (at > 1 or changes[3] < LAMP_15_MS * first)
    falls = falls and not changes[0] < LAMP_START * first
    return bool(large and falls and (first < SLOW_EDGE * full or changes[4] > TAIL * first))


def _blind(make: Usual) -> bool:
    """A surge may have been there and not been seen."""
    return bool(math.isnan(make.noise[1]) or CLEAR * make.noise[1] > 2 * SEEN_UV)


def _rises(make: Usual) -> bool:
    """Less drop at first than later, and settled within milliseconds: current that rises with L/R."""
    rise, later = -make.values[0], -make.values[3]
    if math.isnan(rise) or math.isnan(later) or make.agree[0] < MOSTLY:
        return False
    goes_on = -make.values[1] > 2 * make.noise[1]
    return bool(rise > max(CLEAR * make.spread[0], SEEN_UV) and goes_on and later < RISE_LEFT * rise)


def _flat(make: Usual, answers: Answers) -> bool:
    """Neither surge nor rise, where either would have shown."""
    if len(answers.makes) < CLEAN_LEAST or not answers.drops or np.isnan(make.values[1:5]).any():
        return False
    shown = np.maximum(CLEAR * make.spread[1:5], SEEN_UV)
    lamp = LAMP_SURGE * float(np.median(answers.drops))
    return bool(lamp > shown[0] and (abs(make.values[1:5]) < shown).all())


def _pulse_kind(train: Train) -> LoadKind | None:
    """What the pauses of a pulse train show: a kick, and whether a voltage of its own comes after it.

    Current that goes round by the diode through the whole pause may be a coil's or a motor's.
    """
    period = train.mean_period
    if period is None:
        return None
    levels = on_levels(period), make_levels(period), break_levels(period), pause_levels(period)
    on, first, early, late = (_across(shown) for shown in levels)
    if on is None or early is None or late is None:
        return None
    full, sign = abs(on), math.copysign(1.0, on)
    early, late = sign * early, sign * late
    own = late > max(OWN_PULSED * full, OWN_PULSED_UV)
    if early < -BEYOND_UV:
        if own:
            return LoadKind.MOTOR
        clamped = -early < DIODE_LOWEST_UV
        return None if late < -BEYOND_UV else LoadKind.CLAMPED_COIL if clamped else LoadKind.COIL
    rises = first is not None and sign * first - full > RISE_PULSED * full
    return LoadKind.MOTOR if own and rises and early < FLAT_PAUSE * late else None


def _across(levels: Shown) -> float | None:
    a, b = levels
    return None if a is None or b is None else a - b
