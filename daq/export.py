"""A capture for other programs: what both kinds of export share.

What a table of volts cannot say is told beside it (the happenings) or to the user (the remarks).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from daq.capture_reader import CaptureSource
from daq.samples import Bias, Block, Change, ChangeKind, Gap, Item

_TELLING = (ChangeKind.NOTE, ChangeKind.DEVICE)  # changes whose words may name someone or something
_ASIDE = (ChangeKind.LEAD_CHECK, ChangeKind.PLUG)


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written: the files, pairs in them, remarks for the user, places that could not be read."""

    files: tuple[Path, ...]
    pairs: int
    remarks: tuple[str, ...]
    damage_count: int


@dataclass(frozen=True, slots=True)
class Happening:
    """One thing beside the samples: a gap, a change, a note. `lasted_s` is of gaps."""

    time_s: float
    what: str
    origin: str
    value: str
    lasted_s: float | None = None


class Teller:
    """Collects the happenings of a log as it goes by; `anonymous` leaves out notes and the device's words."""

    def __init__(self, source: CaptureSource, anonymous: bool) -> None:
        self._source = source
        self._anonymous = anonymous
        self._found: list[Happening] = []
        self._aside = False
        self._expectation = "switching"
        self._biased = False

    def saw(self, block: Block) -> None:
        """Samples that went by."""
        self._biased |= block.layout.bias != (Bias.OFF, Bias.OFF)

    def tell(self, item: Gap | Change, time_s: float) -> None:
        """`time_s` is the moment at which the item stands in the log."""
        if isinstance(item, Gap):
            pairs = "" if item.pairs is None else f", {item.pairs} pairs"
            self._found.append(Happening(time_s, "gap", "", item.reason.value + pairs, item.seconds))
            return
        self._aside |= item.kind in _ASIDE and item.value not in ("in", "unknown")
        if item.kind is ChangeKind.EXPECT:
            self._expectation = item.value
        if not (self._anonymous and item.kind in _TELLING):
            at_s = time_s if item.at_s is None else item.at_s
            self._found.append(Happening(at_s, item.kind.value, item.origin.value, item.value))

    def happenings(self) -> list[Happening]:
        """In order of time, with the notes written later; those about the whole recording first."""
        notes = [] if self._anonymous else self._source.notes()
        found = [Happening(n.at_s or 0.0, "note added later", "user", n.text) for n in notes]
        return sorted(found + self._found, key=lambda happening: happening.time_s)

    def remarks(self) -> Iterator[str]:
        """What whoever reads only volts and times would get wrong."""
        if self._aside:
            yield (
                "leads were proven or the load was unplugged in this recording; in a table those readings "
                "look like any others, so do not judge by them (whichside trim cuts out the rest)"
            )
        if self._biased:
            yield (
                "the logger's bias was on the leads, which a table does not say: a pin that nothing holds "
                "looks held, and the side may be judged wrongly; for a verdict review the capture itself"
            )
        if self._expectation != "switching":
            yield f"the recording expects {self._expectation}: review it with --expect {self._expectation}"


def timed(items: Iterable[Item]) -> Iterator[tuple[float, Item]]:
    """Each item of a log with the moment at which it begins, s from the first pair.

    Pairs are counted from the last gap or change of rate, so that hours of blocks add no rounding.
    """
    begin_s, pairs, rate_hz = 0.0, 0, 1.0
    for item in items:
        if isinstance(item, Block) and item.layout.rate_hz != rate_hz:
            begin_s, pairs, rate_hz = begin_s + pairs / rate_hz, 0, item.layout.rate_hz
        yield begin_s + pairs / rate_hz, item
        if isinstance(item, Gap):
            begin_s, pairs = begin_s + pairs / rate_hz + item.seconds, 0
        elif isinstance(item, Block):
            pairs += len(item.counts)
