"""Hands at the simulated circuit: keys that move its control, plug, leads and faults."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import ClassVar, Protocol

from textual.binding import BindingType

from daq.errors import WhichsideError
from daq.session import Session
from daq.source import Operate
from tui import keys
from tui.keys import Key
from tui.log_keys import LogKeys

CIRCUIT = (
    Key("x", "operate('control')", "control"),
    Key("u", "operate('plug')", "plug"),
    Key("y", "operate('key')", "key"),
    Key("j", "operate('neighbour')", "neighbour"),
    Key("z", "operate('fault')", "fault"),
)
CLIPS = (
    Key("1", "operate('lead 1')", "lead 1"),
    Key("2", "operate('lead 2')", "lead 2"),
    Key("3", "operate('reference')", "reference"),
    Key("4", "operate('light')", "light"),
)
HANDS = (*CIRCUIT, *CLIPS)
AIDS = (
    Key("5", "operate('jumper')", "jumper"),
    Key("6", "operate('5 W lamp')", "5 W lamp"),
)
"""What the walk asks for."""

AT_REST = {
    **dict.fromkeys(("lead 1", "lead 2"), "on pin"),
    "reference": "on",
    **dict.fromkeys(("light", "jumper", "5 W lamp"), "away"),
}
"""What is not worth a word: clips where they belong."""

Controls = Mapping[str, Collection[str]]


class Looks(Protocol):
    """What is seen or heard at the bench."""

    @property
    def light(self) -> str:
        """How the test light looks, "" while it is away."""

    @property
    def load(self) -> str:
        """What the load does: "works", "weak", "dead"."""

    @property
    def load_alone(self) -> str:
        """What it would do unplugged, fed straight from the battery."""


class Hands:
    """`controls` gives the choices of each control, `start` the one in force at first; `looks` what one sees
    there, None where nobody looks."""

    def __init__(
        self, session: Session, controls: Controls, start: Mapping[str, str], looks: Looks | None = None
    ) -> None:
        self._session = session
        self._controls = controls
        self._looks = looks
        self.now = dict(start)  # where each control stands

    def shown(self, worked: Sequence[Key]) -> Sequence[tuple[str, str]]:
        """Cap and label of each key that is `worked`, where it stands, how the light looks."""
        stands = {what: what if AT_REST.get(what) == to else f"{what}: {to}" for what, to in self.now.items()}
        if self._looks is not None and self._looks.light:
            stands["light"] += f", {self._looks.light}"
        return [(key.cap, stands[key.label]) for key in worked if key.label in stands]

    def load(self, alone: bool = False) -> str:
        """What the load is seen or heard to do; "" where nobody looks."""
        if self._looks is None:
            return ""
        return self._looks.load_alone if alone else self._looks.load

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


class CircuitKeys(LogKeys):
    """For screens on which a bench's circuit is worked; without `bench_hands` their keys do nothing."""

    BINDINGS: ClassVar[list[BindingType]] = keys.bindings(CIRCUIT)
    bench_hands: Hands | None = None
    worked: ClassVar[Sequence[Key]] = CIRCUIT

    def pull(self, hurry: bool = False) -> None:
        """Show what the hands did."""
        raise AssertionError("the screen shows it")

    def hands(self) -> Sequence[tuple[str, str]]:
        """Cap and label of their keys, to be shown first."""
        return self.bench_hands.shown(self.worked) if self.bench_hands else ()

    def action_operate(self, what: str) -> None:
        if self.bench_hands is None:
            return
        try:
            self.bench_hands.move(what)
        except WhichsideError as error:
            self.notice(str(error))
            return
        self.pull(hurry=True)


class HandKeys(CircuitKeys):
    """For screens on which the leads, too, are moved."""

    BINDINGS: ClassVar[list[BindingType]] = keys.bindings(CLIPS)
    worked: ClassVar[Sequence[Key]] = HANDS
