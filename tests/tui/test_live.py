"""The live screen: what is on it at 80x24 and 120x40, and what each key puts into the log."""

from __future__ import annotations

from dataclasses import replace
from itertools import count
from pathlib import Path
from unittest.mock import patch

import pytest

from daq.errors import DeviceError, WorkError
from daq.findings import EventKind, Judgement, NextTest, Side
from daq.lead_check import INSTRUCTIONS, SEAT
from daq.samples import Bias, ChangeKind, DeviceInfo
from daq.snapshot import LeadCheckView, LeadView, Losses, StateWord
from daq.source import Capability, Operate, SetBias
from tests.session.test_session import DyingSource, Shelf
from tests.tui.scenes import GROUND_SIDE, NOT_YET, ListSource, StagePipeline, snapshot, switched
from tests.tui.stage import LARGE, SMALL, a_run, lines, on_stage, segments, text, until
from tui import live, themes
from tui.bench import HANDS, BenchScreen
from tui.dashboard import Dashboard
from tui.keys import COMMON, LIVE
from tui.letters import big
from tui.terminal import Bell

CONTROLS = {
    "control": ("on", "off"),
    "plug": ("in", "out"),
    "lead 1": ("on pin", "off pin", "on positive", "on negative"),
    "lead 2": ("on pin", "off pin", "on positive", "on negative"),
    "reference": ("on", "off", "wiggle"),
}
START = {"control": "off", "plug": "in", "lead 1": "on pin", "lead 2": "on pin", "reference": "on"}


def _shows_big(screen: list[str], word: str) -> bool:
    rows = big(word, len(screen[0]))
    return any(
        all(screen[y + i].rstrip() == row.rstrip() for i, row in enumerate(rows))
        for y in range(len(screen) - len(rows))
    )


@pytest.mark.parametrize("theme", themes.ORDER)
@pytest.mark.parametrize("size", [SMALL, LARGE])
async def test_everything_essential_is_on_the_screen(size: tuple[int, int], theme: str) -> None:
    with a_run() as run:
        async with on_stage(run.screen(), size, theme) as pilot:
            app = pilot.app
            screen, whole = lines(app), text(app)
    assert _shows_big(screen, "GROUND SIDE")
    for fact in (
        "not recording · nothing lost · 4 000 pairs/s · bench: brake lamp",
        "load off · source 12.61 V ±0.03 (seen at rest) · plugged in · expect switching",
        "control wire: lead 2, feed: lead 1 · 97 % sure · reference not proven (l)",
        f"why: {GROUND_SIDE.why}",
        "next: Switch off, unplug the load, and read lead 1: it should stay at source.",
        "At source: the feed is sound. Near zero: the feed comes through the load.",
        "CAUTION: Unplug with the circuit off; the two pins must never touch.",
        "━━ LEAD 1",
        "12.61 V ±0.03",
        "╍╍ LEAD 2",
        "12.58 V ±0.03",
        "AT SOURCE",
        "edges 6",
        "10.250 s off",
        "events 1",
        "7.315 s ground dropout, 3.2 ms",
    ):
        assert fact in whole, fact


@pytest.mark.parametrize("size", [SMALL, LARGE])
async def test_every_key_is_shown(size: tuple[int, int]) -> None:
    with a_run(source=ListSource(switched(0.2), capabilities=frozenset({Capability.BIAS}))) as run:
        screen = BenchScreen(run.session, run.new_capture, CONTROLS, START)
        async with on_stage(screen, size) as pilot:
            shown = text(pilot.app)
            for key in (*LIVE, *COMMON):
                label = "10 s wide" if key.key == "w" else key.label
                assert f"{key.cap} {label}" in shown
            assert "i bias: off" in shown
            for key in HANDS:
                if key.label in START:
                    assert f"{key.cap} {key.label}: {START[key.label]}" in shown
            assert "CAUTION: Unplug with the circuit off" in shown
            assert "edges 6" in shown


SIDES = [
    (Side.LOW, "GROUND SIDE"),
    (Side.HIGH, "POSITIVE SIDE"),
    (Side.BOTH_ENDS, "BOTH ENDS"),
    (Side.REVERSING, "REVERSING"),
    (Side.UNDETERMINED, "NOT YET"),
]


@pytest.mark.parametrize(("side", "word"), SIDES)
async def test_every_verdict_has_its_big_word(side: Side, word: str) -> None:
    judgement = replace(NOT_YET, side=side, confidence=0.95, leaning=Side.LOW)
    with a_run(StagePipeline(replace(snapshot(), judgement=judgement))) as run:
        async with on_stage(run.screen()) as pilot:
            assert _shows_big(lines(pilot.app), word)
            if side is Side.UNDETERMINED:
                assert "leans to ground side, not enough to say so" in text(pilot.app)


async def test_without_colour_no_colour_is_sent_and_nothing_is_missing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    with a_run() as run:
        async with on_stage(run.screen()) as pilot:
            await pilot.press("v")  # no theme brings it back
            await pilot.pause()
            app = pilot.app
            for line in segments(app):
                for segment in line:
                    style = segment.style
                    if style is not None:
                        assert style.color is None or style.color.is_default
                        assert style.bgcolor is None or style.bgcolor.is_default
            screen = lines(app)
    assert _shows_big(screen, "GROUND SIDE")
    lanes = [line for line in screen if "▕" in line]
    assert [line.count("·") > 10 for line in lanes] == ["0 V" in line or "source" in line for line in lanes]


async def test_the_light_theme_is_light_and_legible() -> None:
    """Contrast of WCAG 2.x: relative luminance ratio of at least 4.5 for text."""

    def luminance(hex_colour: str) -> float:
        parts = [int(hex_colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        r, g, b = (p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    for theme in themes.themes():
        if theme.ansi:
            continue
        assert theme.background is not None
        assert theme.foreground is not None
        for colour in (theme.foreground, *(theme.variables[n] for n in ("lead1", "lead2", "quiet", "alarm"))):
            for behind in (theme.background, theme.variables["band"]):
                one, other = sorted((luminance(colour), luminance(behind)))
                assert (other + 0.05) / (one + 0.05) >= 4.5, (theme.name, colour, behind)


async def test_marks_plug_expectation_and_note_go_into_the_log() -> None:
    with a_run() as run:
        async with on_stage(run.screen()) as pilot:
            await pilot.press("o", "f", "g", "p", "e", "n")
            await pilot.press(*"under dash", "enter")
            await until(pilot, lambda: len(run.told) == 6)
    assert run.told == [
        (ChangeKind.MARK, "on"),
        (ChangeKind.MARK, "off"),
        (ChangeKind.MARK, "other"),
        (ChangeKind.PLUG, "out"),
        (ChangeKind.EXPECT, "steady"),
        (ChangeKind.NOTE, "under dash"),
    ]


async def test_an_escaped_note_is_none_and_keys_are_letters_there() -> None:
    with a_run() as run:
        async with on_stage(run.screen()) as pilot:
            await pilot.press("n", "q", "o", "escape", "o")
            await until(pilot, lambda: run.told)
            assert isinstance(pilot.app.screen, Dashboard)
    assert run.told == [(ChangeKind.MARK, "on")]


async def test_a_key_is_answered() -> None:
    with a_run() as run:
        async with on_stage(run.screen()) as pilot:
            await pilot.press("o")
            await until(pilot, lambda: "marked: switched on at " in text(pilot.app))
            await pilot.press("p")
            await until(
                pilot,
                lambda: "noted: unplugged. Unplug and plug in with the circuit off" in text(pilot.app),
            )
            await until(pilot, lambda: "· unplugged ·" in text(pilot.app))


async def test_clearing_asks_twice() -> None:
    with a_run() as run:
        async with on_stage(run.screen()) as pilot:
            await pilot.press("c")
            assert "press c again to clear the evidence" in text(pilot.app)
            await pilot.press("o", "c")
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
            await pilot.press("l")
            await until(pilot, lambda: _shows_big(lines(app), "LEAD CHECK"))
            for step in (1, 2, 3):
                results = tuple(f"Lead {n} reads 12.61 V on battery positive, steady: pass." for n in (1, 2))
                run.pipeline.stage = replace(undecided, lead_check=at(step, results[: step - 1]))
                for fact in (f"step {step} of 3", f"now: {INSTRUCTIONS[step]}", *results[: step - 1]):
                    await until(pilot, lambda fact=fact: fact in text(app))  # type: ignore[misc]
                assert "k skip this step" in text(app)
            await pilot.press("k", "o")
            await until(pilot, lambda: len(run.told) == 3)
            run.pipeline.stage = replace(undecided, lead_check=at(SEAT, ("All pass.",), True))
            await until(pilot, lambda: _shows_big(lines(app), "SEAT LEADS"))
            assert "k leads are seated: begin" in text(app)
            await pilot.press("k")
            await until(pilot, lambda: len(run.told) == 4)
            proven = replace(undecided, reference_proven=True, lead_check=at(0, ("All pass.",), True))
            run.pipeline.stage = proven
            await until(pilot, lambda: "reference proven" in text(app))
    assert run.told == [
        (ChangeKind.LEAD_CHECK, "start"),
        (ChangeKind.LEAD_CHECK, "skip"),
        (ChangeKind.MARK, "on"),
        (ChangeKind.CLEAR, ""),
    ]


async def test_timed_prompts_ring_say_and_mark() -> None:
    now, rings, ages = [1000.0], list[float](), count()
    with a_run() as run, patch.object(live, "monotonic", lambda: now[0]):
        screen = run.screen()
        async with on_stage(screen) as pilot:
            screen.bell = Bell(lambda: rings.append(now[0]), clock=lambda: next(ages))
            await pilot.press("t")
            await until(pilot, lambda: _shows_big(lines(pilot.app), "GET READY"))
            assert "get ready now, hold for 4 s" in text(pilot.app)
            for at, word in ((4.1, "SWITCH ON"), (7.1, "SWITCH OFF")):
                now[0] = 1000.0 + at
                await until(pilot, lambda word=word: _shows_big(lines(pilot.app), word))  # type: ignore[misc]
            await until(pilot, lambda: len(rings) == 3)
            await pilot.press("t")
            await until(pilot, lambda: _shows_big(lines(pilot.app), "GROUND SIDE"))
            await until(pilot, lambda: len(run.told) == 2)
    assert run.told == [(ChangeKind.MARK, "on"), (ChangeKind.MARK, "off")]
    assert len(rings) == 3, "one for on, two for off"


async def test_pause_holds_the_picture_and_not_the_run() -> None:
    with a_run() as run:
        async with on_stage(run.screen()) as pilot:
            await pilot.press("space")
            run.pipeline.stage = replace(snapshot(), plug="out")
            await until(pilot, lambda: run.session.latest.plug == "out")
            assert "PAUSED" in text(pilot.app)
            assert "the picture is held, measuring goes on" in text(pilot.app)
            await pilot.pause(0.2)
            assert "plugged in" in text(pilot.app)
            await pilot.press("space")
            await until(pilot, lambda: "unplugged" in text(pilot.app))
            assert "PAUSED" not in text(pilot.app)


async def test_recording_starts_stops_and_is_guarded_against_quitting() -> None:
    shelf = Shelf()
    with a_run(open_recorder=shelf) as run:
        async with on_stage(run.screen()) as pilot:
            await pilot.press("r")
            await until(pilot, lambda: "● REC" in text(pilot.app))
            await pilot.press("q")
            assert "still recording: press q again to stop and save" in text(pilot.app)
            await pilot.press("r")
            await until(pilot, lambda: run.session.recording.saved)
            await until(pilot, lambda: "not recording" in text(pilot.app))
            await pilot.press("r")
            await until(pilot, lambda: run.session.recording.path == Path("run-2.whichside"))
            await pilot.press("q", "q")
    assert [note.closed for note in shelf.made] == [1, 1]
    assert run.session.recording.saved == Path("run-2.whichside")


async def test_trouble_is_said_and_stays() -> None:
    with a_run(open_recorder=Shelf(fail_at=5)) as run:
        async with on_stage(run.screen()) as pilot:
            await pilot.press("r")
            message = "The disk is full: what was recorded so far is kept."
            await until(pilot, lambda: message in text(pilot.app))
            await pilot.pause(0.3)
            assert message in text(pilot.app)
    assert isinstance(run.session.recording.error, WorkError)


async def test_a_lost_logger_is_said_and_the_verdict_stays() -> None:
    lost = "The logger went away and did not come back within 60 s: plug it in and start again."
    with a_run(source=DyingSource(DeviceError(lost))) as run:
        async with on_stage(run.screen()) as pilot:
            await until(pilot, lambda: lost in text(pilot.app))
            assert "ENDED" in text(pilot.app)
            assert _shows_big(lines(pilot.app), "GROUND SIDE")
            await pilot.press("o")
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
            await pilot.pause(0.3)
            assert screen.frames_skipped >= 2
            assert "edges 777" not in text(pilot.app)
            writer.waiting = False
            await until(pilot, lambda: "edges 777" in text(pilot.app))


async def test_the_bench_is_worked_from_the_keyboard() -> None:
    with a_run(source=ListSource(switched(0.2), capabilities=frozenset(Capability))) as run:
        screen = BenchScreen(run.session, run.new_capture, CONTROLS, START)
        async with on_stage(screen) as pilot:
            await pilot.press("x", "x", "u", "1", "2", "3", "y", "z")
            assert "u plug: out" in text(pilot.app)
    assert run.source.commands == [
        Operate("control", "on"),
        Operate("control", "off"),
        Operate("plug", "out"),
        Operate("lead 1", "off pin"),
        Operate("lead 2", "off pin"),
        Operate("reference", "off"),
    ]


async def test_strong_bias_only_unplugged_and_gone_when_plugged_in() -> None:
    with a_run(source=ListSource(switched(0.2), capabilities=frozenset({Capability.BIAS}))) as run:
        async with on_stage(run.screen()) as pilot:
            await pilot.press("i", "i", "p")
            await until(pilot, lambda: run.session.latest.plug == "out")
            await pilot.press("i", "i")
            assert "bias up on lead 1: stand clear" in text(pilot.app)
            await pilot.press("p")
            await until(pilot, lambda: run.session.latest.plug == "unknown")
            assert "i bias: off" in text(pilot.app)
    off, whisper = SetBias(Bias.OFF, Bias.OFF), SetBias(Bias.WHISPER, Bias.WHISPER)
    assert run.source.commands == [whisper, off, whisper, SetBias(Bias.UP, Bias.OFF), off]


NASTY = "[red]x[/red] \x1b[31m\x07\u202e[/] [bold"


async def test_names_and_sentences_are_shown_and_never_obeyed() -> None:
    judgement = Judgement(
        Side.LOW, 2, 1, None, 0.95, NASTY, NextTest(do=NASTY, splits=NASTY, caution=NASTY), ()
    )
    source = ListSource(switched(0.2), info=DeviceInfo(NASTY, details={NASTY: NASTY}))
    with a_run(StagePipeline(replace(snapshot(), judgement=judgement)), source) as run:
        async with on_stage(run.screen()) as pilot:
            for keys in ((), ("d",)):
                await pilot.press(*keys)
                await pilot.pause()
                shown = text(pilot.app)
                assert "[red]x[/red]" in shown
                assert not set("\x1b\x07\u202e") & set(shown)


async def test_long_sentences_lose_what_matters_least() -> None:
    test = NextTest(
        do="Unplug the load, switch the control on, and read lead 2 against battery negative at the harness.",
        splits="If this then that. " * 20,
        caution="Unplug with the circuit off; keep clear of anything that may start to move; no sparks.",
    )
    stage = replace(snapshot(), judgement=replace(GROUND_SIDE, next_test=test))
    with a_run(StagePipeline(stage)) as run:
        async with on_stage(run.screen()) as pilot:
            shown = text(pilot.app)
            assert test.do in shown
            assert f"CAUTION: {test.caution}" in shown
            await pilot.press("d")
            await pilot.pause()
            assert test.splits.strip()[:100] in text(pilot.app)


async def test_odd_states_have_words() -> None:
    stage = replace(
        snapshot(),
        leads=(LeadView(0.0, 0.0, StateWord.NO_READING), LeadView(-1.25, 0.04, StateWord.BELOW_ZERO)),
        losses=Losses(3, 12.5, None),
        source_v=None,
        events=(replace(snapshot().events[0], kind=EventKind.UNDECIDED_GAP),),
        plug="unknown",
    )
    with a_run(StagePipeline(stage)) as run:
        async with on_stage(run.screen()) as pilot:
            shown = text(pilot.app)
    for fact in (
        "NO READING",
        "-- V",
        "−1.25 V ±0.04",
        "BELOW ZERO",
        "3 gaps, 12.5 s lost",
        "source not seen yet",
        "plug state not told",
        "switch-off or dropout",
    ):
        assert fact in shown, fact


async def test_details_and_help_open_and_close() -> None:
    with a_run() as run:
        screen = run.screen()
        async with on_stage(screen, LARGE) as pilot:
            for key, words in (("d", "DETAILS at 12.345 s"), ("h", "CAUTIONS")):
                await pilot.press(key)
                await until(pilot, lambda words=words: words in text(pilot.app))  # type: ignore[misc]
                await pilot.press("escape")
                await until(pilot, lambda: pilot.app.screen is screen)
            await pilot.press("w")
            await until(pilot, lambda: "w 20 s wide" in text(pilot.app))
