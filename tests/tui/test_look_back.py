"""The review screen: hours on one line, events, a measured span, levels, two events over each other."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.screen import Screen

from daq.capture import CaptureSource
from daq.look_back import LookBack
from tests.look_back.recordings import AWAY_AT_S, FEED_S, SECOND_S, recorded
from tests.tui.stage import LARGE, SMALL, lines, on_stage, segments, tap, text, until
from tui import entry, themes
from tui.details import DetailsScreen
from tui.look_back import LookBackScreen
from tui.look_back_keys import COMMON, LOOK
from tui.review import ReviewScreen

LANE_MARK = "▕"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return recorded(tmp_path / "drive.whichside")


@asynccontextmanager
async def looking(
    path: Path, size: tuple[int, int] = SMALL, theme: str = themes.DARK
) -> AsyncIterator[tuple[LookBackScreen, Pilot[Any]]]:
    """The screen, its analysis done."""
    screen = entry._review_screen(path, None)
    async with on_stage(screen, size, theme) as pilot:
        await until(pilot, lambda: screen.look.progress.over)
        await until(pilot, lambda: "analysing" not in text(pilot.app))
        yield screen, pilot


def lanes(pilot: Pilot[Any]) -> str:
    return "\n".join(line.split(LANE_MARK)[1] for line in lines(pilot.app) if LANE_MARK in line)


async def test_the_whole_recording_is_there_before_it_is_analysed(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen = entry._review_screen(path, None)
    monkeypatch.setattr(screen.look.analysis, "start", lambda: None)
    async with on_stage(screen) as pilot:
        await until(pilot, lambda: "all: 0:00 to 1:06" in text(pilot.app))
        shown = text(pilot.app)
        assert "no events so far · analysing 0 %" in shown
        assert "▒" in lanes(pilot), "the gap is seen"
        assert "drive.whichside · 66.0 s · 4 000 pairs/s" in shown


@pytest.mark.parametrize("size", [SMALL, LARGE])
async def test_verdict_events_and_every_key_are_shown(path: Path, size: tuple[int, int]) -> None:
    async with looking(path, size) as (_, pilot):
        await until(pilot, lambda: "22.500 s feed dropout, 10 ms" in text(pilot.app))
        shown = text(pilot.app)
        assert "GROUND SIDE · control wire: lead 2, feed: lead 1" in shown
        assert "10.500 s feed dropout, 4.1 ms" in shown
        for key in (*LOOK, *COMMON):
            assert f"{key.cap} {key.label}" in shown, key


async def test_what_chance_does_not_explain_is_said_before_an_event_is_chosen(tmp_path: Path) -> None:
    fretting = recorded(tmp_path / "fretting.whichside", [(10.1 + n * n / 40, 0.004) for n in range(6)])
    async with looking(fretting) as (_, pilot):
        await until(pilot, lambda: "feed dropout: 6 of 6 within" in text(pilot.app))
        await tap(pilot, "down")
        await until(pilot, lambda: "the feed opened. It is between" in text(pilot.app))
        assert "6 of 6" not in text(pilot.app), "now it is this event's turn"


async def test_from_event_to_event_down_to_the_sample(path: Path) -> None:
    async with looking(path) as (screen, pilot):
        await tap(pilot, "down")
        await until(pilot, lambda: "▶ 10.500 s feed dropout" in text(pilot.app))
        shown = text(pilot.app)
        assert "event 1 of 2" in shown
        assert "the feed opened. It is between source and load: lead 1." in shown
        assert "before lead 1 12.5" in shown
        assert "in it lead 1 0.0" in shown
        assert "▼" in shown
        await tap(pilot, "enter")
        await until(pilot, lambda: screen.window.width_s == pytest.approx(0.032, abs=0.002))
        await tap(pilot, "z")  # a cell a pair
        await until(pilot, lambda: screen.window.width_s * 4000 == pytest.approx(57, abs=1))
        assert screen.window.begin_s < FEED_S[0] < screen.window.end_s
        await tap(pilot, "down", "down")
        await until(pilot, lambda: "no event behind this one" in text(pilot.app))
        assert screen.here_s == pytest.approx(SECOND_S[0], abs=0.001)
        await tap(pilot, "up", "up")
        await until(pilot, lambda: "no event before this one" in text(pilot.app))
        await tap(pilot, "a")
        await until(pilot, lambda: screen.window == screen.look.whole)


async def test_moving_zooming_and_paging(path: Path) -> None:
    async with looking(path) as (screen, pilot):
        await tap(pilot, "right", "right")
        step_s = screen.look.whole.width_s / 57
        await until(pilot, lambda: screen.here_s == pytest.approx(2 * step_s, rel=0.01))
        await tap(pilot, "+", "+")
        await until(pilot, lambda: screen.window.width_s == pytest.approx(screen.look.whole.width_s / 4))
        assert screen.window.begin_s <= screen.here_s <= screen.window.end_s
        await tap(pilot, "pagedown")
        paged_s = 2 * step_s + 0.9 * screen.window.width_s
        await until(pilot, lambda: screen.here_s == pytest.approx(paged_s, rel=0.01))
        await tap(pilot, "end")
        await until(pilot, lambda: screen.here_s == screen.look.whole.end_s)
        await tap(pilot, "home", "left")
        await until(pilot, lambda: screen.here_s == 0.0)
        await tap(pilot, *"----")
        await until(pilot, lambda: screen.window == screen.look.whole)


@pytest.mark.parametrize("size", [SMALL, LARGE])
async def test_from_here_to_here(path: Path, size: tuple[int, int]) -> None:
    async with looking(path, size) as (_, pilot):
        await tap(pilot, "f", "end")
        await until(pilot, lambda: "from here to here: 66.0000 s, 240000 pairs, 6.0 s" in text(pilot.app))
        await until(pilot, lambda: "├──" in text(pilot.app))  # drawn once the figures have taken their rows
        shown = text(pilot.app)
        assert "lead 1: mean 12.5" in shown
        assert "lead 2: mean 6.3" in shown
        await tap(pilot, "home", "f")
        await until(pilot, lambda: "from here to here" not in text(pilot.app))


async def test_kinds_are_hidden_and_shown(path: Path) -> None:
    async with looking(path) as (screen, pilot):
        await tap(pilot, "e")
        await until(pilot, lambda: screen.look.progress.over)
        await until(pilot, lambda: len(screen.events) > 2)
        everything = len(screen.events)
        await tap(pilot, "k")
        await until(pilot, lambda: "shown feed dropout: 2" in text(pilot.app))
        await tap(pilot, "down", "o", "enter")
        await until(pilot, lambda: pilot.app.screen is screen)
        await until(pilot, lambda: 0 < len(screen.shown_events) < everything)
        await until(pilot, lambda: f"({everything} in all; k: kinds)" in text(pilot.app))
        await tap(pilot, "k", "a", "escape")
        await until(pilot, lambda: len(screen.shown_events) == everything)


async def test_two_events_over_each_other(path: Path) -> None:
    async with looking(path) as (screen, pilot):
        await tap(pilot, "o")
        await until(pilot, lambda: "choose an event first" in text(pilot.app))
        await tap(pilot, "down", "o", "down", "o")
        await until(pilot, lambda: "╍╍ 22.500 s feed dropout, 10 ms" in text(pilot.app))
        assert "━━ 10.500 s feed dropout, 4.1 ms" in text(pilot.app)
        wide = lanes(pilot)
        await tap(pilot, "+")
        await until(pilot, lambda: lanes(pilot) != wide)
        other = pilot.app.screen.query_one("#picture").get_component_rich_style("time--other")
        assert any(s.style and s.style.color == other.color for line in segments(pilot.app) for s in line)
        await tap(pilot, "escape")
        await until(pilot, lambda: pilot.app.screen is screen)


async def test_levels_while_on(path: Path) -> None:
    async with looking(path) as (_, pilot):
        await tap(pilot, "l")
        await until(pilot, lambda: "LEVELS WHILE ON" in text(pilot.app))
        shown = text(pilot.app)
        assert "in this picture; all of it looked at" in shown
        assert "LEAD 1 mean 12.5" in shown
        assert "LEAD 2 mean 0.1" in shown
        assert "█" in shown


async def test_levels_close_up_are_those_beside_the_event(path: Path) -> None:
    async with looking(path) as (_, pilot):
        await tap(pilot, "down", "enter", "l")
        await until(pilot, lambda: "LEVELS WHILE ON" in text(pilot.app))
        assert "LEAD 1 mean 12.5" in text(pilot.app)


async def test_another_expectation_leaves_the_file_alone(path: Path) -> None:
    before = path.read_bytes()
    async with looking(path) as (screen, pilot):
        await tap(pilot, "e")
        await until(pilot, lambda: "analysing anew, expecting: steady" in text(pilot.app))
        await until(pilot, lambda: screen.look.progress.over)
        await until(pilot, lambda: "expect steady" in text(pilot.app))
    assert path.read_bytes() == before


async def test_a_note_is_kept_apart_and_drawn(path: Path) -> None:
    async with looking(path) as (_, pilot):
        await tap(pilot, "end", "n", *"wet", "enter")
        await until(pilot, lambda: "apart from the recording" in text(pilot.app))
        assert lanes(pilot).split("\n")[0].count("n") == 2, "the note of the run and the new one"
        await tap(pilot, "d")
        await until(pilot, lambda: isinstance(pilot.app.screen, DetailsScreen))
        while "wet" not in text(pilot.app):  # the page grows while it takes its place
            await tap(pilot, "end")
    with CaptureSource(path) as source:
        assert [(note.text, note.at_s) for note in source.notes()] == [("wet", 66.0)]


async def test_a_note_on_a_copy_that_cannot_be_written_is_refused_in_one_sentence(path: Path) -> None:
    from daq.errors import WorkError

    class ReadOnly(entry._CaptureNotes):
        def add(self, text: str, at_s: float) -> None:
            raise WorkError(f"{path.name} cannot be written: copy it to where you may write.")

    look = LookBack(path)
    screen = LookBackScreen(look, lambda _: Screen(), ReadOnly(path))
    async with on_stage(screen) as pilot:
        await tap(pilot, "n", "x", "enter")
        await until(pilot, lambda: "copy it to where you may write" in text(pilot.app))


async def test_it_plays_from_here_and_comes_back(path: Path) -> None:
    async with looking(path) as (screen, pilot):
        await tap(pilot, "pagedown")
        here_s = screen.here_s
        assert here_s > 1.0
        await tap(pilot, "p")
        await until(pilot, lambda: isinstance(pilot.app.screen, ReviewScreen))
        replayed = pilot.app.screen
        assert isinstance(replayed, ReviewScreen)
        await until(pilot, lambda: "replay at 1x" in text(pilot.app))
        assert replayed.session.now_s() >= here_s
        await tap(pilot, "b")
        await until(pilot, lambda: replayed.session.latest.samples > 0)
        assert replayed.session.latest.time_s < here_s, "from the beginning"
        await tap(pilot, "q")
        await until(pilot, lambda: pilot.app.screen is screen)


@pytest.mark.parametrize("theme", [themes.LIGHT, themes.TERMINAL])
async def test_in_every_theme(path: Path, theme: str) -> None:
    async with looking(path, SMALL, theme) as (_, pilot):
        assert "feed dropout" in text(pilot.app)
        assert ("·" in lanes(pilot)) == (theme == themes.TERMINAL), "bands are dotted without colour"


async def test_damage_is_said_and_is_the_exit_code(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2] ^= 0x40
    path.write_bytes(raw)
    screen = entry._review_screen(path, None)
    async with on_stage(screen) as pilot:
        await until(pilot, lambda: screen.look.progress.over)
        await until(pilot, lambda: "damaged in 1 place" in text(pilot.app))
    assert entry._looked(screen.look) == 4
    assert "whichside check" in capsys.readouterr().err


def test_a_gap_is_where_it_was(path: Path) -> None:
    look = LookBack(path)
    lost = look.columns(look.whole, 66).lost
    look.close()
    assert lost.nonzero()[0].tolist() == list(range(int(AWAY_AT_S), int(AWAY_AT_S) + 6))


@pytest.fixture(autouse=True)
def no_colour_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
