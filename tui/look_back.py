"""The review screen: a whole recording on one line of time, its events, and what lies between two moments.

Drawing reads the capture's pyramid, so hours are there at once. The analysis runs beside it in a thread of
its own; a timer pulls what it has found so far.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.screen import Screen

from daq import look_words, words
from daq.cli import EXPECTATIONS
from daq.errors import WhichsideError
from daq.event_lines import telling_lines
from daq.findings import Event, EventKind
from daq.live_view import bands_of
from daq.look_back import NOTE, LookBack
from daq.session import Noted
from daq.snapshot import Bands
from tui import keys, panels
from tui.details import DetailsScreen
from tui.help import HelpScreen
from tui.keys import Key, KeyBar
from tui.kinds import KindsScreen
from tui.lane import DOTS_PER_CELL
from tui.levels import BARS, LevelsScreen
from tui.look_back_keys import COMMON, LOOK
from tui.note import NoteScreen
from tui.overlay import OverlayScreen
from tui.panels import DOT, Line
from tui.review import Notebook
from tui.terminal import keeps_up, too_small
from tui.time_view import Picture, TimeView, cell_of
from tui.trace_view import LINES

POLL_S = 0.2
"""How often the analysis is asked what it has found (s)."""

NOTICE_S = 6.0
ZOOM = 2.0
PAGE = 0.9  # of the window, so that what stood at its edge is still seen


class LookBackScreen(Screen[None]):
    """Shows `look`, which it closes; `play` makes the screen that replays the recording."""

    VERTICAL_BREAKPOINTS = [(0, "-low"), (32, "-tall")]  # noqa: RUF012
    BINDINGS: ClassVar[list[BindingType]] = keys.bindings(LOOK, [keys.NOTE_AFTERWARDS], COMMON)

    def __init__(
        self, look: LookBack, play: Callable[[float], Screen[None]], notebook: Notebook | None = None
    ) -> None:
        super().__init__()
        self.look = look
        self.window = look.whole
        self.here_s = 0.0
        self.from_s: float | None = None
        self.chosen: Event | None = None
        self.pinned: Event | None = None  # the first of two to be laid over each other
        self.hidden: frozenset[EventKind] = frozenset()
        self._play, self._notebook = play, notebook
        self._drawn = look.progress
        self._waiting = False  # a picture is due that the terminal had no time for
        self._notice, self._notice_until_s = "", 0.0

    def compose(self) -> ComposeResult:
        yield Line(id="file")
        yield Line(id="side")
        yield Line(id="shown")
        yield TimeView(id="picture")
        yield Line(id="span")
        yield Line(id="list")
        yield Line(id="told")
        yield Line(id="notice")
        yield KeyBar(id="keys")

    def on_mount(self) -> None:
        self._mark_notes()
        self.query_one(KeyBar).show((), self.keys())
        self.set_interval(POLL_S, self.pull)
        self.call_after_refresh(self.look.analysis.start)  # the first picture does not wait for it

    def on_resize(self) -> None:
        self.call_after_refresh(self.draw)

    def on_unmount(self) -> None:
        self.look.close()

    def keys(self) -> Sequence[Key]:
        return (*LOOK, *([keys.NOTE_AFTERWARDS] if self._notebook else []), *COMMON)

    # Showing

    @property
    def events(self) -> tuple[Event, ...]:
        findings = self.look.progress.findings
        return () if findings is None else findings.events

    @property
    def shown_events(self) -> list[Event]:
        return [event for event in self.events if event.kind not in self.hidden]

    @property
    def bands(self) -> Bands:
        snapshot = self.look.progress.snapshot
        return bands_of(None) if snapshot is None else snapshot.bands

    def pull(self) -> None:
        """What the analysis found meanwhile, and a picture that had to wait."""
        if not self.is_current or not keeps_up(self.app):
            return
        if self._waiting or self.look.progress is not self._drawn:
            self.draw()
        self._say_notice()

    def draw(self) -> None:
        """All of the screen, from what is there now; later where the terminal is still busy."""
        if not self.is_attached:
            return  # left meanwhile
        self._waiting = not keeps_up(self.app)
        if self._waiting:
            return
        self.look.analysis.stand_back()
        self._drawn = self.look.progress
        self._say_head()
        self._say_span()
        self._say_events()
        self._draw_picture()

    def _draw_picture(self) -> None:
        view = self.query_one(TimeView)
        columns = self.look.columns(self.window, view.cells * DOTS_PER_CELL)
        cell = cell_of(self.window, self.here_s, view.cells) or 0
        reading = self.look.reading(self.here_s)
        beside = []
        for lead in (0, 1):
            dots = slice(cell * DOTS_PER_CELL, (cell + 1) * DOTS_PER_CELL)
            low, high = columns.low[dots, lead].tolist(), columns.high[dots, lead].tolist()
            seen = look_words.seen(low, high, look_words.reading(reading, lead))
            beside.append([f"{LINES[lead]} LEAD {lead + 1}", seen, self._wire(lead)])
        chosen_s = None if self.chosen is None else self.chosen.t_s
        view.show(
            Picture(
                self.window,
                columns,
                self.bands,
                (beside[0], beside[1]),
                [event.t_s for event in self.shown_events],
                chosen_s,
                self.here_s,
                self.from_s,
            )
        )

    def _wire(self, lead: int) -> str:
        findings = self.look.progress.findings
        return "" if findings is None else panels.roles(findings.judgement)[lead]

    def _say_head(self) -> None:
        now, source = self.look.progress, self.look.source
        small = too_small(self.size.width, self.size.height)
        facts = look_words.file(
            self.look.named.name, source.duration_s, self.look.rate_hz, self.look.wall_time(0.0)
        )
        self._line("file").say((small or DOT.join(facts), "bold reverse" if small else "bold"))
        self._line("side").say(look_words.verdict(now, self.size.width))
        cells = self.query_one(TimeView).cells
        step_s = self.window.width_s / cells
        at = look_words.moment(self.here_s, step_s)
        wall = look_words.wall(self.look.wall_time(self.here_s), step_s)
        here = f"here {at}{f' ({wall})' if wall else ''}"
        self._line("shown").say(f"{look_words.window(self.window, cells)}{DOT}{here}")

    def _say_span(self) -> None:
        self.set_class(self.from_s is not None, "-span")
        if self.from_s is not None:
            self._line("span").say("\n".join(look_words.span(self.look.measure(self.from_s, self.here_s))))

    def _say_events(self) -> None:
        shown, line, told = self.shown_events, self._line("list"), self._line("told")
        at = self._chosen_at(shown)
        rows = max(1, line.size.height)
        now = self.look.progress
        title = DOT.join(
            part
            for part in (
                look_words.counted(self.events, shown, at, now.over),
                look_words.progress(now),
            )
            if part
        )
        first = min(max(0, (at or 0) - (rows - 1) // 2), max(0, len(shown) - rows + 1))
        parts: list[panels.Part] = [(title, "bold")]
        for n, event in enumerate(shown[first : first + rows - 1], start=first):
            pin = " ━━" if event == self.pinned else ""
            text = f"{'▶' if n == at else ' '} {words.event(event)}{pin}"
            parts += ["\n", (text, "bold" if n == at else "")]
        line.say(*parts)
        if (findings := now.findings) is None:
            told.say("")
            return
        if at is None:
            told.say("\n".join(telling_lines(findings.summary)[:2]))
            return
        levels = look_words.levels(*self.look.levels(shown[at]))
        told.say(f"{look_words.told(shown[at], findings.judgement)} {levels}")

    def _chosen_at(self, shown: Sequence[Event]) -> int | None:
        """Where the chosen event stands; its kind may have been named anew meanwhile."""
        if self.chosen is None:
            return None
        return next((n for n, event in enumerate(shown) if event.t_s == self.chosen.t_s), None)

    def _say_notice(self) -> None:
        error = self.look.progress.error
        text = self._notice if time.monotonic() < self._notice_until_s else str(error) if error else ""
        self._line("notice").say(*([(f" {words.printable(text)} ", "reverse")] if text else []))
        self.set_class(bool(text), "-notice")

    def notice(self, text: str) -> None:
        """Answer a key: `text` stands for some seconds."""
        self._notice, self._notice_until_s = text, time.monotonic() + NOTICE_S
        self._say_notice()

    def _line(self, name: str) -> Line:
        return self.query_one(f"#{name}", Line)

    # Moving

    def go(self, at_s: float) -> None:
        """Put the cursor on a moment, moving the picture no further than needed."""
        self.here_s = self.window.inside(at_s)
        self.window = self.window.holding(self.here_s)
        self.draw()

    def action_move(self, cells: int) -> None:
        self.go(self.here_s + cells * self.window.width_s / self.query_one(TimeView).cells)

    def action_page(self, pages: int) -> None:
        by_s = pages * PAGE * self.window.width_s
        self.window = self.window.moved(by_s)
        self.go(self.here_s + by_s)

    def action_end(self, share: float) -> None:
        self.go(share * self.window.whole_s)

    def action_zoom(self, steps: int) -> None:
        self.window = self.window.zoomed(ZOOM**steps, self.here_s)
        self.draw()

    def action_samples(self) -> None:
        """A cell for each pair, with the cursor in the middle."""
        cells = self.query_one(TimeView).cells
        self.window = self.window.around(self.here_s, cells / max(self.look.rate_hz, 1.0))
        self.draw()

    def action_all(self) -> None:
        self.window = self.look.whole
        self.draw()

    # Events

    def action_step(self, by: int) -> None:
        """The next event (or the one before), from the chosen one or from the cursor."""
        shown = self.shown_events
        at = self._chosen_at(shown)
        if at is None:
            later = sum(event.t_s < self.here_s for event in shown)
            at = later if by > 0 else later - 1
        else:
            at += by
        if not 0 <= at < len(shown):
            self.notice("no event behind this one" if by > 0 else "no event before this one")
            return
        self.chosen = shown[at]
        self.here_s = self.window.inside(self.chosen.t_s)
        if cell_of(self.window, self.here_s, 1) is None:
            self.window = self.window.around(self.here_s)
        self.draw()

    def action_to_event(self) -> None:
        if self.chosen is None:
            self.notice("choose an event first: ↑ ↓")
            return
        self.window = self.look.around(self.chosen)
        self.go(self.chosen.t_s)

    def action_kinds(self) -> None:
        def put(hidden: frozenset[EventKind] | None) -> None:
            self.hidden = self.hidden if hidden is None else hidden
            self.draw()

        self.app.push_screen(KindsScreen(self.events, self.hidden), put)

    def action_overlay(self) -> None:
        """The first time: keep the chosen event; then lay it over the one chosen now."""
        if self.chosen is None:
            self.notice("choose an event first: ↑ ↓")
        elif self.pinned is None or self.pinned == self.chosen:
            self.pinned = None if self.pinned else self.chosen
            self.draw()
            self.notice(
                "kept: choose another event, then o lays both over each other" if self.pinned else "let go"
            )
        else:
            self.app.push_screen(OverlayScreen(self.look, self.bands, self.pinned, self.chosen))

    # Measuring and judging

    def action_from_here(self) -> None:
        """Begin a measured span at the cursor; there already, end measuring."""
        self.from_s = None if self.from_s == self.here_s else self.here_s
        self.draw()
        if self.from_s is not None:
            self.notice("from here: move on, what lies between is measured; f again ends it")

    def action_levels(self) -> None:
        findings = self.look.progress.findings
        if findings is None:
            self.notice("nothing is analysed yet: a moment")
            return
        self.look.analysis.stand_back()
        self.app.push_screen(LevelsScreen(self.look.on_levels(findings, self.window, BARS)))

    def action_expect(self) -> None:
        now = self.look.progress.expectation
        at = EXPECTATIONS.index(now) if now in EXPECTATIONS else -1
        wanted = EXPECTATIONS[(at + 1) % len(EXPECTATIONS)]
        self.look.expect(wanted)
        self.draw()
        self.notice(f"analysing anew, expecting: {wanted}; the file stays as it is")

    def action_play(self) -> None:
        self.app.push_screen(self._play(self.here_s))

    def action_details(self) -> None:
        now = self.look.progress
        if now.findings is None or now.snapshot is None:
            self.notice("nothing is analysed yet: a moment")
            return
        self.app.push_screen(DetailsScreen(self.look.source.info, now.snapshot, now.findings, self._notes()))

    def action_note(self) -> None:
        notebook, at_s = self._notebook, self.here_s
        if notebook is None:
            self.notice("a text file keeps no notes: import it first")
            return

        def put(text: str | None) -> None:
            if not text:
                return
            try:
                notebook.add(text, at_s)
            except WhichsideError as error:
                self.notice(str(error))
                return
            self._mark_notes()
            self.draw()
            self.notice(f"noted at {words.moment(at_s)}, apart from the recording")

        self.app.push_screen(NoteScreen(at_s), put)

    def _notes(self) -> Sequence[Noted]:
        return self._notebook.notes() if self._notebook else ()

    def _mark_notes(self) -> None:
        self.look.add_marks([(note.at_s, NOTE) for note in self._notes() if note.at_s is not None])

    def action_help(self) -> None:
        self.app.push_screen(HelpScreen())

    def action_leave(self) -> None:
        self.dismiss()
