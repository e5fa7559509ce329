"""The lead check as it stands at a moment of the log, told again where a recording begins in the middle.

What a check proved rests on samples that such a recording lacks, and is dropped. That it failed is not: the
side would be told from leads that were seen to be bad.
"""

from __future__ import annotations

from collections.abc import Iterator

from daq.crossings import window_pairs
from daq.lead_check import FAILED, SEAT, LeadCheck, failed_earlier
from daq.microvolts import microvolts
from daq.samples import Bias, Block, Change, ChangeKind, Gap, Item, Origin

_ENDS = (ChangeKind.PLUG, ChangeKind.MARK, ChangeKind.CLEAR)  # once the leads are to be seated
_USUAL_HZ = 4000.0  # while nothing was read yet


class StandingCheck:
    """Follow the log; `restated` tells what stands, for pair 0.

    Blocks are looked into only while a check is `running`: those in between may be left out, but for a pair
    before each check, which tells the rate.
    """

    def __init__(self) -> None:
        self._check: LeadCheck | None = None
        self._window = window_pairs(_USUAL_HZ)
        self.running = False

    @property
    def refuted(self) -> bool:
        return self._check is not None and self._check.refuted

    def follow(self, item: Item) -> None:
        if isinstance(item, Block):
            self._window = window_pairs(item.layout.rate_hz)
            if self._check is not None and self.running:
                micro = microvolts(item.counts, item.layout.scale)
                self._check.push(micro, Bias.WHISPER in item.layout.bias)
        elif not isinstance(item, Gap):
            self._change(item)

    def restated(self) -> Iterator[Change]:
        """That it failed; a check under way is begun again at its step, where it can fail but not pass."""
        if self.refuted:
            yield failed_change()
        if self._check is not None and self.running:
            yield _told("start")
            for _ in range(1, self._check.step):
                yield _told("skip")

    def _change(self, change: Change) -> None:
        check, value = self._check, change.value
        if change.kind in _ENDS:
            self.running &= check is None or check.step != SEAT
        elif change.kind is not ChangeKind.LEAD_CHECK:
            return
        elif value == "start":
            self._check, self.running = LeadCheck(self._window, failed_before=self.refuted), True
        elif value == FAILED:
            self._check, self.running = failed_earlier(self._window), False
        elif value == "stop":
            self.running = False
        elif value == "skip" and check is not None:
            check.skip()
        elif value == "wiggled" and check is not None:
            check.wiggled()


def failed_change() -> Change:
    """What a log begins with where the check failed before."""
    return _told(FAILED)


def _told(value: str) -> Change:
    return Change(0, Origin.USER, ChangeKind.LEAD_CHECK, value)
