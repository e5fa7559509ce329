"""The lead check: prove both leads and the reference on battery positive before any verdict.

Step 1 and 2: each lead in turn on battery positive, until it reads a steady source for half a second.
Step 3: a lead stays there while the reference lead is wiggled. A reading that holds cannot tell whether
anyone wiggled, so the user says when it is done; one that falls fails by itself, but for one that reads as
leads on nothing do, for longer than a contact lets go: no lead was held there. Step 4: the leads go to the
load's pins; nothing is evidence until the user says they are seated (or anything else happens on purpose).
Whether a lead was seen to leave battery positive is followed from then on. Common practice of the trade, no
source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from daq.crossings import UV
from daq.floating import in_free_band
from daq.snapshot import LeadCheckView
from daq.stretches import Raw

SOURCE_V = (4.5, 33.0)
AWAY_V = 1.0  # a lead on nothing reads zero, without the whisper
STEADY_V = 0.35  # within a window
STEADY_WINDOWS = 20
WIGGLE_WINDOWS = 120  # three seconds, at least
LIFT_WINDOWS = 12  # 0.3 s: a loose clip lets go for shorter, a hand that lifts a lead for longer
BACK_WINDOWS = 8
ENDED_WINDOWS = 80  # two seconds
DIP_OF_SOURCE = 0.06
AGREE_V = 0.15
AGREE_OF_SOURCE = 0.02

_SHORT = "CAUTION: a bare tip there that touches bodywork or the negative post is a short."
INSTRUCTIONS = (
    "",
    f"Take lead 1 off its pin, touch it to battery positive and hold it there. {_SHORT}",
    f"Take lead 2 off its pin, touch it to battery positive and hold it there. {_SHORT}",
    "Keep a lead on battery positive, its tip clear of all else; wiggle the reference lead at its clip and "
    "along its length.",
    "Seat both leads on the load's pins; what is read until then is no evidence.",
)
WIGGLE, SEAT = 3, 4
FAILED = "failed"
"""The value of the Change that restates a failed check where a recording begins after it."""
LIFTED = (
    "No lead reads battery positive: put one there and keep a lead on battery positive. If one is there, the "
    "reference lead is off: clip it to bare metal at battery negative. Then wiggle it; it is counted anew."
)


@dataclass(slots=True)
class LeadCheck:
    """Fed with the windows of the recording; a function of them and of the user's changes alone."""

    window: int
    step: int = 1
    results: list[str] = field(default_factory=list)
    failed: bool = False
    skipped: bool = False
    source_v: float | None = None
    failed_before: bool = False  # the check before this one did, or one before it, and none passed since
    _away: list[bool] = field(default_factory=lambda: [False, False])
    _steady: int = 0
    _sum: float = 0.0
    _watched: int = 0
    _said: bool = False
    _worst: float = 0.0
    _free: int = 0  # windows in a row in which no lead was held
    _lifted: bool = False
    _lifts: int = 0
    _back: int = 0  # windows in a row since it is held again
    _stays: list[bool] = field(default_factory=lambda: [False, False])  # on positive, since it passed there
    _ended: int | None = None  # windows since it failed by itself
    _open: Raw = field(default_factory=lambda: np.empty((0, 2), dtype=np.int32))

    @property
    def passed(self) -> bool | None:
        if self.step < SEAT:
            return None
        return not self.failed and not self.skipped

    @property
    def refuted(self) -> bool:
        """A lead or the reference was seen to fail, and no check was passed since: skipping mends nothing."""
        return self.failed or (self.failed_before and not self.passed)

    def push(self, micro: Raw, whispering: bool = False, running: bool = True) -> None:
        """The next samples, µV; once it does not run, only whether the leads leave battery positive."""
        if not running and not any(self._stays):
            return
        part = np.concatenate((self._open, micro))
        whole = len(part) // self.window
        self._open = part[whole * self.window :]
        for view in part[: whole * self.window].reshape(whole, self.window, 2):
            means = view.mean(axis=0) / UV
            free = [abs(v) < AWAY_V or (whispering and in_free_band(v * UV)) for v in means]
            self._away = [before or now for before, now in zip(self._away, free, strict=True)]
            self._follow(means)
            if self.step in (1, 2) and running:
                self._touch(view, self.step - 1)
            elif self.step == WIGGLE and running:
                self._watch(view, all(free))

    def _follow(self, means: Sequence[float]) -> None:
        """A lead leaves battery positive; where both seem to while the reference is wiggled, that let go."""
        if self._ended is not None:
            self._ended += 1
        if self.source_v is None:
            return
        there = [volts > self.source_v - AWAY_V for volts in means]
        if any(there) or self.step != WIGGLE:
            self._stays = [on and now for on, now in zip(self._stays, there, strict=True)]

    def skip(self) -> None:
        """The user goes past this step: it stays unproven."""
        if self.step < SEAT:
            what = f"Lead {self.step}" if self.step < 3 else "The reference lead"
            self.results.append(f"{what} was not proven.")
            self.skipped = True
            self._next()

    def wiggled(self) -> None:
        """The user has wiggled the reference lead: what was read meanwhile counts, three seconds at least."""
        self._said = self.step == WIGGLE

    def _touch(self, view: Raw, lead: int) -> None:
        volts = view[:, lead].mean() / UV
        spread = np.ptp(view[:, lead]) / UV
        # a pin may rest at source: only a lead that was seen to leave and come back is proven
        if not self._away[lead] or not (SOURCE_V[0] < volts < SOURCE_V[1] and spread < STEADY_V):
            self._steady, self._sum = 0, 0.0
            return
        self._steady += 1
        self._sum += volts
        if self._steady >= STEADY_WINDOWS:
            self._touched(self._sum / self._steady)

    def _touched(self, volts: float) -> None:
        lead = self.step
        if self.source_v is None or abs(volts - self.source_v) <= max(
            AGREE_V, AGREE_OF_SOURCE * self.source_v
        ):
            self.results.append(f"Lead {lead} reads {volts:.2f} V on battery positive, steady: pass.")
            self.source_v = volts if self.source_v is None else (self.source_v + volts) / 2
            self._stays[lead - 1] = True
        else:
            self.failed = True
            self.results.append(
                f"Fail: clean lead {lead}'s tip, check the lead and start the check again. "
                f"It reads {volts:.2f} V where the other read {self.source_v:.2f} V."
            )
        self._next()

    def _watch(self, view: Raw, free: bool) -> None:
        """What reads as on nothing for long was lifted off positive: nothing is proven, nothing failed. (A
        reference that is off for good reads so too, and never passes.)"""
        source = self.source_v or SOURCE_V[0]
        dip = source - float(view.max(axis=1).min()) / UV
        self._free = self._free + 1 if free else 0
        if self._free >= LIFT_WINDOWS:
            self._lifts += not self._lifted
            self._lifted, self._back = True, 0
            if self._lifts > 1:  # once is a hand that slipped
                self._worst = source
                self._judge(True)
                return
        if self._lifted:
            self._back = self._back + 1 if dip <= DIP_OF_SOURCE * source else 0
            self._lifted = self._back < BACK_WINDOWS
            self._watched, self._worst, self._said = 0, 0.0, False
            return
        self._watched += 1
        self._worst = max(self._worst, dip)
        if self._watched >= WIGGLE_WINDOWS and not self._free:
            self._judge(self._worst > DIP_OF_SOURCE * source)

    def _judge(self, fell: bool) -> None:
        if not fell and not self._said:
            return
        if not fell:
            before = " It read nothing for a while before: a tip was lifted, or the reference let go."
            held = "The reading held while the reference lead was wiggled: pass."
            self.results.append(held + before * bool(self._lifts))
        else:
            self.failed, self._ended = True, 0
            self.results.append(
                "Fail: move the reference lead's clip to bare metal at battery negative and start again; "
                f"keep a lead on positive. The reading fell by {self._worst:.1f} V while wiggled."
            )
        self._next()

    def _next(self) -> None:
        self.step += 1
        self._steady, self._sum = 0, 0.0

    def view(self, running: bool) -> LeadCheckView:
        step = self.step if running else 0
        asks = LIFTED if step == WIGGLE and self._lifted else INSTRUCTIONS[step]
        stay = tuple(n for n, on in enumerate(self._stays, 1) if on) if self.step == SEAT else ()
        ended = step == SEAT and self._ended is not None and self._ended < ENDED_WINDOWS
        return LeadCheckView(
            step, asks, tuple(self.results), self.passed, self.source_v, stay, ended, self.refuted
        )


def failed_earlier(window: int) -> LeadCheck:
    """The check that failed before the recording begins; what failed is not in it."""
    told = "Fail: run the lead check again. It failed before this recording begins."
    return LeadCheck(window, SEAT, [told], failed=True)


def failures_first(results: Sequence[str]) -> list[str]:
    """What is to be done about comes before what is well."""
    return sorted(results, key=lambda result: not result.startswith("Fail"))


NOT_DONE = LeadCheckView(0, "", (), None, None)
