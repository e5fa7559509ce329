"""Hands at the simulated circuit: keys that move its control, plug, leads and faults."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from daq.session import Session
from daq.source import Operate
from tui.keys import Key

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


class Hands:
    """`controls` gives the choices of each control, `start` the one in force at first."""

    def __init__(self, session: Session, controls: Controls, start: Mapping[str, str]) -> None:
        self._session = session
        self._controls = controls
        self.now = dict(start)  # where each control stands

    def shown(self) -> Sequence[tuple[str, str]]:
        """Cap and label of each key, with where it stands."""
        return [(key.cap, f"{key.label}: {self.now[key.label]}") for key in HANDS if key.label in self.now]

    def choices(self, what: str) -> list[str]:
        return list(self._controls.get(what, ()))

    def move(self, what: str) -> None:
        """To the next choice; WhichsideError when the bench cannot."""
        choices = self.choices(what)
        if not choices:
            return
        to = choices[(choices.index(self.now[what]) + 1) % len(choices)]
        self._session.command(Operate(what, to))
        self.now[what] = to
