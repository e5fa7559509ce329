"""The review screen: a recording from its beginning to its findings, from edge to edge, at any speed."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from daq.errors import InputError, WorkError
from daq.findings import LoadState
from daq.replay import Replay
from daq.samples import Block, Change, ChangeKind, Item, Origin
from daq.seen import Seen, SeenState
from daq.session import Noted, Session
from daq.snapshot import Snapshot
from tests.session.test_session import DyingSource
from tests.tui.scenes import GROUND_SIDE, ListSource, StagePipeline, snapshot, switched
from tests.tui.stage import LARGE, SMALL, lines, on_stage, settled, tap, text, until
from tui.details import DetailsScreen
from tui.help import HelpScreen
from tui.keys import COMMON, REVIEW
from tui.review import ReviewScreen


class EdgeASecond(StagePipeline):
    """Knows one more edge for each second pushed."""

    pairs = 0

    def push(self, item: Item) -> None:
        super().push(item)
        self.pairs += len(item.counts) if isinstance(item, Block) else 0

    def snapshot(self) -> Snapshot:
        seconds = self.pairs / 4000
        return replace(self.stage, edge_count=int(seconds), time_s=seconds, samples=self.pairs)


class Pad:
    """A notebook in memory; `refusal` is raised when something is to be written."""

    def __init__(self, refusal: WorkError | None = None) -> None:
        self.kept: list[Noted] = []
        self._refusal = refusal

    def add(self, text: str, at_s: float) -> None:
        if self._refusal is not None:
            raise self._refusal
        self.kept.append(Noted(at_s, text))

    def notes(self) -> list[Noted]:
        return self.kept


Open = Callable[..., ReviewScreen]


@pytest.fixture
def review() -> Iterator[Open]:
    sessions: list[Session] = []

    def opened(source: ListSource, notebook: Pad | None = None) -> ReviewScreen:
        def play(_: float) -> tuple[Session, Replay]:
            pipeline = EdgeASecond()
            replay = Replay(source, lambda: session.refresh().edge_count)
            session = Session(replay, pipeline)
            sessions.append(session)
            return session.start(), replay

        return ReviewScreen(play, notebook)

    yield opened
    for session in sessions:
        session.close()


async def test_it_replays_to_the_end_and_shows_the_findings(review: Open) -> None:
    screen = review(ListSource(switched(1.0), ends=True))
    async with on_stage(screen) as pilot:
        await until(pilot, lambda: isinstance(pilot.app.screen, DetailsScreen))
        await until(pilot, lambda: "FINDINGS" in text(pilot.app))
        shown = text(pilot.app)
        for fact in (
            "verdict GROUND SIDE (low side: switched between load and ground); control wire: lead 2",
            "why Off: both leads at source",
            "next test Switch off, unplug the load",
            "CAUTION: Unplug with the circuit off",
            "reference not proven",
            "drops feed side 0.21 V, ground side 0.12 V, while on",
        ):
            assert fact in shown, fact
        await tap(pilot, "escape")
        await until(pilot, lambda: "END OF RECORDING" in text(pilot.app))
        await asyncio.sleep(0.2)
        assert pilot.app.screen is screen, "shown once"


async def test_from_edge_to_edge_faster_and_again(review: Open) -> None:
    screen = review(ListSource(switched(30.0), ends=True))
    async with on_stage(screen) as pilot:
        await until(pilot, lambda: "replay at 1x" in text(pilot.app))
        await tap(pilot, "space")
        await until(pilot, lambda: "PAUSED" in text(pilot.app))
        seen = []  # from the first stop on: what was known while it ran may be a tenth of a second old
        for _ in range(4):
            await tap(pilot, "x")
            await until(pilot, lambda: screen.replay.paused)
            seen.append(screen.session.latest.edge_count)
        assert seen == list(range(seen[0], seen[0] + 4))
        await until(pilot, lambda: f"edges {seen[-1]}" in text(pilot.app))
        await tap(pilot, "+", "+", "+", "space")
        await until(pilot, lambda: "replay at 10x" in text(pilot.app))
        await tap(pilot, "-")
        await until(pilot, lambda: "replay at 5x" in text(pilot.app))
        first = screen.session
        await tap(pilot, "b")
        await until(pilot, lambda: screen.session is not first)
        assert screen.session.latest.time_s < 2.0
        assert first.join(1.0)


async def test_speeds_end_at_their_limits(review: Open) -> None:
    screen = review(ListSource(switched(5.0)))
    async with on_stage(screen) as pilot:
        await tap(pilot, "space", *"----")
        assert screen.replay.speed == 0.1
        await tap(pilot, *"+" * 9)
        assert screen.replay.speed == 100.0


@pytest.mark.parametrize("size", [SMALL, LARGE])
async def test_its_own_keys_are_shown_and_no_marks(review: Open, size: tuple[int, int]) -> None:
    async with on_stage(review(ListSource(switched(0.1))), size) as pilot:
        await until(pilot, lambda: "replay" in text(pilot.app))
        shown = text(pilot.app)
        for key in (*REVIEW, *COMMON):
            assert f"{key.cap} {'10 s wide' if key.action == 'window' else key.label}" in shown
        assert "switched on" not in shown.split("quit")[0].rsplit("events", 1)[1]


async def test_notes_of_the_recording_and_later_ones_stand_together(review: Open) -> None:
    noted = Change(0, Origin.USER, ChangeKind.NOTE, "on the [b]road", at_s=0.05)
    pad = Pad()
    async with on_stage(review(ListSource([noted, *switched(0.2)]), pad), LARGE) as pilot:
        await until(pilot, lambda: pilot.app.screen.session.latest.time_s > 0.1)  # type: ignore[attr-defined]
        await tap(pilot, "n", *"later", "enter")
        await until(pilot, lambda: pad.kept)
        await until(pilot, lambda: re.search(r"noted at \d", text(pilot.app)))
        await tap(pilot, "d")
        both = r"note 0\.050 s on the \[b\]road note \d+\.\d+ s later"
        await until(pilot, lambda: re.search(both, text(pilot.app)))
        assert text(pilot.app).count("note") == 2


async def test_a_note_that_cannot_be_kept_is_said(review: Open) -> None:
    pad = Pad(WorkError("The capture is on read-only media: copy it first."))
    async with on_stage(review(ListSource(switched(0.2)), pad)) as pilot:
        await tap(pilot, "n", "x", "enter")
        await until(pilot, lambda: "copy it first" in text(pilot.app))


async def test_damage_is_said_and_no_findings_pushed_over_it(review: Open) -> None:
    message = "The capture is damaged from 12 s on: what came before is shown."
    async with on_stage(review(DyingSource(InputError(message)))) as pilot:
        await until(pilot, lambda: message in text(pilot.app))
        await asyncio.sleep(0.2)
        assert not isinstance(pilot.app.screen, DetailsScreen)


async def test_help_has_every_caution_and_scrolls() -> None:
    async with on_stage(HelpScreen()) as pilot:
        assert lines(pilot.app)[0].strip() == "HELP (arrows scroll, Esc goes back)".replace("HELP ", "HELP  ")
        pages = [text(pilot.app)]
        while len(pages) < 2 or pages[-1] != pages[-2]:
            await tap(pilot, "pagedown")
            await settled(pilot)
            pages.append(text(pilot.app))
        seen = " ".join(pages)
        for words in (
            "DC up to 32 V nominal",
            "Never on yellow connectors, airbags, belt pretensioners",
            "the two pins must never touch",
            "Never pierce insulation",
            "Unplug with the circuit off",
            "Trouble codes may set",
            "starter, pump, fan or injector",
            "wheels chocked",
            "The driver never operates this program",
            "laptop on a charger",
            "Local codes and licensed practice come first",
            "A wiring diagram, where one exists, confirms",
            "quit, which saves the recording",
        ):
            assert words in seen, words


async def test_details_of_many_edges_say_how_many(review: Open) -> None:
    many = replace(snapshot(), edge_count=5000, edges=snapshot().edges * 30)
    async with on_stage(DetailsScreen(ListSource().info, many, None)) as pilot:
        await tap(pilot, "end")
        await until(pilot, lambda: "bench: brake lamp" in text(pilot.app))


async def test_details_add_what_it_could_be_once_it_is_worked_out() -> None:
    states = (
        SeenState(None, LoadState.OFF, (12.6, 12.6), (0.01, 0.01)),
        SeenState(None, LoadState.FORWARD, (12.4, 2.9), (0.01, 0.01)),
    )
    seen = replace(snapshot(), judgement=GROUND_SIDE, look=lambda: Seen(states))
    async with on_stage(DetailsScreen(ListSource().info, seen, None), LARGE) as pilot:
        await until(pilot, lambda: "high resistance, ground" in text(pilot.app))
        shown = text(pilot.app)
        assert "could be" in shown
        assert "being worked out" not in shown
        assert "GROUND SIDE" in shown, "the verdict stays"
        assert "high resistance, feed wire" not in shown.partition("others")[0]
