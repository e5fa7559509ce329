"""Where a walk is, what it wants done, and how it gets back there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import Enum

from daq.offered_tests import Kind, Means
from daq.readings import Lamp, Reading, Told
from daq.samples import Bias, ChangeKind
from daq.source import SetBias
from daq.walk_moves import LIGHT, Move, Stand, moves_to, named

WHISPER = SetBias(Bias.WHISPER, Bias.WHISPER)
QUIET = SetBias(Bias.OFF, Bias.OFF)


@dataclass(frozen=True, slots=True)
class Tell:
    """Put this into the log of the run."""

    kind: ChangeKind
    value: str


Effect = Tell | SetBias


class Phase(Enum):
    LEADS = "leads"  # the lead check runs
    MOVE = "move"  # something is to be done and said
    READ = "read"  # everything is as it should be: waiting for both leads to stand still
    SAY = "say"  # the user says how the test light looks, or what the load does
    THINK = "think"  # the reasoning is asked
    END = "end"  # the place is known, or no test would help
    PROVEN = "proven"  # the same readings were taken again after the repair


@dataclass(frozen=True, slots=True)
class Here:
    """Where the walk is. Going back is an earlier one of these.

    Attributes:
        taken: readings so far, before the repair.
        after: the same after it; `again` are those still to be taken.
        wanted: what is read once `moves` are done.
        pulsed: those readings that are the levels of pulses while on.
        insisted: names of readings and steps that were taken though something spoke against them.
        check_failed: the lead check did, and none was passed since.
        cannot, barred: tests that the user could not do, and what he cannot do at all.
    """

    phase: Phase = Phase.LEADS
    stand: Stand = field(default_factory=Stand)
    taken: tuple[Reading, ...] = ()
    wanted: Reading | None = None
    moves: tuple[Move, ...] = ()
    repaired: bool = False
    after: tuple[Reading, ...] = ()
    again: tuple[Reading, ...] = ()
    cannot: frozenset[Kind] = frozenset()
    barred: frozenset[str] = frozenset()
    seen_source: bool = False
    pulsed: frozenset[Reading] = frozenset()
    insisted: tuple[str, ...] = ()
    check_failed: bool = False

    @property
    def doubtful(self) -> bool:
        """What is found stands on something that was spoken against."""
        return self.check_failed or bool(self.insisted)

    def left_of(self, means: Means) -> Means:
        """The means without what the user said he cannot do."""
        return replace(
            means,
            bias=means.bias and "bias" not in self.barred,
            test_light=means.test_light and "test light" not in self.barred,
            cannot=self.cannot,
            barred=self.barred,
        )


def undone(stand: Stand, here: Here) -> tuple[Move, ...]:
    """What takes the hands from `stand` back to where `here` was; what is read by itself waits for a word."""
    assert here.wanted is not None
    if here.phase is Phase.SAY and isinstance(here.wanted.what, Lamp):
        todo = moves_to(stand, replace(here.stand, aid=LIGHT))
    else:
        todo = moves_to(stand, here.stand)
    if here.phase is Phase.READ:
        again = f"'{named(here.wanted)}' is read again: see that everything is as it was."
        todo = (*todo, Move(again, here.stand))
    return tuple(replace(move, undoes=True) for move in todo)


def phase_of(todo: Sequence[Move], wanted: Reading) -> Phase:
    if todo:
        return Phase.MOVE
    return Phase.SAY if isinstance(wanted.what, Told) else Phase.READ
