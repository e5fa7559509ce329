"""What is on the live screen: at 80x24 and 120x40, in every theme, without colour, whatever the words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from daq.bench import BenchSource, benches
from daq.findings import EventKind, Judgement, NextTest, Side
from daq.judge import RECHECK
from daq.samples import LOGGER_AWAY, Bias, Block, Change, ChangeKind, DeviceInfo, Origin
from daq.session import Session
from daq.snapshot import LeadView, Losses, Snapshot, StateWord
from daq.source import Capability
from tests.tui.scenes import (
    GROUND_SIDE,
    LAYOUT,
    NO_CHECK,
    NOT_YET,
    ListSource,
    StagePipeline,
    biased,
    snapshot,
    switched,
)
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
    until,
)
from tui import themes
from tui.bench import BenchScreen
from tui.hands import AT_REST, HANDS
from tui.keys import (
    COMMON,
    LIVE,
)


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
                label = "10 s wide" if key.action == "window" else key.label
                assert f"{key.cap} {label}" in shown
            assert "i bias: off" in shown
            for key in HANDS:
                if key.label in START:
                    at_rest = AT_REST.get(key.label) == START[key.label]
                    stands = key.label if at_rest else f"{key.label}: {START[key.label]}"
                    assert f"{key.cap} {stands} " in shown
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
                assert "leans to ground side · reference not proven (l)" in text(pilot.app)


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


async def test_after_a_failed_lead_check_the_keys_that_show_and_repeat_it_are_named() -> None:
    failed = replace(NO_CHECK, passed=False, refuted=True, results=("Fail: clean lead 2's tip.",))
    judgement = replace(GROUND_SIDE, side=Side.UNDETERMINED, confidence=0.8, next_test=RECHECK)
    with a_run(StagePipeline(replace(snapshot(), judgement=judgement, lead_check=failed))) as run:
        async with on_stage(run.screen()) as pilot:
            shown = text(pilot.app)
            assert "lead check FAILED (l)" in shown
            assert f"{RECHECK.do} l runs it again, d shows what failed." in shown
            await tap(pilot, "d")
            await pilot.pause()
            assert "clean lead 2's tip" in text(pilot.app)


def floating(*leads: int) -> Snapshot:
    """The scene with these leads on nothing."""
    now, free = snapshot(), LeadView(2.62, 0.03, StateWord.FLOATING)
    one, two = (free if n in leads else view for n, view in enumerate(now.leads, start=1))
    return replace(now, leads=(one, two), bias=(Bias.WHISPER, Bias.WHISPER))


REVERSED = replace(NOT_YET, side=Side.REVERSING, confidence=0.95)
BOTH_ENDS = replace(NOT_YET, side=Side.BOTH_ENDS, control_lead="both", confidence=0.95)
AC = replace(
    NOT_YET,
    why="This is AC: the leads swing above and below the reference. The tool is for DC circuits only.",
    next_test=NextTest(
        "Take the leads off now, one hand at a time, and leave mains circuits to licensed people.",
        caution="Mains kills. Never connect the leads to it.",
    ),
)
STATES = {
    "one lead floats": (
        floating(2),
        "GROUND SIDE",
        (
            "FLOATING",
            "2.62 V ±0.03",
            "next: lead 2 on nothing? Press it onto its pin. If it still floats, the load",
        ),
    ),
    "both float": (
        floating(1, 2),
        "GROUND SIDE",
        ("next: both leads on nothing? Press them onto their pins",),
    ),
    "both ends": (
        replace(floating(1, 2), judgement=BOTH_ENDS),
        "BOTH ENDS",
        ("control wires: both leads", "next: Switch the load on and off", "CAUTION: Keep clear"),
    ),
    "unplugged": (
        replace(snapshot(), plug="out"),
        "GROUND SIDE",
        ("held while unplugged · control wire: lead 2, feed: lead 1 · 97 % sure", "plugged in again. (p)"),
    ),
    "AC": (
        replace(snapshot(), judgement=AC, cautions=("ac",)),
        "AC REFUSED",
        (
            "not a DC circuit: take the leads off",
            "why: This is AC",
            "CAUTION: Mains kills. Never connect the leads",
        ),
    ),
    "reference lost": (
        replace(snapshot(), cautions=("reference_lost",)),
        "GROUND SIDE",
        ("97 % sure · reference lead was lost (l)",),
    ),
    "beyond range": (
        replace(snapshot(), cautions=("out_of_range",)),
        "GROUND SIDE",
        ("load off · source 12.61 V ±0.03",),
    ),
    "reversing": (replace(snapshot(), judgement=REVERSED), "REVERSING", ("CAUTION: Keep clear of anything",)),
    "to be unplugged": (snapshot(), "GROUND SIDE", ("Press p before you unplug. At source",)),
}


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("size", [SMALL, LARGE])
async def test_every_state_says_what_it_is_and_what_to_do(size: tuple[int, int], state: str) -> None:
    stage, word, facts = STATES[state]
    with a_run(StagePipeline(stage), ListSource(biased(switched(0.2), stage.bias))) as run:
        async with on_stage(run.screen(), size) as pilot:
            screen, whole = lines(pilot.app), text(pilot.app)
    assert shows_big(screen, word)
    for fact in facts:
        assert fact in whole, fact
    assert ("went beyond range" in whole) is (state == "beyond range" and size == LARGE)


async def test_a_logger_that_is_away_leaves_no_reading_and_keeps_the_verdict() -> None:
    away = Change(800, Origin.DEVICE, ChangeKind.DEVICE, LOGGER_AWAY)
    source = ListSource([*switched(0.2), away, *[Block(800, switched(0.01)[0].counts[:0], LAYOUT)] * 3])
    source.goes_on = False
    with a_run(source=source) as run:
        async with on_stage(run.screen()) as pilot:
            await until(pilot, lambda: "LOGGER AWAY" in text(pilot.app))
            whole, screen = text(pilot.app), lines(pilot.app)
    assert whole.count("NO READING") == 2
    assert (
        "check its cable and plug it in again in the same socket; measuring and recording go on by themselves"
        in whole
    )
    assert shows_big(screen, "GROUND SIDE")


@pytest.mark.parametrize("calibration", ["nominal", "2026-01-05"])
async def test_a_logger_that_is_not_calibrated_says_so_in_a_line_and_goes_on(calibration: str) -> None:
    source = ListSource(switched(0.2))
    source.info = DeviceInfo("whichside logger", details={"calibration": calibration})
    source.goes_on = False
    with a_run(source=source) as run:
        async with on_stage(run.screen()) as pilot:
            await until(pilot, lambda: shows_big(lines(pilot.app), "GROUND SIDE"))
            screen = lines(pilot.app)
    said = calibration == "nominal"
    assert ("not calibrated" in screen[0]) is said
    assert (
        any("not calibrated: good to about 3 % and 0.1 V; whichside calibrate" in line for line in screen)
        is said
    )


MOST_KEYS = {tuple(bench.controls): bench.name for bench in benches()}  # one for each set of controls


@pytest.mark.parametrize("name", MOST_KEYS.values())
@pytest.mark.parametrize("size", [SMALL, (100, 32), (90, 34), (100, 36), (200, 60)])
async def test_every_key_of_every_bench_fits(name: str, size: tuple[int, int]) -> None:
    source = BenchSource(name, speed=8.0)
    session = Session(source, StagePipeline()).start()
    circuit = source.circuit
    try:
        screen = BenchScreen(session, lambda: Path("never"), circuit.controls, circuit.start)
        async with on_stage(screen, size) as pilot:
            await until(pilot, lambda: "bias: whisper" in text(pilot.app))
            shown, rows = text(pilot.app), lines(pilot.app)
    finally:
        session.close()
    for key in (*LIVE, *COMMON):
        assert f"{key.cap} {'10 s wide' if key.action == 'window' else key.label}" in shown
    worked = {key.label for key in HANDS}
    for what, to in ((what, to) for what, to in circuit.start.items() if what in worked):
        assert (what if AT_REST.get(what) == to else f"{what}: {to}") in shown
    assert circuit.title in rows[0], "the device is named in full"
    assert rows[-1].strip(), "the last key row is the last row"
    assert "CAUTION: Unplug with the circuit off; the two pins must never touch." in shown
    assert "edges 6" in shown


async def test_a_window_that_is_too_small_says_so_and_still_tells_the_verdict() -> None:
    with a_run() as run:
        async with on_stage(run.screen(), (72, 20)) as pilot:
            whole, screen = text(pilot.app), lines(pilot.app)
    assert "window 72x20 too small: 80x24 needed" in whole
    assert shows_big(screen, "GROUND SIDE")
    assert "next: Switch off, unplug the load" in whole


async def test_marks_stand_on_the_lanes() -> None:
    with a_run(source=ListSource(switched(3.0))) as run:
        async with on_stage(run.screen()) as pilot:
            await until(pilot, lambda: run.session.now_s() > 3.0)
            for what, at_s in (("on", 1.0), ("off", 1.6), ("other", 2.4)):
                run.session.change(ChangeKind.MARK, what, at_s)
            await until(pilot, lambda: sum("┊" in line for line in lines(pilot.app)) >= 2)
            lanes = [line.split("▕")[1] for line in lines(pilot.app) if "▕" in line]
    cell_s = 10.0 / len(lanes[0])
    for letter, at_s in (("o", 1.0), ("f", 1.6), ("g", 2.4)):
        drawn = [lane.index(letter) for lane in lanes if letter in lane]
        assert len(drawn) == 2, f"{letter} once on each lane"
        assert all(abs(cell * cell_s - at_s) < 2 * cell_s for cell in drawn)


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
        "p before you unplug",
        "switch-off or dropout",
    ):
        assert fact in shown, fact
