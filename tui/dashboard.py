"""Dashboard: the screen both live and review show. Verdict first, then why, then the traces.

A timer pulls the session's latest snapshot; nothing is pushed at the screen. While the terminal has not
yet written the last frame the next one is left out, so a slow line slows the picture and nothing else.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import ClassVar

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.screen import Screen

from daq.samples import DeviceInfo
from daq.session import Noted, Session, SessionState
from daq.snapshot import LeadView, Snapshot, StateWord
from tui import panels
from tui.details import DetailsScreen
from tui.help import HelpScreen
from tui.keys import COMMON, Key, KeyBar
from tui.letters import ROWS
from tui.notice import NOTICE_S, Notice
from tui.panels import BigWord, Line
from tui.terminal import TALL_FROM, Bell, keeps_up, too_small
from tui.trace_view import TraceView

FRAME_S = 1 / 10
"""Time between frames (s): the pen goes on by a cell or less; more frames cost and show no more."""

NO_READINGS = (LeadView(0.0, 0.0, StateWord.NO_READING),) * 2

_FIXED_ROWS = 1 + 1 + 1 + 6  # device, state, roles, lanes
_MORE_ROWS_TALL = 2 + 7  # about the verdict; edges and events as lists (one row of them is counted below)
_WORDS_LEAST, _WORDS_MOST, _WORDS_MOST_TALL = 3, 6, 7
_NOTICE_ROWS = 2


class Dashboard(Screen[None]):
    """Shows `session`; subclasses add what their keys do."""

    VERTICAL_BREAKPOINTS = TALL_FROM
    live: ClassVar[bool] = True  # something can be measured and asked for now

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session
        self.bell = Bell(lambda: self.app.bell())
        self.frames_skipped = 0
        self._frozen: Snapshot | None = None  # the picture while paused

    def compose(self) -> ComposeResult:
        yield Line(id="device")
        yield Line(id="state")
        yield BigWord(id="verdict")
        yield Line(id="roles")
        with Vertical(id="words"):
            yield Line(id="why")
            yield Line(id="next")
        yield TraceView(lambda read: self.session.trace(read), id="trace")
        with Horizontal(id="happenings"):
            yield Line(id="edges")
            yield Line(id="events")
        yield Notice(id="notice")
        yield KeyBar(id="keys")

    def on_mount(self) -> None:
        self.pull(hurry=True)
        self.set_interval(FRAME_S, self.pull)

    def pull(self, hurry: bool = False) -> None:
        """Show the latest snapshot, unless nobody sees it or the terminal is still busy with the last one."""
        if not (self.is_active or self.app.screen.is_modal):
            return
        if not hurry and not keeps_up(self.app):
            self.frames_skipped += 1
            return
        snapshot = self._frozen or self.session.latest
        self.say_notice()
        self._share_rows()
        self.show(replace(snapshot, leads=NO_READINGS) if self.session.away else snapshot)

    def show(self, snapshot: Snapshot) -> None:
        line = self._line
        small = too_small(self.size.width, self.size.height)
        recording, width = self.session.recording, line("device").size.width
        told = panels.device_line(self.device, snapshot, recording, self.mood(), width)
        line("device").say(*(((small, "bold reverse"),) if small else told))
        line("state").say(panels.state_line(snapshot, line("state").size.width, self.live))
        self.query_one("#verdict", BigWord).say(self.big_word(snapshot))
        line("roles").say(*self.roles_line(snapshot))
        self._show_words(snapshot)
        self.trace_view.show(snapshot, panels.roles(snapshot.judgement))
        self._show_happenings(snapshot)
        bar = self.query_one(KeyBar)
        bar.show(self.hands(), list(map(self._named, self.keys())), self.extra_keys())

    def _share_rows(self) -> None:
        """The reason and the next test get what everything else leaves; the lanes get the rest."""
        notice = self._line("notice")
        below = panels.height(notice.said, notice.size.width or self.size.width) or 1
        verdict = max(ROWS, self.query_one("#verdict").size.height)
        left = self.size.height - _FIXED_ROWS - verdict - self.query_one(KeyBar).rows
        left -= min(below, _NOTICE_ROWS) + _MORE_ROWS_TALL * self.tall
        most = _WORDS_MOST_TALL if self.tall else _WORDS_MOST
        self.query_one("#words").styles.height = min(max(left, _WORDS_LEAST), most)

    @property
    def tall(self) -> bool:
        return self.has_class("-tall")

    def _show_words(self, snapshot: Snapshot) -> None:
        """Why, and what next; where room is short the next test has it, for its caution must be seen."""
        why, next_line = self._line("why"), self._line("next")
        reason, width = panels.why(snapshot), why.size.width
        rows = self.query_one("#words").size.height - self.tall  # a row between them
        test = panels.next_test(snapshot, width, rows - panels.height(reason, width), self.live)
        why.styles.max_height = max(1, rows - panels.height(test, width))
        why.say(*reason)
        next_line.say(*test)

    def _show_happenings(self, snapshot: Snapshot) -> None:
        edges, events = self._line("edges"), self._line("events")
        rows = edges.size.height
        if rows > 1:
            edges.say(panels.edges_list(snapshot, rows))
            events.say(panels.events_list(snapshot, rows))
        else:
            edges.say(panels.edges_line(snapshot, edges.size.width))
            events.say(panels.events_line(snapshot, events.size.width))

    def say_notice(self) -> None:
        self.set_class(self.query_one(Notice).tell(self.session), "-notice")

    def notice(self, text: str, seconds: float = NOTICE_S) -> None:
        """Answer a key: `text` stands for some seconds."""
        self.query_one(Notice).answer(text, seconds)
        self.say_notice()

    def _named(self, key: Key) -> Key:
        """The key that sets the picture's width says what it is."""
        return replace(key, label=f"{self.trace_view.window_s:g} s wide") if key.action == "window" else key

    @property
    def device(self) -> DeviceInfo:
        return self.session.source.info

    @property
    def trace_view(self) -> TraceView:
        return self.query_one("#trace", TraceView)

    @property
    def over(self) -> bool:
        return self.session.state is not SessionState.RUNNING

    def mood(self) -> str:
        """What is unusual about time: paused, ended; "" in plain live measuring."""
        return ""

    def keys(self) -> Sequence[Key]:
        """The keys to show now; each screen adds its own."""
        return COMMON

    def hands(self) -> Sequence[tuple[str, str]]:
        """Cap and label of the keys that come first: what is worked all the time."""
        return ()

    def extra_keys(self) -> Sequence[tuple[str, str]]:
        return ()

    def notes(self) -> Sequence[Noted]:
        return self.session.notes

    def big_word(self, snapshot: Snapshot) -> str:
        return panels.verdict_word(snapshot)

    def roles_line(self, snapshot: Snapshot) -> tuple[panels.Part, ...]:
        return panels.verdict_line(snapshot, self.live)

    def action_window(self) -> None:
        self.trace_view.next_window()
        self.pull(hurry=True)

    def action_details(self) -> None:
        session = self.session
        self.app.push_screen(DetailsScreen(self.device, session.latest, session.findings, self.notes()))

    def action_help(self) -> None:
        self.app.push_screen(HelpScreen())

    def action_leave(self) -> None:
        self.dismiss()

    def on_unmount(self) -> None:
        self.session.close()

    def _line(self, name: str) -> Line:
        return self.query_one(f"#{name}", Line)
