"""A person at the bench who does what the walk says, with the keys of the screen."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path

import pytest
from textual.pilot import Pilot

from daq.bench import BenchSource
from daq.pipeline import Pipeline
from daq.readings import Lamp, Reading, Working
from daq.samples import Bias
from daq.session import Session
from daq.stillness import clock_s
from daq.walk_here import Phase
from daq.walk_moves import Move, named
from tests.tui.stage import SMALL, on_stage, tap, text, until
from tests.walk.strider import PLACES, cannot, held, scripted
from tui.bench import BenchScreen
from tui.hands import AIDS, HANDS, Hands
from tui.keys import WALK_LIGHT, WALK_LOAD
from tui.walk import WalkScreen

SPEED = 20.0
RATE_HZ = 1000.0  # a quarter of the usual: levels are read, not edges
LONG = 3000  # tries of `until`: a loaded machine reasons slowly
CAPS = {key.label: key.cap for key in (*HANDS, *AIDS)}


class Person:
    """`screen` is worked by keys alone."""

    def __init__(self, pilot: Pilot[None], screen: WalkScreen, session: Session) -> None:
        self.pilot, self.screen, self.session = pilot, screen, session
        assert screen.bench_hands is not None
        self.hands: Hands = screen.bench_hands
        assert isinstance(session.source, BenchSource)
        self.source = session.source
        self._started = dict(self.hands.now)
        self.refuses: set[str] = set()  # what leave is not given for
        self.lights: list[str] = []  # what was said of the test light

    @property
    def phase(self) -> Phase:
        return self.screen.walk.here.phase

    @property
    def taken(self) -> int:
        here = self.screen.walk.here
        return len(here.after if here.repaired else here.taken)

    async def turn(self, what: str, to: str) -> None:
        """Press the key of a control until it stands there."""
        for _ in range(8):
            if self.hands.now[what] == to:
                return
            before = self.hands.now[what]
            await tap(self.pilot, CAPS[what])
            await until(self.pilot, partial(self._turned, what, before), LONG)
        raise AssertionError(f"{what} cannot go to {to}")

    async def obey(self) -> None:
        """Do the one thing that is asked for now, and say so."""
        move = self.screen.walk.move
        assert move is not None
        if cannot(move, self.screen.walk.here.stand, self.hands.choices, self.refuses):
            await tap(self.pilot, "s")
            return
        to = move.then.state
        await self.turn("plug", "in" if to.plugged else "out")
        await self.turn("control", to.control)
        for aid, where in held(move.then).items():
            await self.turn(aid, where)
        await self.turn("lead 1", PLACES[move.then.place])
        if to.key and "key" in self.hands.now:
            await self.turn("key", to.key)
        if "neighbour" in self.hands.now:
            await self.turn("neighbour", "off" if to.neighbour_off else self._started["neighbour"])
        await self.settle()
        await tap(self.pilot, "enter")

    async def settle(self) -> None:
        """Read what is asked for before the key is pressed: it does nothing right after a step by itself."""
        await until(self.pilot, lambda: not self.screen.went_alone, LONG)

    async def say(self) -> None:
        """What the load does; or hold the test light where it is asked for, and say how it looks."""
        wanted = self.screen.walk.here.wanted
        assert wanted is not None
        if not isinstance(wanted.what, Lamp):
            alone = isinstance(wanted.what, Working) and wanted.what.alone
            word = self.source.load_alone if alone else self.source.load
            await tap(self.pilot, {key.label: key.cap for key in WALK_LOAD}[word])
            await until(self.pilot, lambda: self.phase is not Phase.SAY, LONG)
            return
        await self.turn("light", f"{wanted.what.pole} pin {wanted.what.lead}")
        since_s = self.now_s
        await until(self.pilot, lambda: self.now_s > since_s + 0.5, LONG)  # a filament is hot by then
        looks = self.source.light
        await until(self.pilot, lambda: f"light: {self.hands.now['light']}, {looks}" in text(self.pilot.app))
        self.lights.append(f"{named(wanted)}: {looks}")
        await tap(self.pilot, {key.label: key.cap for key in WALK_LIGHT}[looks])
        await until(self.pilot, lambda: self.phase is not Phase.SAY, LONG)

    @property
    def now_s(self) -> float:
        """On the bench's own clock."""
        return self.session.trace(clock_s)

    async def on_to(self, *phases: Phase) -> list[str]:
        """Obey until the walk is in one of these; insists on what is doubted. The doubts met."""
        doubts: list[str] = []
        stood, tries = None, 0
        while self.phase not in phases:
            move, taken = self.screen.walk.move, self.taken
            tries = tries + 1 if stood == (self.phase, taken) else 0
            stood = (self.phase, taken)
            assert tries < LONG, text(self.pilot.app)
            if move is not None:
                await self.obey()
                await until(self.pilot, partial(self._left, move), LONG)
                continue
            if self.phase is Phase.SAY:
                await self.say()
            if self.screen.walk.doubt:
                doubts.append(self.screen.walk.doubt)
                await tap(self.pilot, "enter")
                await until(self.pilot, partial(self._took, taken), LONG)
            await asyncio.sleep(0.02)
        await until(self.pilot, lambda: "working out" not in text(self.pilot.app))
        return doubts

    def _turned(self, what: str, before: str) -> bool:
        return self.hands.now[what] != before

    def _left(self, move: Move) -> bool:
        return self.screen.walk.move is not move

    def _took(self, before: int) -> bool:
        return self.taken != before or self.phase is not Phase.READ

    def asks_to(self, words: str) -> bool:
        move = self.screen.walk.move
        return move is not None and move.do.startswith(words)

    async def one_step(self) -> None:
        """Obey once, if something is to be done, and let the tool do its own."""
        move = self.screen.walk.move
        if move is not None:
            await self.obey()
            await until(self.pilot, partial(self._left, move), LONG)
        await asyncio.sleep(0.02)


def strong_bias(person: Person) -> bool:
    return bool({Bias.UP, Bias.DOWN} & set(person.session.latest.bias))


def _at_step(session: Session, step: int) -> bool:
    return session.latest.lead_check.step == step


@asynccontextmanager
async def walking(
    name: str, size: tuple[int, int] = SMALL, proven: bool = True, asked: Sequence[Reading] | None = None
) -> AsyncIterator[tuple[Pilot[None], Person]]:
    """The walk on a bench, reached from the dashboard by its key; the lead check is gone past.

    `asked`: readings to be asked for in place of what the reasoning would ask, where that is not the matter.
    """
    with pytest.MonkeyPatch.context() as patch:
        if asked is not None:
            patch.setattr("tui.walk.reason", scripted(asked))
        async with _walking(name, size, proven) as both:
            yield both


@asynccontextmanager
async def _walking(
    name: str, size: tuple[int, int], proven: bool
) -> AsyncIterator[tuple[Pilot[None], Person]]:
    source = BenchSource(name, RATE_HZ, speed=SPEED)
    session = Session(source, Pipeline()).start()
    circuit = source.circuit
    screen = BenchScreen(session, lambda: Path("run.whichside"), circuit.controls, circuit.start, source)
    try:
        async with on_stage(screen, size) as pilot:
            await tap(pilot, "s")
            await until(pilot, lambda: isinstance(pilot.app.screen, WalkScreen))
            walk = pilot.app.screen
            assert isinstance(walk, WalkScreen)
            person = Person(pilot, walk, session)
            if proven:
                for step in (1, 2, 3):
                    await until(pilot, partial(_at_step, session, step))
                    await tap(pilot, "s")
                await until(pilot, lambda: session.latest.lead_check.step == 4)
                await tap(pilot, "enter")
                await until(pilot, lambda: person.phase is Phase.MOVE)
            yield pilot, person
    finally:
        session.close()
