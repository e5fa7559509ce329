"""Practice on the bench: the program keeps its verdict to itself until the learner has given his own."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import OptionList, Static

from daq import practice, words
from daq.bench_rig import BenchCircuit
from daq.findings import NO_EVENTS, Judgement, LoadKind, NextTest, Side
from daq.practice import CONTROLS, FAULTS, SIDES, Answer
from daq.samples import DeviceInfo
from daq.session import Noted, Session
from daq.snapshot import Snapshot
from tui import keys
from tui.bench import BenchScreen
from tui.details import DetailsScreen, Fact
from tui.hands import Looks
from tui.keys import Key
from tui.terminal import TALL_FROM

ANSWER = Key("enter", "answer", "your answer", "Enter")
TELLING = {"drive": "drive and catch", "walk": "walk the wire"}
"""Actions that would give the answer away, and what they are called."""

KEPT = "kept back until you have answered"
_AFTERWARDS = "Enter: see what the program makes of it; there, d lists what could be wrong"

UNTOLD = Judgement(
    side=Side.UNDETERMINED,
    control_lead=None,
    feed_lead=None,
    ground_lead=None,
    confidence=0.0,
    why="The verdict is kept back. Which side is switched, which lead is the control wire, what is wrong?",
    next_test=NextTest("Prove the leads, work the control, unplug, read again. Enter gives your answer."),
)


class AnswerScreen(ModalScreen[Answer | None]):
    """Asks for the three parts of an answer, both leads in sight meanwhile; Esc goes back to measuring."""

    VERTICAL_BREAKPOINTS = TALL_FROM
    BINDINGS: ClassVar[list[BindingType]] = [("escape", "dismiss(None)", "not yet")]

    def __init__(self) -> None:
        super().__init__()
        self._given: list[int] = []
        self._questions = (
            ("Which side is switched?", [f"{words.SIDE[s]}: {words.MEANING[s]}" for s in SIDES]),
            ("Which lead is on the control wire?", ["lead 1", "lead 2", "both leads"]),
            ("What is wrong with it?", list(FAULTS)),
        )

    def compose(self) -> ComposeResult:
        with Vertical(id="kinds-box"):
            yield Static("", id="asked", markup=False)
            yield OptionList(id="kinds", markup=False)

    def on_mount(self) -> None:
        self._ask()

    def _ask(self) -> None:
        question, choices = self._questions[len(self._given)]
        told = f"{question}  (↑ ↓ Enter answers, Esc: not yet)"
        self.query_one("#asked", Static).update(told)
        listing = self.query_one(OptionList)
        listing.clear_options().add_options(choices)
        listing.highlighted = 0
        listing.focus()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        self._given.append(event.option_index)
        if len(self._given) < len(self._questions):
            self._ask()
            return
        side, control, fault = self._given
        self.dismiss(Answer(SIDES[side], CONTROLS[control], FAULTS[fault]))


class ToldScreen(ModalScreen[None]):
    """What of the answer was right."""

    BINDINGS: ClassVar[list[BindingType]] = [("escape,enter,q", "dismiss", "back")]

    def __init__(self, told: Sequence[str]) -> None:
        super().__init__()
        self._told = told

    def compose(self) -> ComposeResult:
        with Vertical(id="kinds-box"):
            yield Static("\n".join([*self._told, "", _AFTERWARDS]), markup=False)


class PracticeScreen(BenchScreen):
    """The bench screen over `circuit`, whose verdict, events and kind of load stay untold until answered."""

    BINDINGS: ClassVar[list[BindingType]] = keys.bindings([ANSWER])

    def __init__(
        self,
        session: Session,
        new_capture: Callable[[], Path],
        circuit: BenchCircuit,
        looks: Looks | None = None,
    ) -> None:
        super().__init__(session, new_capture, circuit.controls, circuit.start, looks)
        self._truth = circuit.truth
        self.answered: Answer | None = None

    def show(self, snapshot: Snapshot) -> None:
        super().show(snapshot if self.answered else _untold(snapshot))
        if not self.answered:
            self._line("events").say(f"events {KEPT}")

    def big_word(self, snapshot: Snapshot) -> str:
        word = super().big_word(snapshot)
        return "YOUR TURN" if word == words.SIDE[Side.UNDETERMINED].upper() and not self.answered else word

    def keys(self) -> Sequence[Key]:
        known = super().keys()
        return known if self.answered else (ANSWER, *(k for k in known if k.action not in TELLING))

    def action_answer(self) -> None:
        if not self.answered:
            self.app.push_screen(AnswerScreen(), self._take)

    def _take(self, answer: Answer | None) -> None:
        if answer is None:
            return
        self.answered = answer
        marks = practice.marked(answer, self._truth)
        self.app.push_screen(ToldScreen(practice.lines(marks, self._truth)))
        self.notice(f"{practice.score(marks)}; q, then whichside practice, for another", 30.0)

    def action_drive(self) -> None:
        self._unless_telling("drive", super().action_drive)

    def action_walk(self) -> None:
        self._unless_telling("walk", super().action_walk)

    def _unless_telling(self, action: str, act: Callable[[], None]) -> None:
        if self.answered:
            act()
        else:
            self.notice(f"{TELLING[action]} would tell it: first your answer (Enter)")

    def action_details(self) -> None:
        if self.answered:
            super().action_details()
        else:
            self.app.push_screen(UntoldDetails(self.device, self.session.latest, self.notes()))


class UntoldDetails(DetailsScreen):
    """What both leads read and what was done: all but the verdict and what would tell it."""

    def __init__(self, device: DeviceInfo, snapshot: Snapshot, notes: Sequence[Noted]) -> None:
        untold = replace(_untold(snapshot), look=None)
        super().__init__(device, untold, None, notes)
        self._facts = [(name, KEPT if name == "events" else fact) for name, fact in self._facts]

    def judged(self) -> Iterator[Fact]:
        yield "verdict", KEPT


def _untold(snapshot: Snapshot) -> Snapshot:
    return replace(
        snapshot,
        judgement=UNTOLD,
        events=(),
        event_count=0,
        summary=NO_EVENTS,
        load_kind=LoadKind.UNKNOWN,
    )
