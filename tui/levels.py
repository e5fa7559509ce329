"""How often each lead stood at which level while the load was on: two columns of bars."""

from __future__ import annotations

from itertools import pairwise, zip_longest
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Static

from daq import look_words, words
from daq.level_histogram import LevelHistogram, OnLevels

BARS = 12
_EIGHTHS = " ▏▎▍▌▋▊▉█"
_LABEL = 9  # columns of a bar's volts
_SHARE = 7  # and of its share


class LevelsScreen(ModalScreen[None]):
    """Shows what it was given; Esc goes back."""

    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,l,q,enter", "dismiss", "back", show=False)]

    def __init__(self, found: OnLevels) -> None:
        super().__init__()
        self._found = found

    def compose(self) -> ComposeResult:
        with VerticalScroll(classes="page"):
            yield Static(Content.assemble(("LEVELS WHILE ON", "bold"), "  (arrows scroll, Esc goes back)"))
            yield Static(look_words.on_levels(self._found), markup=False)
            if self._found.leads is not None:
                yield Static(self._bars(), markup=False, id="bars")

    def _bars(self) -> Content:
        assert self._found.leads is not None
        width = (self.app.size.width - 6) // 2
        columns = [_column(n, lead, width) for n, lead in enumerate(self._found.leads)]
        rows = zip_longest(*columns, fillvalue="")
        return Content("\n").join(
            Content.assemble((one.ljust(width), "$lead1"), "  ", (two, "$lead2")) for one, two in rows
        )


def _column(lead: int, found: LevelHistogram, width: int) -> list[str]:
    """Lines of one lead, the greatest volts first; a level that was there at all shows a sliver."""
    room = width - _LABEL - _SHARE - 1
    most = float(found.shares.max())
    lines = [
        f"LEAD {lead + 1}  mean {words.volts(found.mean_v)}, usual {words.volts(found.usual_v)}",
        f"{'volts':>{_LABEL}} {'of the time':<{room}}",
    ]
    bars = list(zip(pairwise(found.edges_v.tolist()), found.shares.tolist(), strict=True))
    for (low, high), share in reversed(bars):
        level = f"{(low + high) / 2:.2f}".replace("-", "−")
        lines.append(f"{level:>{_LABEL}} {_bar(share / most, room)} {_percent(share):>{_SHARE - 1}}")
    return lines


def _bar(part: float, room: int) -> str:
    eighths = max(round(part * room * 8), 1 if part > 0 else 0)
    whole, rest = divmod(eighths, 8)
    return ("█" * whole + (_EIGHTHS[rest] if rest else "")).ljust(room)


def _percent(share: float) -> str:
    if share == 0:
        return ""
    return f"{share * 100:.1f} %" if share >= 0.001 else "<0.1 %"
