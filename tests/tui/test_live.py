"""The live screen: what each key puts into the log, and what the screen answers."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from itertools import count
from pathlib import Path
from unittest.mock import patch

from daq.errors import DeviceError, WorkError
from daq.lead_check import INSTRUCTIONS, SEAT
from daq.samples import Bias, ChangeKind
from daq.snapshot import LeadCheckView
from daq.source import Capability, Operate, SetBias
from tests.session.test_session import DyingSource, Shelf
from tests.tui.scenes import NOT_YET, ListSource, StagePipeline, snapshot, switched
from tests.tui.stage import (
    CONTROLS,
    LARGE,
    START,
    a_run,
    lines,
    on_stage,
    shows_big,
    tap,
    text,
    until,
)
from tui import live
from tui.bench import BenchScreen
from tui.dashboard import Dashboard
from tui.terminal import Bell


async def test_marks_plug_expectation_and_note_go_into_the_log() -> None:
    with a_run() as run:
        async with on_stage(run.screen()) as pilot:
            await tap(pilot, "o", "f", "g", "p", "e", "n")
            await tap(pilot, *"q me", "enter")
            await until(pilot, lambda: len(run.told) == 6)
    assert run.told == [
        (ChangeKind.MARK, "on"),
        (ChangeKind.MARK, "off"),
        (ChangeKind.MARK, "other"),
        (ChangeKind.PLUG, "out"),
        (ChangeKind.EXPECT, "steady"),
        (ChangeKind.NOTE, "q me"),
    ]


async def test_an_escaped_note_is_none_and_keys_are_letters_there() -> None:
    with a_run() as run:
        async with on_stage(run.screen()) as pilot:
            await tap(pilot, "n", "q", "o", "escape")
            await until(pilot, lambda: isinstance(pilot.app.screen, Dashboard))
            await tap(pilot, "o")
            await until(pilot, lambda: run.told)
            assert isinstance(pilot.app.screen, Dashboard)
    assert run.told == [(ChangeKind.MARK, "on")]


async def test_a_key_is_answered() -> None:
    with a_run() as run:
        async with on_stage(run.screen()) as pilot:
            await tap(pilot, "o")
            await until(pilot, lambda: "marked: switched on at " in text(pilot.app))
            await tap(pilot, "p")
            await until(
                pilot, lambda: "now unplug, circuit off; leads stay on the harness" in text(pilot.app)
            )
            await until(pilot, lambda: "held while unplugged · control wire: lead 2" in text(pilot.app))
            assert "next: unplugged: the verdict is held, nothing is judged." in text(pilot.app)
            assert shows_big(lines(pilot.app), "GROUND SIDE")
            await tap(pilot, "p")
            await until(pilot, lambda: "noted: plugged in; judging goes on" in text(pilot.app))
            await until(pilot, lambda: "held" not in text(pilot.app))


async def test_clearing_asks_twice() -> None:
    with a_run() as run:
        async with on_stage(run.screen()) as pilot:
            await tap(pilot, "c")
            await until(pilot, lambda: "press c again to clear the evidence" in text(pilot.app))
            await tap(pilot, "o", "c")
            await until(pilot, lambda: len(run.told) == 2)
    assert run.told == [(ChangeKind.MARK, "on"), (ChangeKind.CLEAR, "")]


async def test_the_lead_check_leads_through_its_steps_and_never_blocks() -> None:
    def at(step: int, results: tuple[str, ...] = (), passed: bool | None = None) -> LeadCheckView:
        return LeadCheckView(step, INSTRUCTIONS[step], results, passed, None)

    undecided = replace(snapshot(), judgement=NOT_YET)
    with a_run(StagePipeline(undecided)) as run:
        async with on_stage(run.screen()) as pilot:
            app = pilot.app
            assert "first: l starts the lead check" in text(app)
            await tap(pilot, "l")
            await until(pilot, lambda: shows_big(lines(app), "LEAD CHECK"))
            for step in (1, 2, 3):
                results = tuple(f"Lead {n} reads 12.61 V on battery positive, steady: pass." for n in (1, 2))
                run.pipeline.stage = replace(undecided, lead_check=at(step, results[: step - 1]))
                for fact in (f"step {step} of 3", f"now: {INSTRUCTIONS[step]}", *results[: step - 1]):
                    await until(pilot, lambda fact=fact: fact in text(app))  # type: ignore[misc]
                assert ("k wiggled" if step == 3 else "k skip") in text(app)
            await tap(pilot, "k", "o")
            await until(pilot, lambda: len(run.told) == 3)
            run.pipeline.stage = replace(undecided, lead_check=at(SEAT, ("All pass.",), True))
            await until(pilot, lambda: shows_big(lines(app), "SEAT LEADS"))
            assert "k seated" in text(app)
            await tap(pilot, "k")
            await until(pilot, lambda: len(run.told) == 4)
            proven = replace(undecided, reference_proven=True, lead_check=at(0, ("All pass.",), True))
            run.pipeline.stage = proven
            await until(pilot, lambda: "reference proven" in text(app))
    assert run.told == [
        (ChangeKind.LEAD_CHECK, "start"),
        (ChangeKind.LEAD_CHECK, "wiggled"),
        (ChangeKind.MARK, "on"),
        (ChangeKind.CLEAR, ""),
    ]


async def test_leads_are_not_seated_by_a_key_meant_for_the_wiggling_nor_while_on_battery_positive() -> None:
    ended = LeadCheckView(SEAT, INSTRUCTIONS[SEAT], ("Fail: move the clip.",), False, 12.6, (1, 2), True)
    with a_run(StagePipeline(replace(snapshot(), lead_check=ended))) as run:
        async with on_stage(run.screen()) as pilot:
            app = pilot.app
            await tap(pilot, "k", "k")
            await until(pilot, lambda: "not taken: the check has just ended by itself" in text(app))
            assert run.told == []
            run.pipeline.stage = replace(snapshot(), lead_check=replace(ended, just_failed=False))
            await until(pilot, lambda: not run.session.latest.lead_check.just_failed)
            await tap(pilot, "k")
            await until(pilot, lambda: "Both leads read as on battery positive (12.6 V), and" in text(app))
            assert "k again if so" in text(app)
            assert run.told == []
            await tap(pilot, "k")
            await until(pilot, lambda: run.told == [(ChangeKind.CLEAR, "")])


async def test_timed_prompts_ring_say_and_mark() -> None:
    now, rings, ages = [1000.0], list[float](), count()
    with a_run() as run, patch.object(live, "monotonic", lambda: now[0]):
        screen = run.screen()
        async with on_stage(screen) as pilot:
            screen.bell = Bell(lambda: rings.append(now[0]), clock=lambda: next(ages))
            await tap(pilot, "t")
            await until(pilot, lambda: shows_big(lines(pilot.app), "GET READY"))
            await until(pilot, lambda: "keep clear of what it can move" in text(pilot.app))
            assert "get ready now, hold for 4 s" in text(pilot.app)
            for at, word in ((4.1, "SWITCH ON"), (7.1, "SWITCH OFF")):
                now[0] = 1000.0 + at
                await until(pilot, lambda word=word: shows_big(lines(pilot.app), word))  # type: ignore[misc]
            await until(pilot, lambda: len(rings) == 3)
            await tap(pilot, "t")
            await until(pilot, lambda: shows_big(lines(pilot.app), "GROUND SIDE"))
            await until(pilot, lambda: len(run.told) == 2)
    assert run.told == [(ChangeKind.MARK, "on"), (ChangeKind.MARK, "off")]
    assert len(rings) == 3, "one for on, two for off"


async def test_pause_holds_the_picture_and_not_the_run() -> None:
    with a_run() as run:
        async with on_stage(run.screen()) as pilot:
            await tap(pilot, "space")
            run.pipeline.stage = replace(snapshot(), plug="out")
            await until(pilot, lambda: run.session.latest.plug == "out")
            assert "PAUSED" in text(pilot.app)
            assert "the picture is held, measuring goes on" in text(pilot.app)
            await asyncio.sleep(0.2)
            assert "plugged in" in text(pilot.app)
            await tap(pilot, "space")
            await until(pilot, lambda: "unplugged" in text(pilot.app))
            assert "PAUSED" not in text(pilot.app)


async def test_recording_starts_stops_and_is_guarded_against_quitting() -> None:
    shelf = Shelf()
    with a_run(open_recorder=shelf) as run:
        async with on_stage(run.screen()) as pilot:
            await tap(pilot, "r")
            await until(pilot, lambda: "● REC" in text(pilot.app))
            await tap(pilot, "q")
            await until(pilot, lambda: "still recording: press q again to stop and save" in text(pilot.app))
            await tap(pilot, "r")
            await until(pilot, lambda: run.session.recording.saved)
            await until(pilot, lambda: "not recording" in text(pilot.app))
            await tap(pilot, "r")
            await until(pilot, lambda: run.session.recording.path == Path("run-2.whichside"))
            await tap(pilot, "q", "q")
    assert [note.closed for note in shelf.made] == [1, 1]
    assert run.session.recording.saved == Path("run-2.whichside")


async def test_trouble_is_said_and_stays() -> None:
    with a_run(open_recorder=Shelf(fail_at=5)) as run:
        async with on_stage(run.screen()) as pilot:
            await tap(pilot, "r")
            message = "The disk is full: what was recorded so far is kept."
            await until(pilot, lambda: message in text(pilot.app))
            await asyncio.sleep(0.3)
            assert message in text(pilot.app)
    assert isinstance(run.session.recording.error, WorkError)


async def test_a_lost_logger_is_said_and_the_verdict_stays() -> None:
    lost = "The logger went away and did not come back within 60 s: plug it in and start again."
    with a_run(source=DyingSource(DeviceError(lost))) as run:
        async with on_stage(run.screen()) as pilot:
            await until(pilot, lambda: lost in text(pilot.app))
            assert "ENDED" in text(pilot.app)
            assert shows_big(lines(pilot.app), "GROUND SIDE")
            await tap(pilot, "o")
            await pilot.pause()


async def test_a_slow_terminal_is_not_fed_faster_than_it_writes() -> None:
    class Busy:
        def __init__(self) -> None:
            self._queue = self
            self.waiting = True

        def empty(self) -> bool:
            return not self.waiting

    with a_run() as run:
        screen = run.screen()
        async with on_stage(screen) as pilot:
            writer = Busy()
            pilot.app._driver._writer_thread = writer  # type: ignore[union-attr]
            run.pipeline.stage = replace(snapshot(), edge_count=777)
            run.session.change(ChangeKind.MARK, "on")
            await until(pilot, lambda: run.session.latest.edge_count == 777)
            await asyncio.sleep(0.3)
            assert screen.frames_skipped >= 2
            assert "edges 777" not in text(pilot.app)
            writer.waiting = False
            await until(pilot, lambda: "edges 777" in text(pilot.app))


async def test_the_bench_is_worked_from_the_keyboard() -> None:
    with a_run(source=ListSource(switched(0.2), capabilities=frozenset(Capability))) as run:
        screen = BenchScreen(run.session, run.new_capture, CONTROLS, START)
        async with on_stage(screen) as pilot:
            await tap(pilot, "x", "x", "u", "1", "2", "3", "y", "z")
            await until(pilot, lambda: "u plug: out" in text(pilot.app))
    assert run.source.commands == [
        Operate("control", "on"),
        Operate("control", "off"),
        Operate("plug", "out"),
        Operate("lead 1", "off pin"),
        Operate("lead 2", "off pin"),
        Operate("reference", "off"),
    ]


BOTH = frozenset({Capability.BIAS, Capability.WHISPER})


async def test_strong_bias_only_unplugged_and_gone_when_plugged_in() -> None:
    off, whisper = SetBias(Bias.OFF, Bias.OFF), SetBias(Bias.WHISPER, Bias.WHISPER)
    with a_run(source=ListSource(switched(0.2), capabilities=BOTH)) as run:
        async with on_stage(run.screen()) as pilot:
            for shown in ("whisper", "off", "whisper"):
                await tap(pilot, "i")
                await until(pilot, lambda shown=shown: f"i bias: {shown}" in text(pilot.app))  # type: ignore[misc]
            await tap(pilot, "p")
            await until(pilot, lambda: run.session.latest.plug == "out")
            await tap(pilot, "i")
            await until(pilot, lambda: "i bias: off" in text(pilot.app))
            await tap(pilot, "i")
            await until(pilot, lambda: "bias up on lead 1: stand clear" in text(pilot.app))
            await tap(pilot, "p")  # at once, before the logger may have confirmed it
            await until(pilot, lambda: run.session.latest.plug == "in")
            await until(pilot, lambda: "i bias: whisper" in text(pilot.app))
    assert run.source.commands == [whisper, off, whisper, off, SetBias(Bias.UP, Bias.OFF), whisper]


async def test_without_a_bias_there_is_no_key_for_it() -> None:
    with a_run() as run:
        async with on_stage(run.screen()) as pilot:
            await tap(pilot, "i")
            assert "bias" not in text(pilot.app)
    assert run.source.commands == []


async def test_details_and_help_open_and_close() -> None:
    with a_run() as run:
        screen = run.screen()
        async with on_stage(screen, LARGE) as pilot:
            for key, words in (("d", "DETAILS at 12.345 s"), ("h", "CAUTIONS")):
                await tap(pilot, key)
                await until(pilot, lambda words=words: words in text(pilot.app))  # type: ignore[misc]
                if key == "d":
                    assert "ground dropout: The ground-side lead rose to source" in text(pilot.app)
                await tap(pilot, "escape")
                await until(pilot, lambda: pilot.app.screen is screen)
            await tap(pilot, "m")
            await until(pilot, lambda: "m 20 s wide" in text(pilot.app))
