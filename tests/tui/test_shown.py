"""What is on the live screen: at 80x24 and 120x40, in every theme, without colour, whatever the words."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daq.findings import EventKind, Judgement, NextTest, Side
from daq.samples import DeviceInfo
from daq.snapshot import LeadView, Losses, StateWord
from daq.source import Capability
from tests.tui.scenes import GROUND_SIDE, NOT_YET, ListSource, StagePipeline, snapshot, switched
from tests.tui.stage import (
    CONTROLS,
    LARGE,
    SMALL,
    START,
    a_run,
    lines,
    on_stage,
    segments,
    shows_big,
    tap,
    text,
)
from tui import themes
from tui.bench import HANDS, BenchScreen
from tui.keys import COMMON, LIVE


@pytest.mark.parametrize("theme", themes.ORDER)
@pytest.mark.parametrize("size", [SMALL, LARGE])
async def test_everything_essential_is_on_the_screen(size: tuple[int, int], theme: str) -> None:
    with a_run() as run:
        async with on_stage(run.screen(), size, theme) as pilot:
            app = pilot.app
            screen, whole = lines(app), text(app)
    assert shows_big(screen, "GROUND SIDE")
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
            assert shows_big(lines(pilot.app), word)
            if side is Side.UNDETERMINED:
                assert "leans to ground side, not enough to say so" in text(pilot.app)


async def test_without_colour_no_colour_is_sent_and_nothing_is_missing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    with a_run() as run:
        async with on_stage(run.screen()) as pilot:
            await tap(pilot, "v")  # no theme brings it back
            await pilot.pause()
            app = pilot.app
            for line in segments(app):
                for segment in line:
                    style = segment.style
                    if style is not None:
                        assert style.color is None or style.color.is_default
                        assert style.bgcolor is None or style.bgcolor.is_default
            screen = lines(app)
    assert shows_big(screen, "GROUND SIDE")
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


NASTY = "[red]x[/red] \x1b[31m\x07\u202e[/] [bold"


async def test_names_and_sentences_are_shown_and_never_obeyed() -> None:
    judgement = Judgement(
        Side.LOW, 2, 1, None, 0.95, NASTY, NextTest(do=NASTY, splits=NASTY, caution=NASTY), ()
    )
    source = ListSource(switched(0.2), info=DeviceInfo(NASTY, details={NASTY: NASTY}))
    with a_run(StagePipeline(replace(snapshot(), judgement=judgement)), source) as run:
        async with on_stage(run.screen()) as pilot:
            for keys in ((), ("d",)):
                await tap(pilot, *keys)
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
            await tap(pilot, "d")
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
