"""The walk alone, with looks and answers put in by hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from daq.lead_check import INSTRUCTIONS, NOT_DONE, SEAT
from daq.offered_tests import Means
from daq.readings import At, Levels, Reading, State, Working
from daq.reasoning import Answer, Proposal
from daq.samples import Bias
from daq.snapshot import LeadCheckView
from daq.stillness import Look
from daq.walk import Walk
from daq.walk_here import WHISPER, Effect
from tui.panels import Part

WHISPERED = ("whisper", "whisper")


def seen(one: float, two: float, at_s: float, spread: float = 0.05) -> Look:
    low, high = (one - spread, two - spread), (one + spread, two + spread)
    return Look(at_s - 0.5, at_s, (one, two), (one, two), (0.001, 0.001), low, high)


def reading(state: State, one: float, two: float, bias: tuple[str | None, str | None] = WHISPERED) -> Reading:
    return Reading(state, Levels((one, two), bias), logged=True)


def answer(asks: Reading | None) -> Answer:
    test = None if asks is None else Proposal("", "", 1.0, "", "", 1.0, asks)
    return Answer({}, (), test, "" if asks else "known", (), (), ())


def asks_leave(walk: Walk) -> str:
    return walk.move.asks if walk.move else ""


def words(parts: Sequence[Part]) -> str:
    return "".join(part if isinstance(part, str) else part[0] for part in parts)


def begun() -> Walk:
    walk = Walk(Means(whisper=True))
    assert walk.begin(proven=True) == [WHISPER]
    return walk


BOTH = (Bias.WHISPER, Bias.WHISPER)
SEATING = LeadCheckView(SEAT, INSTRUCTIONS[SEAT], (), True, 12.6)


OUT = State(plugged=False)
JUMPER = Reading(State(control="on"), Levels((0.0, 0.0), jumper=("positive", 1)))
LOAD = Reading(State(control="on"), Working("works"))
ALONE = Reading(OUT, Working("works", alone=True))
LAMP = Reading(OUT, Levels((0.0, 0.0), substitute=True))


def asked(*wanted: Reading, source_v: float | None = None) -> Walk:
    """The walk after its first reading and all of these but the last, which is asked for."""
    walk = begun()
    if source_v is not None:
        walk.here = replace(walk.here, taken=(Reading(State(), At("source", source_v), logged=True),))
    walk.done(NOT_DONE, 0.0)
    taken(walk, 12.6, 12.6, 0.0)
    for n, reading in enumerate(wanted, 1):
        walk.told(answer(reading), 10.0 * n)
        if n < len(wanted):
            while walk.move is not None:
                walk.done(NOT_DONE, 10.0 * n)
            taken(walk, 12.6, 0.0, 10.0 * n)
    return walk


def taken(walk: Walk, one: float, two: float, at_s: float) -> list[Effect]:
    """Stand still long enough for a reading, with whatever bias the walk wants; what it then wants."""
    effects: list[Effect] = []
    for n in range(1, 4):
        bias = (walk.bias_wanted.lead1, walk.bias_wanted.lead2)
        effects += walk.see(seen(one, two, at_s + 0.6 * n), bias, NOT_DONE)
    return effects


def words_of(walk: Walk) -> list[str]:
    return [move.do for move in walk.here.moves]
