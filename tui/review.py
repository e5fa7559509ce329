"""The review screen: the same dashboard over a recording, at 1x, faster, or from edge to edge."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from textual.binding import BindingType

from daq.replay import SPEEDS, Replay
from daq.session import Session
from tui import keys
from tui.dashboard import Dashboard
from tui.details import DetailsScreen
from tui.keys import Key

Play = tuple[Session, Replay]


class ReviewScreen(Dashboard):
    """`play` opens the recording anew: a started session and the replay that paces it."""

    BINDINGS: ClassVar[list[BindingType]] = keys.bindings(keys.REVIEW, keys.COMMON)

    def __init__(self, play: Callable[[], Play]) -> None:
        self._play = play
        session, self.replay = play()
        super().__init__(session)
        self._findings_shown = False

    def mood(self) -> str:
        if self.over:
            return "END OF RECORDING"
        if self.replay.seeking:
            return "looking for the next edge"
        return "PAUSED" if self.replay.paused else f"replay at {self.replay.speed:g}x"

    def keys(self) -> Sequence[Key]:
        return (*keys.REVIEW, *keys.COMMON)

    def pull(self, hurry: bool = False) -> None:
        super().pull(hurry)
        findings = self.session.findings
        if findings is not None and not self._findings_shown and self.session.error is None:
            self._findings_shown = True
            self.app.push_screen(DetailsScreen(self.device, self.session.latest, findings))

    def action_pause(self) -> None:
        self.replay.pause(not self.replay.paused)

    def action_slower(self) -> None:
        self._set_speed(-1)

    def action_faster(self) -> None:
        self._set_speed(+1)

    def _set_speed(self, step: int) -> None:
        at = SPEEDS.index(self.replay.speed) + step
        self.replay.set_speed(SPEEDS[min(max(at, 0), len(SPEEDS) - 1)])

    def action_next_edge(self) -> None:
        self.replay.to_next_edge()

    def action_again(self) -> None:
        self.session.close()
        self.session, self.replay = self._play()
        self._findings_shown = False
