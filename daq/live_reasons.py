"""When to reason about a run that goes on: seldom, and never in the way of the verdict.

The reasoning costs some tenths of a second of processor time. It is asked again only when what was seen has
changed for it (another verdict, another mark, levels that moved by more than readings scatter), at most once
in EVERY_S, and on a thread of its own.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass

from daq.explain import reasoned
from daq.findings import Judgement, Side
from daq.seen import Seen
from daq.snapshot import Snapshot

EVERY_S = 10.0
STEP_V = 0.3  # levels are told apart by this


@dataclass(frozen=True, slots=True)
class _About:
    """What an answer was about."""

    side: Side
    control: object
    states: tuple[object, ...]


class LiveReasons:
    """Give it every snapshot; `latest` is the last judgement that was reasoned out, None before."""

    def __init__(self, every_s: float = EVERY_S) -> None:
        self.latest: Judgement | None = None
        self._every_s = every_s
        self._due_s = 0.0
        self._about: _About | None = None
        self._thread: threading.Thread | None = None

    def follow(self, now: Snapshot) -> None:
        """Begin to reason about this moment, if it is time and worth it."""
        if now.time_s < self._due_s or now.look is None or (self._thread and self._thread.is_alive()):
            return
        seen = now.look()
        if now.judgement.side is Side.UNDETERMINED and not {"on", "off"} <= seen.marked:
            return  # first it must be switched: that is the next test anyway
        self._due_s = now.time_s + self._every_s
        about = _about(now.judgement, seen)
        if about != self._about:
            self._about = about
            self._thread = threading.Thread(target=self._reason, args=(now,), daemon=True)
            self._thread.start()

    def wait(self) -> None:
        """Until what was begun is done."""
        if self._thread is not None:
            self._thread.join()

    def _reason(self, now: Snapshot) -> None:
        self.latest = reasoned(now.judgement, now.look)


def _about(judged: Judgement, seen: Seen) -> _About:
    states = [*seen.states, *([] if seen.broken is None else [seen.broken])]
    told = [(s.control, s.load, *(round(v / STEP_V) for v in s.volts)) for s in states]
    apart = [(h.control, h.bias, *(round(v / STEP_V) for v in h.volts)) for h in seen.held]
    return _About(judged.side, judged.control_lead, (*told, *apart, seen.reference_proven))
