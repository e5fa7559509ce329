"""The real bench, pipeline and capture file behind the screens: measured, recorded, replayed."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from daq.bench import BenchSource
from daq.capture import CaptureSource, CaptureWriter
from daq.errors import InputError
from daq.findings import Findings, Side, to_json
from daq.pipeline import Pipeline
from daq.recordings_in import analyse
from daq.session import Session
from tests.tui.stage import on_stage, tap, text, until
from tui.bench import BenchScreen
from tui.entry import run_live, run_review
from tui.review import ReviewScreen

SPEED = 8.0


async def _measure(path: Path) -> Findings:
    """Cycle the bench's lamp from the keyboard until the verdict stands, recording from midway."""
    source = BenchSource("trailer-lamp", speed=SPEED)
    session = Session(source, Pipeline(), CaptureWriter).start()
    circuit = source.circuit
    async with on_stage(BenchScreen(session, lambda: path, circuit.controls, circuit.start)) as pilot:
        for _ in range(6):
            await tap(pilot, "x")
            await asyncio.sleep(1.0 / SPEED)
        await tap(pilot, "r")
        await until(pilot, lambda: "● REC" in text(pilot.app))
        await tap(pilot, "p", "x")
        await asyncio.sleep(1.0 / SPEED)
        await until(pilot, lambda: session.latest.judgement.side is Side.LOW)
        await until(pilot, lambda: "control wire: lead 2, feed: lead 1" in text(pilot.app))
        await tap(pilot, "q", "q")
    assert session.findings is not None
    assert session.recording.saved == path
    return session.findings


async def test_what_was_on_screen_is_what_the_capture_replays_to(tmp_path: Path) -> None:
    path = tmp_path / "run.whichside"
    live = to_json(await _measure(path), "")
    assert to_json(analyse(CaptureSource(path)), "") == live, "recorded from the beginning of the run"

    from tui.entry import _replay_screen

    screen: ReviewScreen = _replay_screen(path, None, 0.0)
    async with on_stage(screen) as pilot:
        screen.replay.set_speed(100.0)
        await until(pilot, lambda: screen.session.findings)
        await until(pilot, lambda: "FINDINGS" in text(pilot.app))
        assert "verdict GROUND SIDE" in text(pilot.app)
    assert screen.session.findings is not None
    assert to_json(screen.session.findings, "") == live


def test_a_capture_that_cannot_be_opened_is_refused_before_any_screen(tmp_path: Path) -> None:
    (tmp_path / "not.whichside").write_text("not a capture")
    with pytest.raises(InputError):
        run_review(tmp_path / "not.whichside")


def test_a_recording_that_cannot_be_made_is_refused_before_any_screen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken = tmp_path / "taken.whichside"
    taken.write_text("somebody's")
    assert run_live(BenchSource("trailer-lamp"), out=taken) == 1
    assert "exists already" in capsys.readouterr().err
    assert taken.read_text() == "somebody's"
