"""The start screen and the entry points: what can be opened is listed, opened, or refused in a sentence."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import pytest
from textual.screen import Screen
from textual.widgets import OptionList

from daq.errors import DeviceError
from daq.session import Session
from tests.tui.scenes import ListSource, StagePipeline, switched
from tests.tui.stage import LARGE, SMALL, lines, on_stage, shows_big, tap, text, until
from tui.live import LiveScreen
from tui.start import NOTHING_TO_WALK, START, Choice, Shelf, StartScreen
from tui.walk import WalkScreen

Live = Callable[[], Screen[None]]


@pytest.fixture
def live() -> Iterator[Live]:
    sessions: list[Session] = []

    def made() -> Screen[None]:
        sessions.append(Session(ListSource(switched(0.2)), StagePipeline()).start())
        return LiveScreen(sessions[-1], lambda: Path("never"))

    yield made
    for session in sessions:
        session.close()


def _shelf(title: str, *choices: Choice, found: threading.Event | None = None) -> Shelf:
    def find() -> Sequence[Choice]:
        if found is not None:
            found.wait(60)
        return choices

    return Shelf(title, find, f"no {title.lower()}")


def _fails(message: str) -> Live:
    def opened() -> Screen[None]:
        raise DeviceError(message)

    return opened


@pytest.mark.parametrize("size", [SMALL, LARGE])
async def test_it_lists_shelves_with_their_choices_and_keys(size: tuple[int, int], live: Live) -> None:
    shelves = [
        _shelf("LOGGERS"),
        _shelf("BENCHES", Choice("brake lamp", "12 V", live), Choice("pump", "24 V", live)),
        _shelf("CAPTURES", Choice("\x1b[31mbad[/b] [red]", "2026", live)),
    ]
    async with on_stage(StartScreen(shelves), size) as pilot:
        await until(pilot, lambda: "looking" not in text(pilot.app))
        shown = text(pilot.app)
        for fact in (
            "LOGGERS no loggers",
            "BENCHES brake lamp 12 V pump 24 V",
            "CAPTURES",
            "bad[/b] [red] 2026",
        ):
            assert fact in shown, fact
        assert "CAUTION: DC up to 32 V only. Never on airbags" in shown
        assert "\x1b" not in shown
        for key in START:
            assert f"{key.cap} {key.label}" in shown
        assert "Enter open" in shown


async def test_slow_ports_do_not_hold_up_the_rest(live: Live) -> None:
    found = threading.Event()
    shelves = [_shelf("LOGGERS", found=found), _shelf("BENCHES", Choice("brake lamp", "", live))]
    async with on_stage(StartScreen(shelves)) as pilot:
        await until(pilot, lambda: "brake lamp" in text(pilot.app))
        assert "looking …" in text(pilot.app)
        found.set()
        await until(pilot, lambda: "no loggers" in text(pilot.app))
        option = pilot.app.screen.query_one(OptionList).highlighted_option
        assert option is not None
        assert option.id == "BENCHES 0"


async def test_the_list_begins_on_its_first_choice_whichever_shelf_is_found_first(live: Live) -> None:
    slow = threading.Event()

    def benches() -> Sequence[Choice]:
        slow.wait(10)
        return (Choice("lamp", "12 V", live), Choice("pump", "24 V", live))

    shelves = [
        Shelf("BENCHES", benches, "none"),
        _shelf("CAPTURES", Choice("a", "1", live), Choice("b", "2", live)),
    ]
    async with on_stage(StartScreen(shelves)) as pilot:
        listing = pilot.app.screen.query_one(OptionList)
        await until(pilot, lambda: listing.highlighted is not None)
        slow.set()
        await until(pilot, lambda: "looking" not in text(pilot.app))
        assert listing.highlighted_option is not None
        assert listing.highlighted_option.id == "BENCHES 0"


async def test_where_the_user_went_is_kept_while_the_rest_is_found(live: Live) -> None:
    slow = threading.Event()

    def benches() -> Sequence[Choice]:
        slow.wait(10)
        return (Choice("lamp", "12 V", live),)

    captures = _shelf("CAPTURES", Choice("a", "1", live), Choice("b", "2", live))
    async with on_stage(StartScreen([Shelf("BENCHES", benches, "none"), captures])) as pilot:
        listing = pilot.app.screen.query_one(OptionList)
        await until(pilot, lambda: listing.highlighted is not None)
        await tap(pilot, "down")
        slow.set()
        await until(pilot, lambda: "looking" not in text(pilot.app))
        assert listing.highlighted_option is not None
        assert listing.highlighted_option.id == "CAPTURES 1"


async def test_choosing_opens_and_leaving_comes_back(live: Live) -> None:
    start = StartScreen([_shelf("BENCHES", Choice("one", "", live), Choice("two", "", live))])
    async with on_stage(start) as pilot:
        await until(pilot, lambda: "two" in text(pilot.app))
        await tap(pilot, "down", "enter")
        await until(pilot, lambda: isinstance(pilot.app.screen, LiveScreen))
        await until(pilot, lambda: "control wire: lead 2" in text(pilot.app))
        await tap(pilot, "q")
        await until(pilot, lambda: pilot.app.screen is start)
        await tap(pilot, "h", "escape", "q")


async def test_the_wire_is_walked_at_once_on_what_is_chosen_but_not_on_a_capture(live: Live) -> None:
    capture = Choice("a day", "", live, walks=False)
    start = StartScreen([_shelf("CAPTURES", capture), _shelf("BENCHES", Choice("lamp", "", live))])
    async with on_stage(start) as pilot:
        await until(pilot, lambda: "lamp" in text(pilot.app) and "a day" in text(pilot.app))
        await tap(pilot, "s")
        await until(pilot, lambda: NOTHING_TO_WALK in text(pilot.app))
        await tap(pilot, "down", "s")
        await until(pilot, lambda: isinstance(pilot.app.screen, WalkScreen))
        await until(pilot, lambda: shows_big(lines(pilot.app), "LEAD CHECK"))
        await tap(pilot, "q")
        await until(pilot, lambda: isinstance(pilot.app.screen, LiveScreen))


async def test_what_cannot_be_opened_is_said_and_the_list_stays() -> None:
    message = "No logger answers on port nine: it may be another board, or need another rate."
    start = StartScreen([_shelf("LOGGERS", Choice("port nine", "", _fails(message)))])
    async with on_stage(start) as pilot:
        await until(pilot, lambda: "port nine" in text(pilot.app))
        await tap(pilot, "enter")
        await until(pilot, lambda: message in text(pilot.app))
        assert pilot.app.screen is start


async def test_a_search_that_fails_is_said() -> None:
    def find() -> Sequence[Choice]:
        raise DeviceError("The ports cannot be listed: join the group dialout.")

    async with on_stage(StartScreen([Shelf("LOGGERS", find, "none")])) as pilot:
        await until(pilot, lambda: "join the group dialout" in text(pilot.app))
        assert any("none" in line for line in lines(pilot.app))
