"""The walk-the-wire screen: what is known first, then what to do now, why, and what can hurt.

The dashboard stays under it and owns the run and the walk; leaving this screen ends neither.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType

from daq.errors import WhichsideError
from daq.offered_tests import Means
from daq.reasoning import Answer, reason
from daq.session import Session
from daq.source import Capability, SetBias
from daq.stillness import clock_s, look
from daq.walk import Effect, Phase, Walk
from tui import keys, walk_words
from tui.hands import HANDS, Hands
from tui.help import HelpScreen
from tui.keys import Key, KeyBar
from tui.letters import ROWS
from tui.log_keys import LogKeys
from tui.notice import NOTICE_S, Notice
from tui.panels import BigWord, Line, Part, height
from tui.terminal import keeps_up, too_small
from tui.wiggle import WiggleScreen

LOOK_S = 0.1
"""How often the leads are looked at (s): a reading is taken this much after they stand still."""

_COULD_ROWS, _MEANING_ROWS, _MEANING_ROWS_TALL = 3, 3, 7
_READINGS_ROWS, _MORE_ROWS_TALL = 2, 4 + 4  # margins, and more readings
_SIZES = [(0, "-low"), (34, "-tall")]


def means_of(session: Session) -> Means:
    """What this logger can do. On the bench nobody holds a test light."""
    can = session.source.capabilities
    return Means(Capability.WHISPER in can, Capability.BIAS in can, Capability.OPERATE not in can)


class WalkScreen(LogKeys):
    """Goes on with `walk` on the session of the dashboard below; `hands` are those of a bench."""

    VERTICAL_BREAKPOINTS = _SIZES
    BINDINGS: ClassVar[list[BindingType]] = keys.bindings(
        HANDS, keys.WALK, keys.WALK_LIGHT, [keys.REPAIRED, keys.WALK_WIGGLE], keys.AFTER_DRIVE
    )

    def __init__(
        self, session: Session, new_capture: Callable[[], Path], walk: Walk, hands: Hands | None = None
    ) -> None:
        super().__init__()
        self.session = session
        self.new_capture = new_capture
        self.walk = walk
        self.bench_hands = hands
        self._question: tuple[object, ...] | None = None  # what the reasoning is at work on

    def compose(self) -> ComposeResult:
        yield BigWord(id="verdict")
        yield Line(id="could")
        yield Line(id="leads")
        yield Line(id="now")
        yield Line(id="caution")
        yield Line(id="meaning")
        yield Line(id="readings")
        yield Notice(id="notice")
        yield KeyBar(id="keys")

    def on_mount(self) -> None:
        if not self.walk.begun:
            self._carry_out(self.walk.begin(self.session.latest.lead_check.passed is True))
        self.pull(hurry=True)
        self.set_interval(LOOK_S, self.pull)

    def on_resize(self) -> None:
        self.call_after_refresh(self.show)

    def pull(self, hurry: bool = False) -> None:
        """Look at the leads, carry out what follows, show it unless the terminal is still busy."""
        snapshot = self.session.latest
        if "ac" not in snapshot.cautions and not self.session.away:
            seen = self.session.trace(look)
            self._carry_out(self.walk.see(seen, snapshot.bias, snapshot.lead_check))
        self._ask()
        if hurry or keeps_up(self.app):
            self.show()

    def _ask(self) -> None:
        """Let the reasoning work in a thread of its own; one question at a time."""
        question = self.walk.question
        if question is not None and self._question is None:
            self._question = question
            self.run_worker(self._answered(question), group="reasoning")

    async def _answered(self, question: tuple[object, ...]) -> None:
        given, means = self.walk.question, self.walk.means_now
        if given is not None:
            answer: Answer = await asyncio.to_thread(partial(reason, given, means=means))
            if self.walk.question == question and self.walk.means_now == means:
                self._carry_out(self.walk.told(answer, self._now_s))
        self._question = None
        self.pull(hurry=True)

    @property
    def _now_s(self) -> float:
        return self.session.trace(clock_s)

    def _carry_out(self, effects: Sequence[Effect]) -> None:
        try:
            for effect in effects:
                if isinstance(effect, SetBias):
                    self._put(effect)
                else:
                    self.session.change(effect.kind, effect.value)
        except WhichsideError as error:
            self.refused(error)

    def _put(self, bias: SetBias) -> None:
        """A logger without any bias has none to take away either."""
        if {Capability.BIAS, Capability.WHISPER} & self.session.source.capabilities:
            self.session.command(bias)

    def show(self) -> None:
        snapshot, walk = self.session.latest, self.walk
        small = too_small(self.size.width, self.size.height)
        refused = "ac" in snapshot.cautions
        self.query_one("#verdict", BigWord).say(walk_words.big_word(walk, refused))
        self._line("could").say(*(((small, "bold reverse"),) if small else self._could()))
        self._line("leads").say(*walk_words.leads(walk))
        self._line("now").say(*walk_words.now(walk, snapshot.lead_check, refused))
        self._line("caution").say(*walk_words.caution(walk))
        self._line("meaning").say(
            *walk_words.why(walk, snapshot.lead_check, self.size.width, self._meaning_rows())
        )
        readings = self._line("readings")
        readings.say(walk_words.readings(walk, readings.size.height))
        self.set_class(self.query_one(Notice).tell(self.session), "-notice")
        self.query_one(KeyBar).show(self.bench_hands.shown() if self.bench_hands else (), self.keys())

    def _meaning_rows(self) -> int:
        """What everything else leaves: keys, the instruction and its caution are never pushed off."""
        width, tall = self.size.width, self.has_class("-tall")
        used = sum(height(self._line(name).said, width) for name in ("could", "leads", "now", "caution"))
        used += max(ROWS, self.query_one("#verdict").size.height) + self.query_one(KeyBar).rows
        left = self.size.height - used - _READINGS_ROWS - tall * _MORE_ROWS_TALL
        most = min(max(left, 1), _MEANING_ROWS_TALL if tall else _MEANING_ROWS)
        self._line("meaning").styles.max_height = most
        return most

    def _could(self) -> tuple[Part, ...]:
        return walk_words.could_be(self.walk, self.size.width, _COULD_ROWS)

    def keys(self) -> Sequence[Key]:
        phase = self.walk.here.phase
        light = keys.WALK_LIGHT if phase is Phase.LIGHT else ()
        again = (keys.REPAIRED,) if phase in (Phase.END, Phase.PROVEN) else ()
        return (*light, *again, *keys.WALK, keys.WALK_WIGGLE, *keys.AFTER_DRIVE)

    def notice(self, text: str, seconds: float = NOTICE_S) -> None:
        """Answer a key: `text` stands for some seconds."""
        self.query_one(Notice).answer(text, seconds)
        self.set_class(self.query_one(Notice).tell(self.session), "-notice")

    def action_done(self) -> None:
        self._act(self.walk.done(self.session.latest.lead_check, self._now_s))

    def action_cannot(self) -> None:
        self._act(self.walk.skip(self.session.latest.lead_check, self._now_s))

    def action_back(self) -> None:
        if self.walk.can_go_back:
            self._act(self.walk.back(self._now_s))
        else:
            self.notice("this is the first step")

    def action_light(self, word: str) -> None:
        self._act(self.walk.light(word, self._now_s))

    def action_repaired(self) -> None:
        self._act(self.walk.repaired(self._now_s))

    def action_wiggle(self) -> None:
        self.app.push_screen(WiggleScreen(self.session, self.new_capture, self.bench_hands))

    def action_operate(self, what: str) -> None:
        if self.bench_hands is None:
            return
        try:
            self.bench_hands.move(what)
        except WhichsideError as error:
            self.notice(str(error))
        self.show()

    def action_help(self) -> None:
        self.app.push_screen(HelpScreen())

    def action_leave(self) -> None:
        """Back to the dashboard, with nothing strong left on the leads and no check left running."""
        self._carry_out(self.walk.leave(self.session.latest.lead_check))
        self.dismiss()

    def _act(self, effects: Sequence[Effect]) -> None:
        self._carry_out(effects)
        self.pull(hurry=True)

    def _line(self, name: str) -> Line:
        return self.query_one(f"#{name}", Line)
