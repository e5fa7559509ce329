"""Two events over each other, aligned at their start."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.screen import ModalScreen

from daq import words
from daq.findings import Event
from daq.look_back import EVENT_WIDTHS, LEAST_EVENT_S, LookBack
from daq.snapshot import Bands
from tui import keys
from tui.keys import Key, KeyBar
from tui.lane import DOTS_PER_CELL
from tui.panels import Line
from tui.time_view import Picture, TimeView
from tui.trace_view import LINES

OVERLAY = (
    Key("plus,equals_sign", "zoom(0.5)", "closer", "+"),
    Key("minus", "zoom(2)", "wider", "-"),
    Key("escape,o,q,enter", "leave", "back", "Esc"),
)


class OverlayScreen(ModalScreen[None]):
    """`one` is drawn in whole lines, `other` dashed."""

    BINDINGS: ClassVar[list[BindingType]] = keys.bindings(OVERLAY)

    def __init__(self, look: LookBack, bands: Bands, one: Event, other: Event) -> None:
        super().__init__()
        self._look, self._bands, self._events = look, bands, (one, other)
        self._width_s = max(LEAST_EVENT_S, EVENT_WIDTHS * max(e.duration_s for e in self._events)) / 2

    def compose(self) -> ComposeResult:
        yield Line(id="overlay-one")
        yield Line(id="overlay-other")
        yield TimeView(id="picture")
        yield KeyBar(id="keys")

    def on_mount(self) -> None:
        self.query_one(KeyBar).show((), OVERLAY)
        for name, style, event in zip(("one", "other"), LINES, self._events, strict=True):
            text = f"{style} {words.event(event)}"
            self.query_one(f"#overlay-{name}", Line).say((text, "bold" if name == "one" else "bold $alarm"))

    def on_resize(self) -> None:
        self.call_after_refresh(self._draw)

    def action_zoom(self, factor: float) -> None:
        whole = self._look.whole
        self._width_s = min(max(self._width_s * factor, whole.least_s), whole.whole_s)
        self._draw()

    def action_leave(self) -> None:
        self.dismiss()

    def _draw(self) -> None:
        view = self.query_one(TimeView)
        windows = [self._look.from_start(event, self._width_s) for event in self._events]
        one, other = (self._look.columns(window, view.cells * DOTS_PER_CELL) for window in windows)
        start_s = self._events[0].t_s
        beside: tuple[Sequence[str], Sequence[str]] = (["LEAD 1"], ["LEAD 2"])
        view.show(Picture(windows[0], one, self._bands, beside, here_s=start_s, other=other, zero_s=start_s))
