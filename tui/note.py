"""A line of text for a note: one question, Enter keeps it, Escape does not."""

from __future__ import annotations

from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from daq import words


class NoteScreen(ModalScreen[str | None]):
    """Dismisses with the text, or with None."""

    BINDINGS: ClassVar[list[BindingType]] = [("escape", "dismiss(None)", "no note")]

    def __init__(self, at_s: float) -> None:
        super().__init__()
        self._at_s = at_s

    def compose(self) -> ComposeResult:
        with Vertical(id="note-box"):
            yield Static(f"Note at {words.moment(self._at_s)}  (Enter keeps it, Esc does not)", markup=False)
            yield Input(max_length=200, id="note")

    def on_input_submitted(self, event: Input.Submitted) -> None:
        self.dismiss(event.value.strip() or None)
