"""The bench screen: the live screen plus keys for the hands: control, plug, leads, reference, faults."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from pathlib import Path
from typing import ClassVar

from textual.binding import BindingType

from daq.errors import WhichsideError
from daq.session import Session
from daq.source import Operate
from tui import keys
from tui.keys import Key
from tui.live import LiveScreen

HANDS = (
    Key("x", "operate('control')", "control"),
    Key("u", "operate('plug')", "plug"),
    Key("1", "operate('lead 1')", "lead 1"),
    Key("2", "operate('lead 2')", "lead 2"),
    Key("3", "operate('reference')", "reference"),
    Key("y", "operate('key')", "key"),
    Key("j", "operate('neighbour')", "neighbour"),
    Key("z", "operate('fault')", "fault"),
)

Controls = Mapping[str, Collection[str]]


class BenchScreen(LiveScreen):
    """`controls` gives the choices of each control, `start` the one in force at first."""

    BINDINGS: ClassVar[list[BindingType]] = keys.bindings(HANDS)

    def __init__(
        self, session: Session, new_capture: Callable[[], Path], controls: Controls, start: Mapping[str, str]
    ) -> None:
        super().__init__(session, new_capture)
        self._controls = controls
        self._now = dict(start)

    def hands(self) -> Sequence[tuple[str, str]]:
        return [(key.cap, f"{key.label}: {self._now[key.label]}") for key in HANDS if key.label in self._now]

    def action_operate(self, what: str) -> None:
        choices = list(self._controls.get(what, ()))
        if not choices:
            return
        to = choices[(choices.index(self._now[what]) + 1) % len(choices)]
        try:
            self.session.command(Operate(what, to))
        except WhichsideError as error:
            self.notice(str(error))
            return
        self._now[what] = to
        self.pull(hurry=True)
