"""Puts a screen on a stage without a terminal, and reads what is really on it."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any

from rich.segment import Segment
from textual.app import App
from textual.pilot import Pilot
from textual.screen import Screen

from daq.samples import ChangeKind
from daq.session import Session
from tests.tui.scenes import ListSource, StagePipeline, switched
from tui import themes
from tui.app import WhichsideApp
from tui.letters import big
from tui.live import LiveScreen

SMALL, LARGE = (80, 24), (120, 40)


def segments(app: App[Any]) -> list[list[Segment]]:
    """What the terminal is given, filters (no colour) applied."""
    background = app.screen.background_colors[1]
    strips = app.screen._compositor.render_strips()
    for line_filter in app._filters:
        if line_filter.enabled:
            strips = [strip.apply_filter(line_filter, background) for strip in strips]
    return [list(strip) for strip in strips]


def lines(app: App[Any]) -> list[str]:
    return ["".join(segment.text for segment in line) for line in segments(app)]


def text(app: App[Any]) -> str:
    """The screen as one text, wrapped sentences joined again."""
    return " ".join(" ".join(lines(app)).split())


@asynccontextmanager
async def on_stage(
    screen: Screen[None], size: tuple[int, int] = SMALL, theme: str = themes.DARK
) -> AsyncIterator[Pilot[None]]:
    app = WhichsideApp(screen, theme)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        await settled(pilot)
        yield pilot


TRIES = 1500  # half a minute: on a machine with much to do a screen takes its time


async def until(pilot: Pilot[Any], condition: Callable[[], object], tries: int = TRIES) -> None:
    """Let the screen live until the condition holds.

    Not by the pilot's own pause: that waits for the whole process to be idle, which a worker never is.
    """
    for _ in range(tries):
        if condition():
            return
        await asyncio.sleep(0.02)
    raise AssertionError("waited in vain; on screen:\n" + "\n".join(lines(pilot.app)))


async def settled(pilot: Pilot[Any]) -> None:
    """Wait until the screen stands still: rows take their places some frames after the first picture."""
    seen, alike = "", 0
    for _ in range(10):
        await asyncio.sleep(0.05)
        now = text(pilot.app)
        alike = alike + 1 if now == seen else 0
        seen = now
        if alike >= 4:
            return


async def tap(pilot: Pilot[Any], *keys: str) -> None:
    """Press keys without waiting for the process to be idle."""
    for key in keys:
        pilot.app.simulate_key({"+": "plus", "-": "minus"}.get(key, key))
        await asyncio.sleep(0.02)


class Run:
    """A live run over a stage pipeline: what was put into the log, and a screen for it."""

    def __init__(self, session: Session, source: ListSource, pipeline: StagePipeline) -> None:
        self.session, self.source, self.pipeline = session, source, pipeline
        self.captures = 0

    @property
    def told(self) -> list[tuple[ChangeKind, str]]:
        return [(change.kind, change.value) for change in self.pipeline.changes]

    def screen(self) -> LiveScreen:
        return LiveScreen(self.session, self.new_capture)

    def new_capture(self) -> Path:
        self.captures += 1
        return Path(f"run-{self.captures}.whichside")


@contextmanager
def a_run(
    pipeline: StagePipeline | None = None, source: ListSource | None = None, **session: Any
) -> Iterator[Run]:
    pipeline, source = pipeline or StagePipeline(), source or ListSource(switched(2.0))
    run = Run(Session(source, pipeline, **session).start(), source, pipeline)
    try:
        yield run
    finally:
        run.session.close()


CONTROLS = {
    "control": ("on", "off"),
    "plug": ("in", "out"),
    "lead 1": ("on pin", "off pin", "on positive", "on negative"),
    "lead 2": ("on pin", "off pin", "on positive", "on negative"),
    "reference": ("on", "off", "wiggle"),
}


START = {"control": "off", "plug": "in", "lead 1": "on pin", "lead 2": "on pin", "reference": "on"}


def shows_big(screen: list[str], word: str) -> bool:
    """Whether `word` stands on the screen in big letters."""
    if not screen:  # a screen that was just opened has no rows yet
        return False
    rows = big(word, len(screen[0]))
    return any(
        all(screen[y + i].rstrip() == row.rstrip() for i, row in enumerate(rows))
        for y in range(len(screen) - len(rows))
    )
