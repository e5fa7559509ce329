"""The application: one App for every screen. It shows one screen and ends when that screen is left."""

from __future__ import annotations

import asyncio
import contextlib
import signal

from textual.app import App
from textual.screen import Screen

from tui import themes


class WhichsideApp(App[None]):
    """Screens that open others (start, help, findings) push them on top."""

    CSS_PATH = "whichside.tcss"
    TITLE = "whichside"
    ENABLE_COMMAND_PALETTE = False

    def __init__(self, first: Screen[None], theme: str = themes.DARK) -> None:
        # Textual decides in its constructor how to honour NO_COLOR, before any theme is set.
        super().__init__(ansi_color=True if themes.without_colour() else None)
        for known in themes.themes():
            self.register_theme(known)
        self.theme = themes.TERMINAL if themes.without_colour() else theme
        self._first = first

    def on_mount(self) -> None:
        loop = asyncio.get_running_loop()
        with contextlib.suppress(NotImplementedError, RuntimeError):  # Windows; not the main thread
            loop.add_signal_handler(signal.SIGTERM, self.exit)
        self.push_screen(self._first, lambda _: self.exit())

    def action_colours(self) -> None:
        """The next theme; NO_COLOR was asked for and goes with the terminal's own theme only."""
        if not self.no_color:
            at = themes.ORDER.index(self.theme) if self.theme in themes.ORDER else -1
            self.theme = themes.ORDER[(at + 1) % len(themes.ORDER)]
