"""A screen for one job over a live run: the drive, the walk, the wiggle test.

The screen below it owns the run; leaving this one ends nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import ClassVar

from daq.session import Session
from tui.help import HelpScreen
from tui.log_keys import LogKeys
from tui.notice import NOTICE_S, Notice
from tui.panels import Line
from tui.terminal import TALL_FROM, keeps_up


class JobScreen(LogKeys):
    """Every `look_s` seconds it does its `look`, then is shown unless the terminal is still busy."""

    VERTICAL_BREAKPOINTS = TALL_FROM
    look_s: ClassVar[float]

    def __init__(self, session: Session, new_capture: Callable[[], Path]) -> None:
        super().__init__()
        self.session = session
        self.new_capture = new_capture

    def look(self) -> None:
        """What must be seen, rung or taken whether or not it can be shown."""
        raise AssertionError("each job looks for something")

    def show(self) -> None:
        raise AssertionError("each job has something to show")

    def on_mount(self) -> None:
        self.pull(hurry=True)
        self.set_interval(self.look_s, self.pull)

    def on_resize(self) -> None:
        self.call_after_refresh(self.show)  # once every line knows its own size

    def pull(self, hurry: bool = False) -> None:
        self.look()
        if hurry or keeps_up(self.app):
            self.show()

    def notice(self, text: str, seconds: float = NOTICE_S) -> None:
        """Answer a key: `text` stands for some seconds."""
        self.query_one(Notice).answer(text, seconds)
        self.tell()

    def tell(self) -> None:
        """What stands in the notice line now."""
        self.set_class(self.query_one(Notice).tell(self.session), "-notice")

    def action_help(self) -> None:
        self.app.push_screen(HelpScreen())

    def action_leave(self) -> None:
        self.dismiss()

    def line(self, name: str) -> Line:
        return self.query_one(f"#{name}", Line)
