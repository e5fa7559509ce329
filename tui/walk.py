"""The walk-the-wire screen: what is known first, then what to do now, why, and what can hurt.

The dashboard stays under it and owns the run and the walk; leaving this screen ends neither.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import BindingType

from daq.errors import WhichsideError
from daq.offered_tests import Means
from daq.readings import Told, Working
from daq.reasoning import Answer, reason
from daq.session import Session
from daq.snapshot import LeadCheckView
from daq.source import Capability, SetBias
from daq.stillness import clock_s
from daq.stillness import look as look_at
from daq.walk import Walk
from daq.walk_here import Effect, Here, Phase
from tui import bias, keys, walk_words
from tui.hands import AIDS, HANDS, HandKeys, Hands
from tui.job import JobScreen
from tui.keys import Key, KeyBar
from tui.letters import ROWS
from tui.notice import Notice
from tui.panels import BigWord, Line, Part, height
from tui.terminal import too_small
from tui.walk_said import at_the_bench
from tui.wiggle import WiggleScreen

LOOK_S = 0.1
"""How often the leads are looked at (s): a reading is taken this much after they stand still."""

BY_ITSELF_S = 1.0
"""After a step that went on by itself Enter may still be meant for it (s)."""

_COULD_ROWS, _MEANING_ROWS, _MEANING_ROWS_TALL = 3, 3, 7
_LEAVES = keys.AFTER_DRIVE[-1].key.split(",")
_DEAD_KEYS = {
    Phase.SAY: ("done",),
    Phase.THINK: ("done", "cannot"),
    Phase.END: ("done", "cannot"),
    Phase.PROVEN: ("done", "cannot"),
}
"""Actions that have nothing to do there."""
_READINGS_ROWS, _MORE_ROWS_TALL = 2, 4 + 4  # margins, and more readings


def means_of(session: Session) -> Means:
    """What this logger can do; a test light, a jumper and a lamp anybody may have, and eyes and ears."""
    can = session.source.capabilities
    return Means(Capability.WHISPER in can, Capability.BIAS in can, aids=True, eyes=True)


class WalkScreen(JobScreen, HandKeys):
    """Goes on with `walk` on the session of the dashboard below; `hands` are those of a bench."""

    worked = (*HANDS, *AIDS)
    BINDINGS: ClassVar[list[BindingType]] = keys.bindings(
        AIDS, keys.WALK, keys.WALK_LIGHT, [keys.REPAIRED, keys.WALK_WIGGLE], keys.AFTER_DRIVE
    )
    look_s = LOOK_S

    def __init__(
        self, session: Session, new_capture: Callable[[], Path], walk: Walk, hands: Hands | None = None
    ) -> None:
        super().__init__(session, new_capture)
        self.walk = walk
        self.bench_hands = hands
        self._question: tuple[object, ...] | None = None  # what the reasoning is at work on
        self._explained: Here | None = None  # where a key had nothing to do
        self._alone_s = -BY_ITSELF_S  # when the walk went on without a key

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

    def look(self) -> None:
        """At the leads; carry out what follows."""
        snapshot = self.session.latest
        if "ac" not in snapshot.cautions and not self.session.away:
            seen, before = self.session.trace(look_at), self.walk.here
            self._carry_out(self.walk.see(seen, snapshot.bias, snapshot.lead_check))
            self._note_alone(before)
        if self._explained not in (None, self.walk.here):
            self._explained = None
            self.query_one(Notice).answer("", 0.0)
        self._ask()

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
                before = self.walk.here
                self._carry_out(self.walk.told(answer, self._now_s))
                self._note_alone(before)
        self._question = None
        self.pull(hurry=True)

    def _note_alone(self, before: Here) -> None:
        if self.walk.here is not before and before.phase is not Phase.LEADS:
            self._alone_s = self._now_s

    @property
    def went_alone(self) -> bool:
        """Whether the walk has just gone on by itself."""
        return self._alone_s <= self._now_s < self._alone_s + BY_ITSELF_S

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
        self.line("could").say(*(((small, "bold reverse"),) if small else self._could()))
        self.line("leads").say(*walk_words.leads(walk))
        self.line("now").say(*walk_words.now(walk, snapshot.lead_check, refused), *self._seen())
        self.line("caution").say(*walk_words.caution(walk))
        self.line("meaning").say(
            *walk_words.why(walk, snapshot.lead_check, self.size.width, self._meaning_rows())
        )
        readings = self.line("readings")
        readings.say(walk_words.readings(walk, readings.size.height))
        self.tell()
        self.query_one(KeyBar).show(self.hands(), self.keys())

    def _meaning_rows(self) -> int:
        """What everything else leaves: keys, the instruction and its caution are never pushed off; readings
        are, where there are many, but not before what is said is `_MEANING_ROWS` long."""
        width, tall = self.size.width, self.has_class("-tall")
        used = sum(height(self.line(name).said, width) for name in ("could", "leads", "now", "caution"))
        used += max(ROWS, self.query_one("#verdict").size.height) + self.query_one(KeyBar).rows
        left = self.size.height - used - _READINGS_ROWS - tall * _MORE_ROWS_TALL
        free = left - max(len(self.walk.here.taken) + 1 - _READINGS_ROWS, 0)  # with every reading shown
        least = _MEANING_ROWS_TALL if tall else _MEANING_ROWS
        most = min(max(left, 1), max(least, min(free, _MEANING_ROWS_TALL)))
        self.line("meaning").styles.max_height = most
        return most

    def _seen(self) -> tuple[Part, ...]:
        """At a bench, what the load does where that is asked for: nobody can look there."""
        wanted, bench = self.walk.here.wanted, self.bench_hands
        if bench is None or self._said != keys.WALK_LOAD or wanted is None:
            return ()
        alone = isinstance(wanted.what, Working) and wanted.what.alone
        return at_the_bench(bench.load(alone))

    def _could(self) -> tuple[Part, ...]:
        return walk_words.could_be(self.walk, self.size.width, _COULD_ROWS)

    def keys(self) -> Sequence[Key]:
        phase = self.walk.here.phase
        again = (keys.REPAIRED,) if phase in (Phase.END, Phase.PROVEN) else ()
        dead = _DEAD_KEYS.get(phase, ())
        if phase is Phase.LEADS and self.session.latest.lead_check.step in (1, 2):
            dead = ("done",)  # it goes on by itself
        walk = [key for key in keys.WALK if key.action not in dead]
        return (*self._said, *again, *walk, keys.WALK_WIGGLE, *keys.AFTER_DRIVE)

    @property
    def _said(self) -> Sequence[Key]:
        """The keys for the word that is asked for."""
        wanted = self.walk.here.wanted
        if self.walk.here.phase is not Phase.SAY or wanted is None:
            return ()
        return keys.WALK_LOAD if isinstance(wanted.what, Working) else keys.WALK_LIGHT

    def action_done(self) -> None:
        check, before = self.session.latest.lead_check, self.walk.here
        if self.walk.move is not None and self.went_alone:
            self.notice(walk_words.went_on(self.walk))
            return
        effects = self.walk.done(check, self._now_s)
        self._act(effects)
        if not effects and self.walk.here is before and not self.walk.heard:
            self._explain(check, passing_over=False)

    def action_cannot(self) -> None:
        check, before = self.session.latest.lead_check, self.walk.here
        effects = self.walk.skip(check, self._now_s)
        self._act(effects)
        if not effects and self.walk.here is before:
            self._explain(check, passing_over=True)

    def _explain(self, check: LeadCheckView, passing_over: bool) -> None:
        """Why a key did nothing; said no longer than it is so."""
        self.notice(walk_words.why_nothing(self.walk, check, passing_over))
        self._explained = self.walk.here

    def action_back(self) -> None:
        if not self.walk.can_go_back:
            self.notice("this is the first step")
            return
        strong = bias.strong(self.walk.bias_wanted)
        self._act(self.walk.back(self._now_s))
        self.notice(walk_words.went_back(self.walk, strong))

    def action_say(self, grade: int) -> None:
        """The light looks, or the load works, best (0), less, or not at all (2)."""
        wanted = self.walk.here.wanted
        if wanted is not None and isinstance(wanted.what, Told):
            self._act(self.walk.say(wanted.what.words[grade], self._now_s))

    def action_repaired(self) -> None:
        self._act(self.walk.repaired(self._now_s))

    def action_wiggle(self) -> None:
        self.app.push_screen(WiggleScreen(self.session, self.new_capture, self.bench_hands))

    def on_key(self, event: events.Key) -> None:
        """What must be put right before leaving stands until another key is pressed."""
        if event.key not in _LEAVES:
            self.unasked("leave")

    def action_leave(self) -> None:
        """Back to the dashboard, with nothing strong left on the leads and no check left running."""
        behind = walk_words.left_behind(self.walk)
        if behind and not self.sure("leave", behind, math.inf):
            return
        self._carry_out(self.walk.leave(self.session.latest.lead_check))
        self.dismiss()

    def _act(self, effects: Sequence[Effect]) -> None:
        self._carry_out(effects)
        self.pull(hurry=True)
