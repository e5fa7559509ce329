"""The start screen: what can be opened when no logger is attached or remembered. Nothing is probed.

Loggers, benches and captures are looked for in threads of their own (listing ports can take seconds); the
list fills as they answer. Choosing one opens it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.content import Content
from textual.screen import Screen
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from daq import words
from daq.errors import WhichsideError
from tui import keys
from tui.help import HelpScreen
from tui.keys import Key, KeyBar
from tui.live import LiveScreen
from tui.panels import BigWord, Line
from tui.terminal import too_small

NEXT_SHELF = Key("tab", "next_shelf", "next group", "Tab")
CHOOSE = (
    Key("up", "none", "up", "↑"),
    Key("down", "none", "down", "↓"),
    NEXT_SHELF,
    Key("enter", "none", "open", "Enter"),
)
START = (
    Key("s", "walk", "walk the wire"),
    Key("l", "look_again", "look again"),
    Key("v", "app.colours", "colours"),
    Key("h,question_mark,f1", "help", "help", "h"),
    Key("q,ctrl+c", "leave", "quit", "q"),
)

QUESTION = "What to open? s begins to walk the wire on it. A bench needs no hardware."
NOTHING_TO_WALK = "Choose a logger or a bench to walk the wire on: a capture is over."
SAFETY = (
    "DC up to 32 V only. Never on airbags, mains, ignition, anything orange. "
    "Key off to fit the probes; pins must never touch. All cautions: h"
)


@dataclass(frozen=True, slots=True)
class Choice:
    """Something that can be opened: `open` makes the screen, or raises WhichsideError with the reason.

    `likely`: fit to be the one that the list begins on; `walks`: the wire can be walked on it.
    """

    name: str
    about: str
    open: Callable[[], Screen[None]]
    likely: bool = True
    walks: bool = True


@dataclass(frozen=True, slots=True)
class Shelf:
    """One kind of choices, how to find them, and what to say when there are none."""

    title: str
    find: Callable[[], Sequence[Choice]]
    none: str


class StartScreen(Screen[None]):
    """Lists the shelves; stays underneath what is opened."""

    BINDINGS: ClassVar[list[BindingType]] = keys.bindings([NEXT_SHELF], START)

    def __init__(self, shelves: Sequence[Shelf]) -> None:
        super().__init__()
        self._shelves = shelves
        self._found: dict[str, Sequence[Choice]] = {}
        self._choices: dict[str, Choice] = {}
        self._begins_on: str | None = None  # the choice that the list was put on, not the user

    def compose(self) -> ComposeResult:
        yield BigWord(id="verdict")
        yield Line(id="device")
        yield Line(id="next")
        yield OptionList(id="choices")
        yield Line(id="start-notice")
        yield KeyBar(id="keys")

    def on_mount(self) -> None:
        self.query_one(BigWord).say("WHICH SIDE")
        self._line("next").say(("CAUTION: ", "bold $alarm"), (SAFETY, "$alarm"))
        self.query_one(KeyBar).show((), (*CHOOSE, *START))
        self.action_look_again()

    def on_resize(self) -> None:
        small = too_small(self.size.width, self.size.height)
        self._line("device").say((small, "bold reverse") if small else (QUESTION, "bold"))

    def action_look_again(self) -> None:
        self._found = {}
        self._fill()
        for shelf in self._shelves:
            self.run_worker(self._look(shelf), group=shelf.title, exclusive=True)

    async def _look(self, shelf: Shelf) -> None:
        try:
            self._found[shelf.title] = await asyncio.to_thread(shelf.find)
        except WhichsideError as error:
            self._found[shelf.title] = ()
            self._line("start-notice").say(words.printable(str(error), 300))
        self._fill()

    def _fill(self) -> None:
        listing = self.query_one(OptionList)
        chosen = listing.highlighted_option.id if listing.highlighted_option else None
        self._choices = {}
        options = [option for shelf in self._shelves for option in self._options(shelf)]
        listing.clear_options().add_options(options)
        enabled = [i for i, option in enumerate(options) if not option.disabled]
        likely = (i for i in enabled if self._choices[str(options[i].id)].likely)
        first = next(likely, enabled[0] if enabled else None)
        same = next((i for i in enabled if options[i].id == chosen), None)
        moved = chosen != self._begins_on
        self._begins_on = None if first is None else options[first].id
        listing.highlighted = same if moved and same is not None else first
        listing.focus()

    def _options(self, shelf: Shelf) -> list[Option]:
        found = self._found.get(shelf.title)
        options = [Option(Content.styled(shelf.title, "bold"), disabled=True)]
        if not found:
            text = "  looking …" if found is None else f"  {shelf.none}"
            return [*options, Option(Content(text), disabled=True)]
        wide = max(len(words.printable(choice.name, 40)) for choice in found)
        for number, choice in enumerate(found):
            key = f"{shelf.title} {number}"
            self._choices[key] = choice
            name = words.printable(choice.name, 40).ljust(wide)
            about = words.printable(choice.about, 120)
            options.append(Option(Content.assemble("  ", (name, "bold"), f"  {about}"), id=key))
        return options

    def action_next_shelf(self) -> None:
        """On to the first choice of the next group, and round again."""
        listing = self.query_one(OptionList)
        at, count = listing.highlighted, listing.option_count
        if at is None:
            return
        onward = [(at + step) % count for step in range(1, count)]
        listing.highlighted = next((i for i in onward if self._begins_shelf(listing, i)), at)

    @staticmethod
    def _begins_shelf(listing: OptionList, at: int) -> bool:
        here = listing.get_option_at_index(at)
        return not here.disabled and at > 0 and listing.get_option_at_index(at - 1).disabled

    async def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        self._begin(event.option_id, walk=False)

    def action_walk(self) -> None:
        """Open what is chosen and begin to walk the wire on it."""
        chosen = self.query_one(OptionList).highlighted_option
        self._begin(chosen.id if chosen else None, walk=True)

    def _begin(self, option: str | None, walk: bool) -> None:
        choice = self._choices.get(option or "")
        if walk and not (choice and choice.walks):
            self._line("start-notice").say((NOTHING_TO_WALK, "bold"))
        elif choice is not None:
            self._line("start-notice").say(f"opening {words.printable(choice.name, 60)} …")
            self.run_worker(self._open(choice, walk), group="open", exclusive=True)

    async def _open(self, choice: Choice, walk: bool) -> None:
        """Opening may wait for a board to start, so it happens in a thread of its own."""
        try:
            screen = await asyncio.to_thread(choice.open)
        except WhichsideError as error:
            self._line("start-notice").say((words.printable(str(error), 300), "bold"))
            return
        self._line("start-notice").say("")
        await self.app.push_screen(screen, self._came_back)
        if walk and isinstance(screen, LiveScreen):
            screen.action_walk()

    def _came_back(self, _: None) -> None:
        self.action_look_again()

    def action_help(self) -> None:
        self.app.push_screen(HelpScreen())

    def action_leave(self) -> None:
        self.dismiss()

    def action_none(self) -> None:
        """The list itself does what these keys say; they are here to be shown."""

    def _line(self, name: str) -> Line:
        return self.query_one(f"#{name}", Line)
