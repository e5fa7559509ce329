"""What the switching says about the side: votes, one for each transition that was really seen.

Between on and off either the feed lead falls (switched on the positive side) or the ground lead rises
(switched on the ground side). The share of the movement that the ground lead makes,
``share = rise / (rise + fall)``, decides; it needs no fixed thresholds, so leakage, diode strings,
coasting motors and bad wires do not matter. Short gaps weigh next to nothing: a bad contact makes them
as well as a switch.
"""

from __future__ import annotations

from collections.abc import Sequence

from daq.evidence import MARK_REACH_S, MARKED_WEIGHT, Mark, OffKind, OffPart, Told, Votes, kind_of_off
from daq.labels import ON, Label, Scale
from daq.other_loads import MUCH_OF_D, another_load, partly_off, slipped
from daq.pulses import train_levels
from daq.stretches import Pair, Train
from daq.switching import SHORT_S, Part, swings_together

FULL_WEIGHT = 0.5
TRAIN_WEIGHT = 3.0
PARTLY_OFF = 0.6
BEHIND_PULSES, BEHIND_PULSES_S = 0.2, 0.5  # a hand is slower
STEADY_BESIDE_S = 0.1  # on beside pulses, in all
FRETS_MOST_HZ = 200.0  # nothing shakes a contact faster, and as regularly
FULL_AFTER_S = 0.25


def weigh(parts: Sequence[Part], scale: Scale, rate_hz: float, told: Told) -> tuple[Votes, list[OffPart]]:
    """Votes of all transitions; and each off part with its kind."""
    votes = Votes()
    off_parts: list[OffPart] = []
    claimed = _claimed(parts, told.marks, rate_hz)
    for n, part in enumerate(parts):
        if part.train is not None and part.label is not Label.OFF and not part.mirrored:
            amid_on = _steady_beside(parts, n, rate_hz) > STEADY_BESIDE_S * rate_hz
            _add_train(votes, part, part.train, scale, rate_hz, amid_on, told.steady_expected)
        if part.label is not Label.OFF:
            continue
        kinds = []
        marked_any = False
        for on, switched_on in _beside(parts, n):
            kind = _transition_kind(on, part, switched_on, scale)
            if kind is None:
                continue
            floats = _floating(part, switched_on)
            if kind is OffKind.FEED_FELL and all(floats):
                kind = OffKind.BOTH_MOVED  # neither pin is held
            marked = (n, switched_on) in claimed
            marked_any |= marked
            weight = _weight(part, on, rate_hz, marked, told.steady_expected)
            slips = slipped(part, on, switched_on)
            unheld = kind is OffKind.FEED_FELL and (slips or any(floats)) and not marked
            if unheld:
                weight = 0.0
                votes.unheld += 1
            if not marked and partly_off(part, scale):
                weight *= PARTLY_OFF
            if not marked and _behind_pulses(part, on, kind, scale, rate_hz):
                weight *= BEHIND_PULSES
            votes.add(kind, weight)
            votes.doubtful += weight * (not marked and another_load(part, on, kind, scale))
            votes.floating += weight * all(floats)
            votes.short[kind] = votes.short.get(kind, 0) + (weight == 0 and not unheld)
            if not part.ends and not any(p.label is not Label.OFF for p in parts[n + 1 :]):
                votes.final = {kind: weight}
            if n == 0 and not part.begins:
                votes.first = kind
            if weight > 0:
                votes.seen[on.label, kind] = votes.seen.get((on.label, kind), 0.0) + weight
            votes.transitions += weight >= FULL_WEIGHT / 2
            votes.marked += marked
            kinds.append((_length(part, switched_on), kind, on, floats, slips))
        if kinds:
            _, kind, on, floats, slips = max(kinds, key=lambda k: k[0])  # how it rests, not how it began
            off_parts.append(OffPart(part, kind, on, floats, slips, marked_any))
    return votes, off_parts


def _steady_beside(parts: Sequence[Part], n: int, rate_hz: float) -> float:
    """Pairs steadily on in part `n` and in those that only short openings part from it."""
    pairs = 0.0
    for way in (parts[n::-1], parts[n + 1 :]):
        for part in way:
            if part.label not in ON and part.end - part.start > FULL_AFTER_S * rate_hz:
                break
            pairs += sum(s.end - s.start for s in part.stretches) * (part.label in ON)
    return pairs


def _add_train(
    votes: Votes,
    part: Part,
    train: Train,
    scale: Scale,
    rate_hz: float,
    amid_on: bool,
    steady_expected: bool,
) -> None:
    """What a pulsed stretch says. A driver pulses between off and on; amid steady on they may be the gaps of
    a contact that something shakes, an engine at that, and say no more than any short gap."""
    on, off = (train.up, train.down) if part.label is Label.FORWARD else (train.down, train.up)
    if (on[0] - on[1]) * (off[0] - off[1]) < 0 and abs(off[0] - off[1]) > MUCH_OF_D * scale.full:
        return  # the other direction is no off
    kind = kind_of_off(on, off, part.label, scale)
    if amid_on and rate_hz < FRETS_MOST_HZ * train.period:
        votes.fretting.append((train.start, train.end, kind))
        votes.short[kind] = votes.short.get(kind, 0) + 1
    elif not steady_expected and (kind is OffKind.GROUND_ROSE or _shows_a_level(train, on, off)):
        seconds = (train.end - train.start) / rate_hz
        votes.add(kind, TRAIN_WEIGHT * min(1.0, seconds / FULL_AFTER_S))


def _beside(parts: Sequence[Part], n: int) -> list[tuple[Part, bool]]:
    """The parts on the two sides of an off part that were seen to change into it (False) and back (True)."""
    part, beside = parts[n], []
    if part.begins and n:
        beside.append((parts[n - 1], False))
    if part.ends and n + 1 < len(parts):
        beside.append((parts[n + 1], True))
    return beside


def _claimed(parts: Sequence[Part], marks: Sequence[Mark], rate_hz: float) -> set[tuple[int, bool]]:
    """What the marks are about: (off part, switched on), one for each mark.

    Of the changes within its reach a mark means the one that a hand made: the longest off, then the
    nearest. A gap of milliseconds is nobody's hand, however near it is.
    """
    claimed = set()
    for mark in marks:
        found = []
        for n, part in enumerate(parts):
            if part.label is not Label.OFF or part.end - part.start < SHORT_S * rate_hz:
                continue
            away = abs(mark.at - (part.end if mark.on else part.start))
            if away < MARK_REACH_S * rate_hz and any(way is mark.on for _, way in _beside(parts, n)):
                found.append((-min(part.end - part.start, rate_hz), away, n))
        if found:
            claimed.add((min(found)[2], mark.on))
    return claimed


def _length(part: Part, at_end: bool) -> int:
    """Pairs of the level at one end of an off part."""
    if not part.stretches:
        return 0
    stretch = part.stretches[-1 if at_end else 0]
    return stretch.end - stretch.start


def _floating(part: Part, at_end: bool) -> tuple[bool, bool]:
    """The leads that nothing holds at one end of an off part."""
    return part.stretches[-1 if at_end else 0].floats if part.stretches else (False, False)


def _behind_pulses(off: Part, on: Part, kind: OffKind, scale: Scale, rate_hz: float) -> bool:
    """Whether the other wire opened for a moment behind a driver's pulses: these say what it switches."""
    if on.train is None or off.end - off.start > BEHIND_PULSES_S * rate_hz:
        return False
    driven, paused = on.train.up, on.train.down
    if on.label is Label.REVERSE:
        driven, paused = paused, driven
    pulsed = kind_of_off(driven, paused, on.label, scale)
    return {kind, pulsed} == {OffKind.GROUND_ROSE, OffKind.FEED_FELL}


def _transition_kind(on: Part, off: Part, switched_on: bool, scale: Scale) -> OffKind | None:
    """Kind of one transition from the levels on its two sides; None where it says nothing."""
    if on.label not in (Label.FORWARD, Label.REVERSE) or on.mirrored or off.mirrored:
        return None
    on_levels = _on_levels(on, at_start=switched_on)
    off_levels = off.levels
    if off.stretches:
        stretch = off.stretches[-1 if switched_on else 0]
        if on.train is not None and swings_together(stretch, scale):
            return None
        off_levels = stretch.mean
    if on_levels is None or off_levels is None:
        return None
    return kind_of_off(on_levels, off_levels, on.label, scale)


def _on_levels(on: Part, at_start: bool) -> Pair | None:
    if on.stretches:
        return on.stretches[0].head if at_start else on.stretches[-1].tail
    if on.train is not None:
        return on.train.up if on.label is Label.FORWARD else on.train.down
    return on.levels


def _weight(part: Part, on: Part, rate_hz: float, marked: bool, steady_expected: bool) -> float:
    if marked:
        return MARKED_WEIGHT
    seconds = (part.end - part.start) / rate_hz
    if seconds < SHORT_S or steady_expected:
        return 0.0
    if on.train is None and not on.stretches:
        return 0.0  # a blip of on
    return FULL_WEIGHT * min(1.0, max(0.1, (seconds - SHORT_S) / (FULL_AFTER_S - SHORT_S)))


def _shows_a_level(train: Train, on: Pair, off: Pair) -> bool:
    """A lead that is switched stands still while on, or while off; a rectified or lifted alternating voltage
    nowhere. (On the ground side the other lead stands at source, which is as good.)"""
    switched = 0 if abs(on[0] - off[0]) > abs(on[1] - off[1]) else 1
    return any(phase[switched] is not None for phase in train_levels(train, on, off))
