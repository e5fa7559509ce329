"""The drive screen: what is seen at a glance, what each key puts into the log, when the bell rings."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from itertools import count
from pathlib import Path

import pytest
from textual.pilot import Pilot

from daq import words
from daq.bench import BenchSource
from daq.event_counts import Labelled
from daq.event_summary import summarise
from daq.events import REGISTRY
from daq.findings import Event, EventKind, LoadState
from daq.recorder import LiveRecorder
from daq.samples import BASELINE, LOGGER_AWAY, Block, Change, ChangeKind, DeviceInfo, Origin
from daq.session import Session
from daq.snapshot import LeadCheckView, LeadView, Losses, Snapshot, StateWord
from tests.tui.scenes import LAYOUT, NOT_YET, RATE_HZ, ListSource, StagePipeline, snapshot, switched
from tests.tui.stage import LARGE, SMALL, Run, a_run, lines, on_stage, segments, tap, text, until
from tui import themes
from tui.bench import BenchScreen
from tui.drive import BELL_EVERY_S, LOOK_S, DriveScreen
from tui.drive_words import DRIVER, headline, no_baseline
from tui.hands import CIRCUIT
from tui.keys import AFTER_DRIVE, DRIVE, DRIVE_MARKS, SILENCE
from tui.letters import big_lines, columns
from tui.terminal import Bell

FEED, GROUND, GAP = EventKind.FEED_DROPOUT, EventKind.GROUND_DROPOUT, EventKind.UNDECIDED_GAP
HOUR_S = 3725.0
ROOM = 11  # rows that the big words have on a small screen

QUIET = replace(snapshot(), time_s=HOUR_S, samples=14_900_000, load=LoadState.ON, events=(), event_count=0)


def with_events(*events: Event, bumps: tuple[float, ...] = ()) -> Snapshot:
    marks = [Labelled(t_s, "bump") for t_s in bumps]
    summary = summarise(events, marks, 0.0, HOUR_S)
    return replace(QUIET, events=events[-100:], event_count=len(events), summary=summary)


CAUGHT = with_events(
    Event(EventKind.SUPPLY_DIP, 60.0, 1.2),
    *(Event(FEED, t_s, 0.004) for t_s in (700.0, 1300.0, 1301.0, 2400.0)),
    Event(GROUND, 3650.2, 0.0031),
    Event(FEED, 3718.0, 0.012),
    bumps=(700.5, 1301.0, 2400.2),
)


@asynccontextmanager
async def driving(
    run: Run, size: tuple[int, int] = SMALL, theme: str = themes.DARK
) -> AsyncIterator[tuple[Pilot[None], DriveScreen]]:
    """The drive screen as it is reached: from the dashboard, by its key."""
    async with on_stage(run.screen(), size, theme) as pilot:
        await tap(pilot, "a")
        await until(pilot, lambda: isinstance(pilot.app.screen, DriveScreen))
        screen = pilot.app.screen
        assert isinstance(screen, DriveScreen)
        await until(pilot, lambda: "q dashboard" in "".join(lines(pilot.app)[-1:]))
        await asyncio.sleep(1.5 * LOOK_S)  # every line knows its place now, and was filled once more
        yield pilot, screen


@pytest.fixture
def at_an_hour(monkeypatch: pytest.MonkeyPatch) -> None:
    """The run's clock stands where the scene does."""
    monkeypatch.setattr("daq.session.Session.now_s", lambda _: HOUR_S)


def shows(screen: list[str], word: str, height: int) -> bool:
    rows = big_lines(word, len(screen[0]), height)
    return any(
        all(screen[y + i].rstrip() == row.rstrip() for i, row in enumerate(rows))
        for y in range(len(screen) - len(rows) + 1)
    )


@pytest.mark.usefixtures("at_an_hour")
@pytest.mark.parametrize(
    ("size", "theme"), [(SMALL, themes.DARK), (LARGE, themes.LIGHT), (SMALL, themes.TERMINAL)]
)
async def test_what_was_caught_is_read_at_a_glance(size: tuple[int, int], theme: str) -> None:
    with a_run(StagePipeline(CAUGHT)) as run:
        async with driving(run, size, theme) as (pilot, _):
            screen, whole = lines(pilot.app), text(pilot.app)
    assert shows(screen, "FEED DROPOUT", 21 if size == LARGE else ROOM)
    for fact in (
        DRIVER,
        "feed dropout: 6 s ago · 12 ms long · at 1:01:58",
        "1:02:05 · load on · expect switching · source 12.61 V ±0.03",
        "feed dropout: 5, longest 12 ms, last 6 s ago",
        'feed dropout: 4 of 5 within 2 s of mark "bump", 3 of 3 such marks (chance: under 0.1)',
        "NOT RECORDING r records the run from its beginning · nothing lost",
        "no marks yet",
    ):
        assert fact in whole, fact
    if size == LARGE:
        assert "ground dropout: 1, longest 3.1 ms, last 74 s ago" in whole
        assert "supply dip: 1, longest 1.2 s, last 1 h 01 min ago" in whole
    else:
        assert shows(screen, "1:02:05", 5)
        assert "ground dropout: 1" in whole
        assert "supply dip: 1" in whole


@pytest.mark.parametrize("size", [SMALL, (90, 34), (200, 60)])
async def test_every_key_is_shown_and_nothing_is_pushed_off(size: tuple[int, int]) -> None:
    """With the tallest word, the longest recording line and an answer standing."""
    gap = Event(GAP, 3001.0, 0.01)
    stage = with_events(*(Event(kind, 3000.0, 0.01) for kind in EventKind), gap, gap)
    with a_run(StagePipeline(replace(stage, losses=Losses(3, 1.5, None)))) as run:
        async with driving(run, size) as (pilot, _):
            await tap(pilot, "1")
            await until(pilot, lambda: "marked: bump at" in text(pilot.app))
            whole, screen = text(pilot.app), lines(pilot.app)
    for key in (*DRIVE_MARKS, *DRIVE, SILENCE, *AFTER_DRIVE):
        assert f"{key.cap} {key.label}" in whole
    assert "q dashboard" in screen[-1]
    assert "3 gaps, 1.5 s lost" in whole
    assert "feed dropout: 1" in whole
    assert "switch-off or dropout: " in whole


CHECKING = replace(QUIET, lead_check=LeadCheckView(1, "Touch lead 1 to battery positive.", (), None, None))
LOOSE = replace(QUIET, leads=(QUIET.leads[0], LeadView(2.62, 0.03, StateWord.FLOATING)))
STATES = {
    "healthy": (QUIET, "HEALTHY", "no fault so far"),
    "beside a normal minute": (replace(QUIET, baseline_s=75.0), "HEALTHY", "normal as before 1:15"),
    "side unknown": (
        replace(QUIET, judgement=NOT_YET),
        "NO EVENT",
        "the side is not known yet: a long dropout would look like a switch-off",
    ),
    "steady needs no side": (
        replace(QUIET, judgement=NOT_YET, expectation="steady"),
        "HEALTHY",
        "no fault so far",
    ),
    "steady and off": (
        replace(QUIET, load=LoadState.OFF, expectation="steady"),
        "LOAD OFF",
        "expected on all the time, and it is off",
    ),
    "load unknown": (replace(QUIET, load=LoadState.UNKNOWN), "NO EVENT", "on or off is not known yet"),
    "nothing yet": (replace(QUIET, samples=0), "WAITING", "for the first samples"),
    "unplugged": (replace(CAUGHT, plug="out"), "UNPLUGGED", "nothing is judged; p on the dashboard"),
    "AC": (replace(CAUGHT, cautions=("ac",)), "AC REFUSED", "take the leads off. Mains kills."),
    "lead check": (CHECKING, "LEAD CHECK", "finish it on the dashboard"),
    "a lead on nothing": (LOOSE, "SEE TO LEADS", "lead 2 on nothing? Press it onto its pin."),
}


@pytest.mark.parametrize("state", STATES)
def test_health_is_claimed_only_where_a_fault_would_be_seen(state: str) -> None:
    stage, word, sentence = STATES[state]
    told = headline(stage, HOUR_S, False, False)
    assert told.word == word
    assert sentence in told.sentence
    assert told.alarm == (word not in ("HEALTHY", "NO EVENT", "WAITING"))


async def test_healthy_is_said_in_big_letters() -> None:
    with a_run(StagePipeline(QUIET)) as run:
        async with driving(run) as (pilot, _):
            assert shows(lines(pilot.app), "HEALTHY", ROOM)
            assert "healthy: no fault so far" in text(pilot.app)
            assert "no events" in text(pilot.app)


async def test_a_logger_that_is_away_is_no_health() -> None:
    away = Change(800, Origin.DEVICE, ChangeKind.DEVICE, LOGGER_AWAY)
    source = ListSource([*switched(0.2), away, *[Block(800, switched(0.01)[0].counts[:0], LAYOUT)] * 3])
    source.goes_on = False
    with a_run(StagePipeline(QUIET), source) as run:
        async with driving(run) as (pilot, _):
            await until(pilot, lambda: shows(lines(pilot.app), "LOGGER AWAY", ROOM))
            assert "check its cable and plug it in again" in text(pilot.app)


async def test_a_run_that_is_over_says_so_and_takes_no_marks() -> None:
    with a_run(StagePipeline(QUIET), ListSource(switched(0.2), ends=True)) as run:
        async with driving(run) as (pilot, _):
            await until(pilot, lambda: shows(lines(pilot.app), "ENDED", ROOM))
            await tap(pilot, "1")
            await until(pilot, lambda: "The run is over: nothing can be added to it" in text(pilot.app))
    assert run.told == []


def test_the_last_minute_is_called_normal_only_where_there_was_one_and_nothing_in_it() -> None:
    assert "10.0 s to go" in no_baseline(replace(QUIET, time_s=50.0))
    now = with_events(Event(EventKind.FEED_DROPOUT, 3000.0, 0.01))
    for time_s, refused in ((3059.0, True), (3061.0, False)):
        assert ("an event in the last minute" in no_baseline(replace(now, time_s=time_s))) is refused


async def test_a_minute_that_was_none_is_not_called_normal() -> None:
    with a_run(StagePipeline(replace(QUIET, time_s=12.0))) as run:
        async with driving(run) as (pilot, _):
            await tap(pilot, "b")
            await until(pilot, lambda: "not taken: a whole minute must have gone by first" in text(pilot.app))
    assert run.told == []


async def test_every_key_puts_its_mark_into_the_log_at_its_moment() -> None:
    with a_run(StagePipeline(QUIET)) as run:
        async with driving(run) as (pilot, _):
            before_s = run.session.now_s()
            await tap(pilot, *"12345678", "space", "o", "f", "g", "e", "b", "n")
            await until(pilot, lambda: "Enter keeps it" in text(pilot.app))
            pressed_s = run.session.now_s()
            await tap(pilot, *"wet 1", "enter")
            await until(pilot, lambda: len(run.told) == 15)
    assert run.told == [
        *((ChangeKind.NOTE, key.label) for key in DRIVE_MARKS),
        (ChangeKind.NOTE, "seen"),
        *((ChangeKind.MARK, value) for value in ("on", "off", "other")),
        (ChangeKind.EXPECT, "steady"),
        (ChangeKind.SETTING, BASELINE),
        (ChangeKind.NOTE, "wet 1"),
    ]
    stamps = [c.at_s for c in run.pipeline.changes if c.kind in (ChangeKind.MARK, ChangeKind.NOTE)]
    assert all(at_s is not None and before_s <= at_s <= pressed_s for at_s in stamps)


async def test_marks_stand_in_the_log_of_the_dashboard_too() -> None:
    with a_run(StagePipeline(QUIET), ListSource(switched(1.0))) as run:
        async with driving(run) as (pilot, _):
            await tap(pilot, "1", "q")
            await until(pilot, lambda: any("┊" in line for line in lines(pilot.app)))
            lanes = [line.split("▕")[1] for line in lines(pilot.app) if "▕" in line]
            assert sum("n" in lane for lane in lanes) == 2, "n once on each lane"
            await tap(pilot, "d")
            await asyncio.sleep(0.3)
            await tap(pilot, "end")
            await until(pilot, lambda: "bump" in text(pilot.app))


async def test_a_new_event_rings_and_silence_is_kept() -> None:
    rings, now = list[float](), count(step=BELL_EVERY_S / 2)
    with a_run(StagePipeline(CAUGHT)) as run:
        async with driving(run) as (pilot, screen):
            screen.bell = Bell(lambda: rings.append(1.0), clock=lambda: next(now), every_s=BELL_EVERY_S)

            async def events(number: int, kind: EventKind = FEED) -> None:
                stage = with_events(*(Event(kind, 9.0 * n, 0.002) for n in range(number)))
                run.pipeline.stage = stage
                await until(pilot, lambda: run.session.latest.event_count == number)
                await asyncio.sleep(1.2 * LOOK_S)

            assert rings == [], "what was known before does not ring"
            for number, rung in ((8, 1), (9, 1), (10, 2)):  # half a limit apart
                await events(number)
                assert len(rings) == rung
            await tap(pilot, "s")
            await until(pilot, lambda: "s bell on again" in text(pilot.app))
            await events(11)
            await tap(pilot, "s")
            await until(pilot, lambda: "s silence" in text(pilot.app))
            await asyncio.sleep(0.3)
            assert len(rings) == 2, "an event of the silence does not ring later"
            await events(12)
            await events(13)
            assert len(rings) == 3, "within the limit at most"
            await events(0)
            assert len(rings) == 3, "evidence that is cleared is no event"
            for number in (1, 2, 3):
                await events(number, EventKind.FEED_AWAKE)
            assert len(rings) == 3, "what is no fault does not ring"
            assert shows(lines(pilot.app), "HEALTHY", ROOM)


async def test_recording_health_is_on_the_screen(tmp_path: Path) -> None:
    path = tmp_path / "drive.whichside"
    with a_run(StagePipeline(QUIET), ListSource(switched(1.0)), open_recorder=LiveRecorder) as run:
        run.new_capture = lambda: path  # type: ignore[method-assign]
        async with driving(run, LARGE) as (pilot, _):
            run.pipeline.stage = replace(QUIET, time_s=1.0)
            await tap(pilot, "r")
            await until(pilot, lambda: "● REC 0:01 · nothing lost · " in text(pilot.app))
            await until(pilot, lambda: " · drive.whichside · " in text(pilot.app))
            await until(pilot, lambda: "the disk lasts for" in text(pilot.app))
            await until(pilot, lambda: "on the disk but for the last 0 s" in text(pilot.app))
            run.pipeline.stage = replace(QUIET, time_s=60.0)
            await until(pilot, lambda: "on the disk but for the last 5" in text(pilot.app))
            await tap(pilot, "r")
            await until(pilot, lambda: "NOT RECORDING" in text(pilot.app))
            await until(pilot, lambda: run.session.recording.saved == path)


async def test_leaving_ends_nothing() -> None:
    with a_run(StagePipeline(QUIET)) as run:
        async with driving(run) as (pilot, _):
            await tap(pilot, "escape")
            await until(pilot, lambda: "GROUND" not in DRIVER and "why:" in text(pilot.app))
            await tap(pilot, "o")
            await until(pilot, lambda: run.told == [(ChangeKind.MARK, "on")])


async def test_without_colour_no_colour_is_sent_and_nothing_is_missing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    with a_run(StagePipeline(CAUGHT)) as run:
        async with driving(run) as (pilot, _):
            styles = [s.style for line in segments(pilot.app) for s in line if s.style is not None]
            assert all(s.color is None or s.color.is_default for s in styles)
            assert all(s.bgcolor is None or s.bgcolor.is_default for s in styles)
            assert shows(lines(pilot.app), "FEED DROPOUT", ROOM)


async def test_names_are_shown_and_never_obeyed() -> None:
    nasty = "[red]x[/red] \x1b[31m\x07\u202e[/] [bold"
    with a_run(StagePipeline(QUIET), ListSource(switched(0.2), info=DeviceInfo(nasty))) as run:
        async with driving(run) as (pilot, _):
            run.session.change(ChangeKind.NOTE, nasty)
            await until(pilot, lambda: "marks 1, the last: [red]x[/red]" in text(pilot.app))
            assert not set("\x1b\x07\u202e") & set(text(pilot.app))


@pytest.mark.parametrize("kind", EventKind)
def test_every_kind_of_event_has_its_letters(kind: EventKind) -> None:
    told = headline(with_events(Event(kind, 5.0, 0.002)), HOUR_S, False, False)
    rows = big_lines(kind.value.upper(), 80, ROOM)
    assert told.word == (kind.value.upper() if REGISTRY[kind].severity else "HEALTHY")
    assert 5 <= len(rows) <= 11
    assert all(len(row) <= 80 for row in rows)


@pytest.mark.parametrize(
    ("word", "width", "height", "rows"),
    [
        ("HEALTHY", 80, 5, 5),
        ("HEALTHY", 120, 23, 10),
        ("A B", 5, 5, 5),
        ("A B", 5, 11, 11),
        ("FEED DROPOUT", 120, 21, 21),
    ],
)
def test_big_words_are_as_large_as_fits(word: str, width: int, height: int, rows: int) -> None:
    drawn = big_lines(word, width, height)
    assert len(drawn) == rows
    assert max(map(len, drawn)) <= width
    assert columns("A B") == 14


@pytest.mark.parametrize(
    ("t_s", "told"), [(-1.0, "0:00"), (7.9, "0:07"), (725.0, "12:05"), (3725.0, "1:02:05")]
)
def test_the_clock_has_whole_seconds(t_s: float, told: str) -> None:
    assert words.clock(t_s) == told


@pytest.mark.parametrize("size", [SMALL, LARGE])
async def test_on_a_bench_the_circuit_is_worked_from_here_and_the_numbers_are_marks(
    size: tuple[int, int],
) -> None:
    source = BenchSource("gate-lamp", RATE_HZ)
    session = Session(source, StagePipeline(QUIET)).start()
    circuit = source.circuit
    try:
        async with on_stage(
            BenchScreen(session, lambda: Path("never"), circuit.controls, circuit.start), size
        ) as pilot:
            await tap(pilot, "a")
            await until(pilot, lambda: isinstance(pilot.app.screen, DriveScreen))
            await until(pilot, lambda: "x control: off u plug: in z fault: on 1 bump" in text(pilot.app))
            assert "lead 1" not in text(pilot.app)
            await tap(pilot, "x", "z", "1", "2")
            await until(pilot, lambda: [note.text for note in session.notes] == ["bump", "turning"])
            await tap(pilot, "u")
            await until(pilot, lambda: "x control: on u plug: out z fault: off" in text(pilot.app))
            assert {"control": "on", "plug": "out", "fault": "off"}.items() <= source.choices.items()
            assert source.choices["lead 1"] == "on pin"
            for key in (*DRIVE, SILENCE, *AFTER_DRIVE):
                assert f"{key.cap} {key.label}" in text(pilot.app)
    finally:
        session.close()


def test_the_benchs_hands_use_no_key_that_means_something_else_on_a_drive() -> None:
    driven = {key.key for key in (*DRIVE_MARKS, *DRIVE, SILENCE, *AFTER_DRIVE)}
    assert not driven & {key.key for key in CIRCUIT}
