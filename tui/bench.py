"""The bench screen: the live screen plus keys for the hands: control, plug, leads, reference, faults."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from daq.session import Session
from tui.hands import Controls, HandKeys, Hands, Looks
from tui.live import LiveScreen


class BenchScreen(LiveScreen, HandKeys):
    """`controls` gives the choices of each control, `start` the one in force at first; see `Hands`."""

    def __init__(
        self,
        session: Session,
        new_capture: Callable[[], Path],
        controls: Controls,
        start: Mapping[str, str],
        looks: Looks | None = None,
    ) -> None:
        super().__init__(session, new_capture)
        self.bench_hands: Hands = Hands(session, controls, start, looks)

    def hands(self) -> Sequence[tuple[str, str]]:
        return self.bench_hands.shown(self.worked)
