"""A person at the bench who does what the walk says, without a screen and as fast as the bench can go."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from functools import lru_cache

from daq.bench import BenchSource
from daq.bench_rig import Truth
from daq.lead_check import NOT_DONE
from daq.offered_tests import Means, kind
from daq.readings import Lamp, Reading, Working
from daq.reasoning import Answer, Proposal, reason
from daq.samples import Bias, Block
from daq.source import Operate, SetBias
from daq.stillness import clock_s, look
from daq.trace import TraceRing
from daq.walk import Walk
from daq.walk_here import Effect, Phase
from daq.walk_moves import LAMP, LIGHT, Move, Stand

LEAST = 0.4
STEPS_MOST = 1000
RATE_HZ = 1000.0  # a quarter of the usual: levels are read, not edges
PLACES = {
    None: "on pin",
    "source": "on positive",
    "fuse": "at the fuse",
    "switch": "at the switch",
    "switch-far": "behind the switch",
    "ground-point": "at the ground point",
}


def found(truth: Truth, answer: Answer) -> float:
    """The chance that the answer gives what is really there, with what no test offered tells from it."""
    there = (truth.side, truth.control_lead, truth.fault, truth.place)
    alike = {e.where for group in answer.look_alikes if there in {e.where for e in group} for e in group}
    return sum(p for e, p in answer.candidates if e.where in {there, *alike})


@lru_cache(maxsize=256)
def answered(question: tuple[Reading, ...], means: Means) -> Answer:
    """The bench is the same in every run, so tests that walk the same way ask the same."""
    return reason(question, means=means)


def scripted(asked: Sequence[Reading]) -> Callable[..., Answer]:
    """In place of the reasoning: asks for those of these readings that are not taken yet."""

    def answer(given: Sequence[Reading], means: Means) -> Answer:
        left = [reading for reading in asked if kind(reading) not in map(kind, given)]
        test = Proposal("", "", 1.0, "", "", 1.0, left[0]) if left else None
        return Answer({"low": 0.5, "high": 0.5}, (), test, "" if test else "known", (), (), ())

    return answer


def held(then: Stand) -> dict[str, str]:
    """Where the test light, the jumper and the lamp are to be; a light that is held stays where it is."""
    jumper = f"{then.aid[1]} pin {then.aid[2]}" if then.aid[:1] == ("jumper",) else "away"
    lamp = "across the pins" if then.aid == LAMP else "away"
    light = {} if then.aid == LIGHT else {"light": "away"}
    return {**light, "jumper": jumper, "5 W lamp": lamp}


def cannot(
    move: Move, now: Stand, choices: Callable[[str], Collection[str]], refuses: Collection[str]
) -> bool:
    """Whether leave is refused, or the bench, with these `choices` of its controls, cannot do it."""
    to = move.then.state
    return (
        bool({move.asks, move.then.place, *move.then.aid[:1]} & set(refuses))
        or PLACES[move.then.place] not in choices("lead 1")
        or (to.key != now.state.key and not choices("key"))
        or (to.neighbour_off and not choices("neighbour"))
        or (to.control == "other" and "other" not in choices("control"))
    )


class Strider:
    """Walks on the bench `name`.

    Args:
        refuses: leave that is not given, places that cannot be reached.
        answer: in place of the reasoning, see `scripted`.
    """

    def __init__(
        self, name: str, refuses: frozenset[str] = frozenset(), answer: Callable[..., Answer] = answered
    ) -> None:
        self.source = BenchSource(name, RATE_HZ, speed=None)
        self.walk = Walk(Means(whisper=True, aids=True, eyes=True))
        self.doubts: list[str] = []
        self._refuses = refuses
        self._reason = answer
        self._items = iter(self.source)
        self._ring = TraceRing()
        self._bias = (Bias.WHISPER, Bias.WHISPER)
        self._obey(self.walk.begin(proven=True))

    @property
    def now_s(self) -> float:
        return clock_s(self._ring)

    def on_to(self, *phases: Phase) -> None:
        """Do what is asked until the walk is in one of these; insists on what is doubted."""
        for _ in range(STEPS_MOST):
            if self.walk.here.phase in phases:
                return
            self._wait(0.1)
            self._obey(self.walk.see(look(self._ring), self._bias, NOT_DONE))
            self._answer()
        raise AssertionError(f"it never ends: {self.walk.here}")

    def _answer(self) -> None:
        walk = self.walk
        if walk.question is not None:
            self._obey(walk.told(self._reason(walk.question, means=walk.means_now), self.now_s))
        elif walk.move is not None:
            self._do(walk.move)
        elif walk.here.phase is Phase.SAY:
            self._say()
        elif walk.doubt or walk.keeps_moving:
            self.doubts.append(walk.doubt)
            self._obey(walk.done(NOT_DONE, self.now_s))

    def _do(self, move: Move) -> None:
        controls = self.source.circuit.controls
        if cannot(move, self.walk.here.stand, lambda what: controls.get(what, ()), self._refuses):
            self._obey(self.walk.skip(NOT_DONE, self.now_s))
            return
        to, turn = move.then.state, self.turn
        turn("plug", "in" if to.plugged else "out")
        turn("control", to.control)
        turn("lead 1", PLACES[move.then.place])
        for aid, where in held(move.then).items():
            turn(aid, where)
        if to.key:
            turn("key", to.key)
        turn("neighbour", "off" if to.neighbour_off else self.source.circuit.start.get("neighbour", ""))
        self._wait(0.3)
        self._obey(self.walk.done(NOT_DONE, self.now_s))

    def _say(self) -> None:
        """How the test light looks that is held where it is asked for, or what the load does."""
        wanted = self.walk.here.wanted
        assert wanted is not None
        if isinstance(wanted.what, Lamp):
            self.turn("light", f"{wanted.what.pole} pin {wanted.what.lead}")
        self._wait(0.5)  # a filament is hot by then
        word = self.source.load
        if isinstance(wanted.what, Lamp):
            word = self.source.light
        elif isinstance(wanted.what, Working) and wanted.what.alone:
            word = self.source.load_alone
        self._obey(self.walk.say(word, self.now_s))

    def turn(self, what: str, to: str) -> None:
        """Where the bench has such a control."""
        if what in self.source.choices and self.source.choices[what] != to:
            self.source.command(Operate(what, to))
            self._wait(0.05)

    def _wait(self, seconds: float) -> None:
        until_s = self.now_s + seconds
        while self.now_s < until_s:
            item = next(self._items)
            if isinstance(item, Block):
                self._ring.push(item)
                self._bias = item.layout.bias

    def _obey(self, effects: list[Effect]) -> None:
        for effect in effects:
            if isinstance(effect, SetBias):
                self.source.command(effect)
