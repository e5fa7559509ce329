"""What the switching says about the side: votes, one for each transition that was really seen.

Between on and off either the feed lead falls (switched on the positive side) or the ground lead rises
(switched on the ground side). The share of the movement that the ground lead makes,
``share = rise / (rise + fall)``, decides; it needs no fixed thresholds, so leakage, diode strings,
coasting motors and bad wires do not matter. Short gaps weigh next to nothing: a bad contact makes them
as well as a switch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import Enum

from daq.crossings import UV
from daq.findings import Side
from daq.floating import Whispers
from daq.labels import ON, Label, Scale
from daq.pulses import train_levels
from daq.stretches import Pair, Train
from daq.switching import SHORT_S, Part, swings_together

GROUND_SHARE = 0.75  # and above: ground side
FEED_SHARE = 0.25  # and below: positive side
FULL_WEIGHT = 0.5
TRAIN_WEIGHT = 3.0
MARKED_WEIGHT = 1.0
PARTLY_OFF = 0.6
RESIDUE_OF_D = 0.12
MUCH_OF_D = 0.6  # of the load's voltage: more than a leaking driver leaves on a string of diodes
FADES = 0.05  # of it: a motor that coasts, a capacitor
PULLED = 0.06  # of source
CURRENT_SURE_UV = 0.15 * UV  # more than two leads of an uncalibrated logger differ by
CURRENT_SHARE = 0.5  # of the drop that Ohm's law gives
PULLED_DOWN = 0.4  # of the ground side: what leaks from the feed pin takes no load lower
SAME_CURRENT, SAME_CURRENT_UV = 0.1, 0.02 * UV
BEHIND_PULSES, BEHIND_PULSES_S = 0.2, 0.5  # a hand is slower
STEADY_BESIDE_S = 0.1  # on beside pulses, in all
FRETS_MOST_HZ = 200.0  # nothing shakes a contact faster, and as regularly
FULL_AFTER_S = 0.25
MARK_REACH_S = 1.0


class OffKind(Enum):
    """How an off part differs from on."""

    GROUND_ROSE = "low"
    FEED_FELL = "high"
    BOTH_MOVED = "both"
    NOTHING = "none"


@dataclass(frozen=True, slots=True)
class Mark:
    """The user says: I switched it `on`/off at `at` (pairs)."""

    at: float
    on: bool
    other: bool = False  # on, in its other direction or speed


@dataclass(frozen=True, slots=True)
class Told:
    """What the user and the device tell beside the samples."""

    marks: tuple[Mark, ...] = ()
    steady_expected: bool = False
    whispers: Whispers = field(default_factory=Whispers)


@dataclass(slots=True)
class Votes:
    low: float = 0.0
    high: float = 0.0
    both: float = 0.0
    floating: float = 0.0  # of these, off parts in which nothing held either pin
    unheld: int = 0  # unmarked, to a feed lead that floats alone: it is loose, or the load blocks
    short: dict[OffKind, int] = field(default_factory=dict)
    seen: dict[tuple[Label, OffKind], float] = field(default_factory=dict)  # kinds beside each polarity
    first: OffKind | None = None  # how it rested before it was first switched on
    woke: bool = False  # both leads had come up to source together, right before that
    final: dict[OffKind, float] = field(default_factory=dict)  # of an off part that lasts to the end
    fretting: list[tuple[float, float, OffKind]] = field(default_factory=list)  # regular gaps in a load on
    doubtful: float = 0.0  # of the votes, those of what another load on a shared wire may have done
    transitions: int = 0  # long ones, of the winning kind or not
    marked: int = 0

    def add(self, kind: OffKind, weight: float) -> None:
        if kind is OffKind.GROUND_ROSE:
            self.low += weight
        elif kind is OffKind.FEED_FELL:
            self.high += weight
        elif kind is OffKind.BOTH_MOVED:
            self.both += weight

    def settled(self) -> Votes:
        """Where the pins are held in most off parts, both floating means that the leads were taken off."""
        if self.floating >= self.low + self.high:
            return self
        return replace(self, both=self.both - self.floating, floating=0.0)


@dataclass(slots=True)
class OffPart:
    """An off part beside at least one on part, and what it says."""

    part: Part
    kind: OffKind
    on: Part
    floats: tuple[bool, bool]
    slipped: bool  # the feed lead fell off its pin while the load went on
    marked: bool


@dataclass(slots=True)
class Evidence:
    """Everything the judge needs. Volts; leads are 1 and 2; None where not seen."""

    votes: Votes = field(default_factory=Votes)
    only_short: bool = False  # nothing but short gaps was seen
    forward: float = 0.0  # seconds on with lead 1 positive
    reverse: float = 0.0
    one_way_weak: bool = False  # much less voltage in one direction than in the other
    mirrored_s: float = 0.0
    source_v: float | None = None
    on_levels_v: Pair | None = None
    off_levels_v: Pair | None = None
    reference_proven: bool = False
    check_failed: bool = False  # the lead check, and none was passed since
    ac: bool = False
    swings: bool = False
    too_fast: bool = False  # pulsed faster than the sample rate shows
    noise: bool = False
    whispered: bool = False  # the whisper bias was on at some time
    moved_together: int = 0
    in_turn: int = 0
    hasty: int = 0
    roles_swapped: bool = False  # the leads rest at different levels at different times
    always_on: bool = False
    nothing_seen: bool = False
    on_settled: bool = False  # `on_levels_v` is a level that was seen to stand still


def kind_of_off(on: Pair, off: Pair, label: Label, scale: Scale) -> OffKind:
    feed = 0 if label is Label.FORWARD else 1
    fall = max(0.0, on[feed] - off[feed])
    rise = max(0.0, off[1 - feed] - on[1 - feed])
    if fall + rise < 0.15 * max(scale.source, abs(on[0] - on[1])):
        return OffKind.NOTHING
    share = rise / (rise + fall)
    if share >= GROUND_SHARE:
        return OffKind.GROUND_ROSE
    if share <= FEED_SHARE:
        return OffKind.FEED_FELL
    return OffKind.BOTH_MOVED


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
            slipped = _slipped(part, on, switched_on)
            unheld = kind is OffKind.FEED_FELL and (slipped or any(floats)) and not marked
            if unheld:
                weight = 0.0
                votes.unheld += 1
            if not marked and _partly_off(part, scale):
                weight *= PARTLY_OFF
            if not marked and _behind_pulses(part, on, kind, scale, rate_hz):
                weight *= BEHIND_PULSES
            votes.add(kind, weight)
            votes.doubtful += weight * (not marked and _another_load(part, on, kind, scale))
            votes.floating += weight * all(floats)
            votes.short[kind] = votes.short.get(kind, 0) + (weight == 0 and not unheld)
            if not part.ends and not any(p.label is not Label.OFF for p in parts[n + 1 :]):
                votes.final = {kind: weight}
            if n == 0 and not part.begins:
                votes.first = kind
            elif kind is OffKind.GROUND_ROSE and all(p.label is Label.OFF for p in parts[:n]):
                votes.woke = True
            if weight > 0:
                votes.seen[on.label, kind] = votes.seen.get((on.label, kind), 0.0) + weight
            votes.transitions += weight >= FULL_WEIGHT / 2
            votes.marked += marked
            kinds.append((_length(part, switched_on), kind, on, floats, slipped))
        if kinds:
            _, kind, on, floats, slipped = max(kinds, key=lambda k: k[0])  # how it rests, not how it began
            off_parts.append(OffPart(part, kind, on, floats, slipped, marked_any))
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


def _partly_off(part: Part, scale: Scale) -> bool:
    """Some load voltage is left, and stays: leakage through a diode string, or a source far down."""
    if not part.stretches:
        return False
    s = part.stretches[0]
    d = abs(s.tail[0] - s.tail[1])
    fades = abs(s.head[0] - s.head[1]) - d > FADES * scale.full
    return d > RESIDUE_OF_D * scale.full and not fades


def _slipped(off: Part, on: Part, switched_on: bool) -> bool:
    """Whether the feed lead fell off its pin: it reads nothing while the ground side shows the load's current
    as before. Through a load that is off both pins would be alike. (A load that blocks, as LEDs do, on a
    ground that another load lifts, looks the same.)"""
    if not off.stretches or not on.stretches:
        return False
    feed = 0 if on.label is Label.FORWARD else 1
    lost = off.stretches[-1 if switched_on else 0].settled
    ground = (on.stretches[0] if switched_on else on.stretches[-1]).settled[1 - feed]
    stays = abs(lost[1 - feed] - ground) < max(SAME_CURRENT * ground, SAME_CURRENT_UV)
    free = lost[feed] < min(lost[1 - feed] - CURRENT_SURE_UV, PULLED_DOWN * lost[1 - feed])
    return ground > CURRENT_SURE_UV and stays and free


def _current_goes_on(off: Part, on: Part) -> bool:
    """Whether the ground side shows that the voltage left across the load drives its share of the current
    (Ohm's law): the feed sags under another load. A driver or a string of diodes that leaks shows none."""
    if off.levels is None or not on.stretches:
        return False
    feed = 0 if on.label is Label.FORWARD else 1
    full = max((s.settled for s in on.stretches), key=lambda x: abs(x[0] - x[1]))
    ground, left = full[1 - feed], abs(off.levels[0] - off.levels[1]) / abs(full[0] - full[1])
    return ground > CURRENT_SURE_UV and off.levels[1 - feed] > CURRENT_SHARE * left * ground


def _behind_pulses(off: Part, on: Part, kind: OffKind, scale: Scale, rate_hz: float) -> bool:
    """Whether the other wire opened for a moment behind a driver's pulses: these say what it switches."""
    if on.train is None or off.end - off.start > BEHIND_PULSES_S * rate_hz:
        return False
    driven, paused = on.train.up, on.train.down
    if on.label is Label.REVERSE:
        driven, paused = paused, driven
    pulsed = kind_of_off(driven, paused, on.label, scale)
    return {kind, pulsed} == {OffKind.GROUND_ROSE, OffKind.FEED_FELL}


def _another_load(off: Part, on: Part, kind: OffKind, scale: Scale) -> bool:
    """Whether this off part looks as if another load had lifted the shared ground, or pulled the shared feed.

    Such a load leaves much of the voltage, and the current that this drives; or it moves the other lead as
    well, towards the middle, where a load that is switched off gives back what it took (Ohm's law). A starter
    behind a bad engine strap is the usual one: common practice, no source.
    """
    if not off.stretches:
        return False
    left = [abs(s.tail[0] - s.tail[1]) for s in off.stretches]
    fades = abs(off.stretches[0].head[0] - off.stretches[0].head[1]) - min(left) > FADES * scale.full
    if min(left) > MUCH_OF_D * scale.full and not fades:
        return True
    partly = min(left) > RESIDUE_OF_D * scale.full and not fades
    if kind is OffKind.FEED_FELL and partly and _current_goes_on(off, on):
        return True
    if kind is OffKind.BOTH_MOVED:
        return partly  # a starter does that to both; nothing else is left of a load with both ends open
    return _pulled(off, on) > PULLED * scale.source


def _pulled(off: Part, on: Part) -> float:
    """How far the lead that was not switched went towards the other one while off, µV."""
    if off.levels is None or not on.stretches:
        return 0.0
    on_levels = min((s.settled for s in on.stretches), key=lambda x: abs(x[0] - x[1]))
    feed = 0 if on.label is Label.FORWARD else 1
    fell, rose = on_levels[feed] - off.levels[feed], off.levels[1 - feed] - on_levels[1 - feed]
    return min(fell, rose)


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


def side_of(kind: OffKind) -> Side:
    return {
        OffKind.GROUND_ROSE: Side.LOW,
        OffKind.FEED_FELL: Side.HIGH,
        OffKind.BOTH_MOVED: Side.BOTH_ENDS,
        OffKind.NOTHING: Side.UNDETERMINED,
    }[kind]
