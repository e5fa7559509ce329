"""Practice: nothing is told before the learner has answered, everything afterwards."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from daq.bench import BenchSource, benches
from daq.bench_rig import BenchCircuit
from daq.findings import Side
from daq.pipeline import Pipeline
from daq.practice import FAULTS, NO_FAULT, Answer, drawn, fault_of, lines, marked, score
from daq.session import Session
from tests.tui.stage import LARGE, SMALL, on_stage, tap, text, until
from tests.tui.stage import lines as lines_of
from tui.practice import KEPT, AnswerScreen, PracticeScreen, ToldScreen, UntoldDetails

HEALTHY = next(
    b for b in benches() if b.truth.fault == "none" and b.truth.side == "low" and "key" not in b.controls
)


@asynccontextmanager
async def practising(
    circuit: BenchCircuit, size: tuple[int, int] = SMALL
) -> AsyncIterator[tuple[PracticeScreen, Pilot[Any]]]:
    session = Session(BenchSource(circuit.name), Pipeline("switching")).start()
    screen = PracticeScreen(session, lambda: Path("never"), circuit)
    async with on_stage(screen, size) as pilot:
        yield screen, pilot


def test_every_circuit_can_be_answered_rightly() -> None:
    for circuit in benches():
        truth = circuit.truth
        assert fault_of(truth) in FAULTS, circuit.name
        right = Answer(Side(truth.side), truth.control_lead, fault_of(truth))
        assert all(mark.right for mark in marked(right, truth)), circuit.name


def test_what_is_wrong_is_said_with_what_is_right() -> None:
    truth = HEALTHY.truth
    other = Side.LOW if truth.side == "high" else Side.HIGH
    marks = marked(Answer(other, truth.control_lead, NO_FAULT), truth)
    assert [mark.right for mark in marks] == [False, True, True]
    said = lines(marks, truth)
    assert said[0].startswith("switched: you said ")
    assert said[1].endswith(", right")
    assert "switched between" in said[-1]


def test_all_that_was_asked_is_scored() -> None:
    """Three questions: a fault that was not found is no full score."""
    truth = next(b.truth for b in benches() if b.name == "gate-lamp")
    said = score(marked(Answer(Side.LOW, truth.control_lead, NO_FAULT), truth))
    assert said == (
        "2 of 3 right: it is ground side; control wire: lead 2; wrong with it: feed wire high resistance"
    )


def test_a_seed_gives_one_circuit_and_seeds_give_many() -> None:
    assert len({drawn(benches(), seed).name for seed in range(40)}) > 10
    assert drawn(benches(), 7) is drawn(benches(), 7)


@pytest.mark.parametrize("size", [SMALL, LARGE])
async def test_nothing_is_told_until_answered(size: tuple[int, int]) -> None:
    async with practising(HEALTHY, size) as (screen, pilot):
        for _ in range(2):
            await tap(pilot, "x")
            await until(pilot, lambda: screen.session.latest.edge_count % 2 == 1)
            await tap(pilot, "x")
            await until(pilot, lambda: screen.session.latest.edge_count % 2 == 0)
        await until(pilot, lambda: screen.session.latest.judgement.side is not Side.UNDETERMINED)
        shown = text(pilot.app)
        assert "Enter your answer" in shown
        assert "The verdict is kept back" in shown
        for telling in ("GROUND SIDE", "POSITIVE SIDE", "% sure", "a drive", "s walk the wire"):
            assert telling not in shown, telling
        assert "events kept back until you have answered" in shown
        for key, name in (("a", "drive and catch"), ("s", "walk the wire")):
            await tap(pilot, key)
            assert pilot.app.screen is screen
            why = f"{name} would tell it: first your answer (Enter)"
            await until(pilot, lambda why=why: why in text(pilot.app))  # type: ignore[misc]

        await tap(pilot, "d")
        await until(pilot, lambda: "DETAILS" in text(pilot.app) and "source, 12." in text(pilot.app))
        assert isinstance(pilot.app.screen, UntoldDetails)
        assert f"verdict {KEPT}" in text(pilot.app)
        assert ("events", KEPT) in pilot.app.screen._facts
        for telling in ("GROUND SIDE", "POSITIVE SIDE", "% sure", "could be", "control wire"):
            assert telling not in text(pilot.app), telling
        await tap(pilot, "escape")

        await tap(pilot, "enter")
        await until(pilot, lambda: isinstance(pilot.app.screen, AnswerScreen))
        await until(pilot, lambda: "Which side is switched?" in text(pilot.app))
        await tap(pilot, "enter")  # the ground side is the first
        await until(pilot, lambda: "Which lead is on the control wire?" in text(pilot.app))
        await tap(pilot, *["down"] * (HEALTHY.truth.control_lead == 2), "enter")
        await until(pilot, lambda: "What is wrong with it?" in text(pilot.app))
        await until(pilot, lambda: readings_in_sight(pilot))
        await tap(pilot, "enter")
        await until(pilot, lambda: isinstance(pilot.app.screen, ToldScreen))
        await until(pilot, lambda: text(pilot.app).count(", right") >= 3)
        await until(pilot, lambda: readings_in_sight(pilot))
        await tap(pilot, "enter")
        await until(pilot, lambda: "% sure" in text(pilot.app))
        assert "Enter your answer" not in text(pilot.app)
        truth = HEALTHY.truth
        score = f"3 of 3 right: it is ground side; control wire: lead {truth.control_lead}; wrong with it:"
        shown = " ".join(text(pilot.app).split())
        assert f"{score} {NO_FAULT}; q, then whichside practice" in shown


def readings_in_sight(pilot: Pilot[Any]) -> bool:
    """Both leads with their volts and state words, the whole lane of each."""
    shown = text(pilot.app)
    lanes = sum("▕" in line for line in lines_of(pilot.app))
    return lanes >= 6 and "LEAD 1" in shown and "LEAD 2" in shown and shown.count("AT SOURCE") == 2


async def test_not_yet_goes_back_to_measuring() -> None:
    async with practising(HEALTHY) as (screen, pilot):
        await tap(pilot, "enter")
        await until(pilot, lambda: isinstance(pilot.app.screen, AnswerScreen))
        await tap(pilot, "enter", "escape")
        await until(pilot, lambda: pilot.app.screen is screen)
        assert screen.answered is None


def test_without_a_terminal_it_says_what_to_do() -> None:
    command = [sys.executable, "-m", "daq", "practice"]
    done = subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False)
    assert (done.returncode, done.stdout) == (2, "")
    assert "--bench NAME --plain" in done.stderr
