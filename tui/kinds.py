"""Which kinds of events are shown: a list of those there are, each with its number."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from daq.findings import Event, EventKind

TOLD = "KINDS OF EVENTS  (↑ ↓ choose, Space shows or hides, a all, o only this one, Enter done)"


class KindsScreen(ModalScreen[frozenset[EventKind]]):
    """Dismisses with the kinds that are hidden."""

    BINDINGS: ClassVar[list[BindingType]] = [
        ("escape,q,k", "done", "done"),
        ("space", "turn", "show or hide"),
        ("a", "all", "all"),
        ("o", "only", "only this one"),
    ]

    def __init__(self, events: Sequence[Event], hidden: frozenset[EventKind]) -> None:
        super().__init__()
        self._counts = Counter(event.kind for event in events)
        self._kinds = [kind for kind in EventKind if kind in self._counts or kind in hidden]
        self._hidden = set(hidden)

    def compose(self) -> ComposeResult:
        with Vertical(id="kinds-box"):
            yield Static(TOLD, markup=False)
            yield OptionList(*(Option(self._line(kind)) for kind in self._kinds), id="kinds", markup=False)

    def on_option_list_option_selected(self) -> None:
        self.action_done()

    def action_done(self) -> None:
        self.dismiss(frozenset(self._hidden))

    def action_turn(self) -> None:
        if (kind := self._chosen()) is not None:
            self._hidden ^= {kind}
            self._show()

    def action_all(self) -> None:
        self._hidden.clear()
        self._show()

    def action_only(self) -> None:
        if (kind := self._chosen()) is not None:
            self._hidden = {other for other in self._kinds if other is not kind}
            self._show()

    def _chosen(self) -> EventKind | None:
        at = self._list.highlighted
        return None if at is None else self._kinds[at]

    @property
    def _list(self) -> OptionList:
        return self.query_one("#kinds", OptionList)

    def _line(self, kind: EventKind) -> str:
        return f"{'hidden' if kind in self._hidden else 'shown '}  {kind.value}: {self._counts[kind]}"

    def _show(self) -> None:
        for at, kind in enumerate(self._kinds):
            self._list.replace_option_prompt_at_index(at, self._line(kind))
