"""What is in force at a moment of the log, told again where a recording begins in the middle."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from daq.samples import Change, ChangeKind

_KINDS = (ChangeKind.PLUG, ChangeKind.EXPECT, ChangeKind.BIAS, ChangeKind.MARK, ChangeKind.DEVICE)


class Standing:
    """Remember the Changes that went by; `restated` tells those still in force, for pair 0.

    The last plug state, expectation, bias, control mark and word of the device stand, and every setting
    by its name. The lead check has a class of its own, `StandingCheck`.
    """

    def __init__(self) -> None:
        self._changes: dict[tuple[ChangeKind, str], Change] = {}

    def remember(self, change: Change) -> None:
        if change.kind is ChangeKind.SETTING:
            self._changes[change.kind, change.value.partition("=")[0]] = change
        elif change.kind in _KINDS:
            self._changes[change.kind, ""] = change

    def restated(self) -> Iterator[Change]:
        for change in self._changes.values():
            yield replace(change, sample=0, at_s=None)
