"""Keys: one table for each screen gives both what works and what is shown, so no key is hidden."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from textual.binding import Binding, BindingType
from textual.content import Content

from tui.still import Still


@dataclass(frozen=True, slots=True)
class Key:
    """`key` as Textual names it, the screen's action, and the word shown beside it."""

    key: str
    action: str
    label: str
    shown: str = ""

    @property
    def cap(self) -> str:
        return self.shown or self.key


def bindings(*groups: Sequence[Key]) -> list[BindingType]:
    return [Binding(key.key, key.action, key.label, show=False) for group in groups for key in group]


COMMON = (
    Key("m", "window", "width"),
    Key("d", "details", "details"),
    Key("v", "app.colours", "colours"),
    Key("h,question_mark,f1", "help", "help", "h"),
    Key("q,ctrl+c", "leave", "quit", "q"),
)

LIVE = (
    Key("o", "mark('on')", "switched on"),
    Key("f", "mark('off')", "off"),
    Key("g", "mark('other')", "other way"),
    Key("l", "lead_check", "lead check"),
    Key("p", "plug", "plug"),
    Key("t", "prompts", "prompts"),
    Key("n", "note", "note"),
    Key("r", "record", "record"),
    Key("space", "pause", "pause", "␣"),
    Key("c", "clear", "clear"),
    Key("e", "expect", "expect"),
    Key("a", "drive", "drive"),
    Key("s", "walk", "walk the wire"),
    Key("w", "wiggle", "wiggle"),
)

DRIVE_MARKS = tuple(
    Key(str(number), f"label('{label}')", label)
    for number, label in enumerate(
        ("bump", "turning", "braking", "wipers on", "lights on", "blower on", "door", "engine start"), start=1
    )
)
"""What makes a fault come: the things that move wires, draw current, or shake."""

DRIVE = (
    Key("space", "label('seen')", "I saw it", "␣"),
    Key("n", "note", "own words"),
    Key("o", "mark('on')", "switched on"),
    Key("f", "mark('off')", "off"),
    Key("g", "mark('other')", "other way"),
    Key("e", "expect", "expect"),
    Key("b", "baseline", "this is normal"),
    Key("r", "record", "record"),
)

SILENCE = Key("s", "silence", "silence")


def silence(silent: bool) -> Key:
    """The key as it is shown: it ends a silence too."""
    return replace(SILENCE, label="bell on again") if silent else SILENCE


AFTER_DRIVE = (
    Key("v", "app.colours", "colours"),
    Key("h,question_mark,f1", "help", "help", "h"),
    Key("q,escape,ctrl+c", "leave", "dashboard", "q"),
)

WALK = (
    Key("enter", "done", "done", "Enter"),
    Key("s", "cannot", "cannot do this"),
    Key("b", "back", "back"),
    Key("n", "note", "note"),
    Key("r", "record", "record"),
)

WALK_LIGHT = (
    Key("l", "say(0)", "lit"),
    Key("m", "say(1)", "dim"),
    Key("k", "say(2)", "dark"),
)
WALK_LOAD = tuple(
    replace(key, label=word) for key, word in zip(WALK_LIGHT, ("works", "weak", "dead"), strict=True)
)
"""The same keys for what the load itself does."""

WALK_WIGGLE = Key("w", "wiggle", "wiggle test")
WIGGLE_KEYS = (
    Key("space", "anew", "baseline anew", "␣"),
    Key("n", "note", "note"),
    Key("r", "record", "record"),
)
AFTER_WIGGLE = (
    Key("v", "app.colours", "colours"),
    Key("h,question_mark,f1", "help", "help", "h"),
    Key("q,escape,ctrl+c", "leave", "back", "q"),
)

REPAIRED = Key("a", "repaired", "repaired: read again")

BIAS = Key("i", "bias", "bias")
SKIP = Key("k", "check_on", "skip")
WIGGLED = Key("k", "check_on", "wiggled")
SEATED = Key("k", "check_on", "seated")

REVIEW = (
    Key("space", "pause", "pause/run", "␣"),
    Key("minus", "slower", "slower", "-"),
    Key("plus,equals_sign", "faster", "faster", "+"),
    Key("enter,x", "next_edge", "to next edge", "x"),
    Key("b", "again", "from the beginning"),
)

NOTE_AFTERWARDS = Key("n", "note", "note")


class KeyBar(Still):
    """The keys, wrapped between keys; set closer where that saves a row of a small screen."""

    def __init__(self, id: str | None = None) -> None:
        super().__init__("", markup=False, id=id)
        self._keys: tuple[tuple[str, str], ...] = ()
        self._rows: list[list[tuple[str, str]]] = []

    @property
    def rows(self) -> int:
        """Rows that the keys take."""
        return len(self._rows)

    def show(
        self,
        hands: Sequence[tuple[str, str]],
        keys: Sequence[Key],
        extra: Sequence[tuple[str, str]] = (),
    ) -> None:
        """Show `hands` (cap, label), then `keys`, then `extra`: pairs whose labels change."""
        wanted = (*hands, *((key.cap, key.label) for key in keys), *extra)
        if wanted != self._keys:
            self._keys = wanted
            self._lay_out()

    def on_resize(self) -> None:
        self._lay_out()

    def _lay_out(self) -> None:
        if self.size.width:
            wide, close = (wrap(self._keys, self.size.width, gap) for gap in (2, 1))
            self._rows, gap = (close, " ") if len(close) < len(wide) else (wide, "  ")
            self.update(Content("\n").join(Content(gap).join(map(_entry, row)) for row in self._rows))


def wrap(entries: Sequence[tuple[str, str]], width: int, gap: int) -> list[list[tuple[str, str]]]:
    """Rows of entries (cap, label) no wider than `width`."""
    rows: list[list[tuple[str, str]]] = [[]]
    used = 0
    for cap, label in entries:
        need = len(cap) + 1 + len(label) + (gap if rows[-1] else 0)
        if used + need > width and rows[-1]:
            rows.append([])
            used, need = 0, need - gap
        rows[-1].append((cap, label))
        used += need
    return rows


def _entry(entry: tuple[str, str]) -> Content:
    cap, label = entry
    return Content.assemble((cap, "bold reverse"), f" {label}")
