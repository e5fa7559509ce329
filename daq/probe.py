"""Probing: the whisper is taken away for a moment where a lead may float, to see whether the lead follows.

Pure: snapshots go in, commands for the logger come out. What the leads then do is in the samples, and the
analysis reads it there (see `floating`), live and in a recording alike.
"""

from __future__ import annotations

import math

from daq.crossings import UV
from daq.floating import in_free_band
from daq.samples import Bias
from daq.snapshot import Snapshot
from daq.source import SetBias

STEADY_S = 0.25
"""How long a lead must have stood at the level of a free one before it is asked."""

AWAY_S = 0.06
"""How long the whisper stays away, at least: a free lead falls within 1 ms, the rest is to measure by."""

AGAIN_S = 10.0
"""A lead that stays there is asked again so often: it may have been put on a pin meanwhile."""

ANSWER_S = 2.0
"""A logger that has not taken the whisper away by then has not understood."""

UNSETTLED_S = 0.25
"""Shorter than this the levels may be elsewhere: the leads have just followed, or a spike came by."""

STEADY_V = 0.15

WHISPER = SetBias(Bias.WHISPER, Bias.WHISPER)
QUIET = SetBias(Bias.OFF, Bias.OFF)

Volts = tuple[float | None, float | None]


class Prober:
    """Ask `next` with every new snapshot; it keeps its hands off a bias that somebody else has set."""

    def __init__(self) -> None:
        self._wanted = WHISPER  # by the user
        self._wanted_s: float | None = None  # since the first look after he said so
        self._followed = True  # the logger has
        self._levels: Volts = (None, None)  # the suspicious ones
        self._since_s = 0.0  # they stand since
        self._seen_s = -math.inf  # and were seen last
        self._asked_s: float | None = None  # the whisper was asked away then
        self._away_s: float | None = None  # and was away then
        self._rest_until_s = 0.0

    def next(self, now: Snapshot) -> SetBias | None:
        """What to ask of the logger at this moment, if anything."""
        if self._is_the_user_s(now):
            return None
        whispering = now.bias == (WHISPER.lead1, WHISPER.lead2)
        if self._asked_s is not None:
            return self._go_on(now, whispering)
        levels = _suspicious(now) if whispering else (None, None)
        if _alike(levels, self._levels):
            self._seen_s = now.time_s
        elif now.time_s > self._seen_s + UNSETTLED_S:
            self._levels, self._since_s, self._rest_until_s = levels, now.time_s, 0.0
            self._seen_s = now.time_s
        standing = levels != (None, None) and self._seen_s == now.time_s
        if not standing or now.time_s < max(self._since_s + STEADY_S, self._rest_until_s):
            return None
        self._asked_s = now.time_s
        return QUIET

    @property
    def probing(self) -> bool:
        return self._asked_s is not None

    def stand_down(self, wanted: SetBias) -> None:
        """Somebody sets the bias himself: leave it to him, from before the logger has followed."""
        self._wanted, self._wanted_s, self._followed = wanted, None, False
        self._levels, self._seen_s, self._rest_until_s = (None, None), -math.inf, 0.0
        self._leave_off()

    def _is_the_user_s(self, now: Snapshot) -> bool:
        """Another bias than the whisper stands because the user wants it, or is on its way."""
        if self._wanted == WHISPER:
            return False
        if now.bias == (self._wanted.lead1, self._wanted.lead2):
            self._followed = True
            return True
        self._wanted_s = now.time_s if self._wanted_s is None else self._wanted_s
        if not self._followed and now.time_s < self._wanted_s + ANSWER_S:
            return True
        self._wanted = WHISPER  # the logger has refused it, let go of it after its time, or been away
        return False

    def _go_on(self, now: Snapshot, whispering: bool) -> SetBias | None:
        assert self._asked_s is not None
        if whispering:
            if now.time_s > self._asked_s + ANSWER_S:
                self._end(now)
            return None
        if now.bias != (QUIET.lead1, QUIET.lead2):
            self._end(now)  # somebody wants another bias
            return None
        if self._away_s is None:
            self._away_s = now.time_s
        if now.time_s < self._away_s + AWAY_S:
            return None
        self._end(now)
        return WHISPER

    def _leave_off(self) -> None:
        self._asked_s = self._away_s = None

    def _end(self, now: Snapshot) -> None:
        self._leave_off()
        self._seen_s = now.time_s
        self._rest_until_s = now.time_s + AGAIN_S


def _suspicious(now: Snapshot) -> Volts:
    """The levels of leads that read like free ones, whatever the other does; none where it is no evidence."""
    if now.plug == "out" or now.lead_check.step:
        return None, None
    one, two = (lead.volts if in_free_band(lead.volts * UV) else None for lead in now.leads)
    return one, two


def _alike(levels: Volts, before: Volts) -> bool:
    return all(
        (a is None) is (b is None) and (a is None or b is None or abs(a - b) < STEADY_V)
        for a, b in zip(levels, before, strict=True)
    )
