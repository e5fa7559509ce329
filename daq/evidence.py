"""What the judge is told: how a load's off parts differ from on, the votes that they make, and the levels."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum

from daq.findings import Side
from daq.floating import Whispers
from daq.labels import Label, Scale
from daq.stretches import Pair
from daq.switching import Part

GROUND_SHARE = 0.75  # and above: ground side
FEED_SHARE = 0.25  # and below: positive side
MARKED_WEIGHT = 1.0
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


def side_of(kind: OffKind) -> Side:
    return {
        OffKind.GROUND_ROSE: Side.LOW,
        OffKind.FEED_FELL: Side.HIGH,
        OffKind.BOTH_MOVED: Side.BOTH_ENDS,
        OffKind.NOTHING: Side.UNDETERMINED,
    }[kind]
