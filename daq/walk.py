"""Walking the wire: the whole job as a sequence of single steps, from the proof of the leads to the proof of
the repair.

Pure: what the user says, looks at the leads and answers of the reasoning go in; what to do now, and what to
put into the log or on the leads, come out. A reading is taken only where the user said that everything for it
is done, and both leads stood still for half a second since. Where a reading contradicts what was said, the
walk says so and takes nothing until the user insists.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from daq.lead_check import SEAT, WIGGLE
from daq.offered_tests import Means, aids_of, kind, needs
from daq.readings import At, Lamp, Levels, Reading, State
from daq.reasoning import Answer
from daq.samples import Bias, ChangeKind
from daq.snapshot import LeadCheckView
from daq.source import SetBias
from daq.stillness import Look
from daq.walk_doubts import doubt, moved, on_positive
from daq.walk_here import QUIET, WHISPER, Effect, Here, Phase, Tell
from daq.walk_moves import LIGHT, Move, Stand, aid_for, moves, moves_to, named
from daq.walk_readings import can_be_again, filled, first

PATIENCE_S = 3.0
"""A cold lamp, a coil and most motors have settled by then (s)."""

_KINDS = {"up": Bias.UP, "down": Bias.DOWN, "whisper": Bias.WHISPER, None: Bias.OFF}


@dataclass
class Walk:
    """One walk. `means`: what the logger and the person can do; `bias_now` is what stands on the leads."""

    means: Means
    here: Here = field(default_factory=Here)
    answer: Answer | None = None
    proof: Answer | None = None  # what the readings after the repair say
    doubt: str = ""  # why the last look was not taken
    look: Look | None = None
    _past: list[tuple[Here, Answer | None]] = field(default_factory=list)
    _since_s: float = 0.0
    _bias: SetBias = WHISPER
    _bias_since_s: float | None = None
    _insists: bool = False
    _left: bool = False  # lead 1 was seen to move since it is to be held somewhere else
    _checking: bool = False
    _out: bool = False  # as the log says

    # What the screen asks.

    @property
    def question(self) -> tuple[Reading, ...] | None:
        """What the reasoning is to be asked now; None while it is not its turn."""
        if self.here.phase is not Phase.THINK:
            return None
        return self.here.after if self.here.repaired else self.here.taken

    @property
    def means_now(self) -> Means:
        barred = self.here.barred
        return replace(
            self.means,
            bias=self.means.bias and "bias" not in barred,
            test_light=self.means.test_light and "test light" not in barred,
            cannot=self.here.cannot,
            barred=barred,
        )

    @property
    def move(self) -> Move | None:
        return self.here.moves[0] if self.here.phase is Phase.MOVE and self.here.moves else None

    @property
    def bias_wanted(self) -> SetBias:
        """What should stand on the leads now; anything stronger than a whisper only while unplugged."""
        here = self.here
        if here.phase is not Phase.READ or here.wanted is None:
            return self._at_rest
        what = here.wanted.what
        if isinstance(what, Levels) and what.driven and not here.stand.state.plugged:
            return SetBias(_KINDS[what.bias[0]], _KINDS[what.bias[1]])
        return QUIET if isinstance(what, At) or aid_for(here.wanted) else self._at_rest

    @property
    def _at_rest(self) -> SetBias:
        return WHISPER if self.means.whisper else QUIET

    @property
    def keeps_moving(self) -> bool:
        """The leads did not come to stand still for a while: pulses, or a contact that comes and goes."""
        seen = self.look
        if seen is None or self.here.phase is not Phase.READ or seen.still or self.pulses:
            return False
        return seen.end_s - max(self._since_s, self._bias_since_s or 0.0) > PATIENCE_S

    @property
    def pulses(self) -> bool:
        """The load is switched on, and in pulses: what stands while they are on can be read."""
        return bool(self.look and self.look.on_v) and self.here.stand.state.control != "off"

    @property
    def insists(self) -> bool:
        """The user wants what was seen taken as it is."""
        return self._insists

    @property
    def can_go_back(self) -> bool:
        return bool(self._past)

    # What the user says.

    def begin(self, proven: bool) -> list[Effect]:
        """Start, with the lead check unless it was `proven` already."""
        if proven:
            self._bias = self._at_rest
            self._want(first(self._plain))
            return [self._at_rest]
        self._checking, self._bias = True, self._at_rest
        return [self._at_rest, Tell(ChangeKind.LEAD_CHECK, "start")]

    @property
    def begun(self) -> bool:
        return self.here.phase is not Phase.LEADS

    def leave(self, check: LeadCheckView) -> list[Effect]:
        """The screen is left: nothing strong stays on the leads, no lead check goes on."""
        self._bias, self._bias_since_s = self._at_rest, None
        in_check = self.here.phase is Phase.LEADS and check.step > 0
        stop: list[Effect] = [Tell(ChangeKind.LEAD_CHECK, "stop")] if in_check else []
        return [self._at_rest, *stop]

    def done(self, check: LeadCheckView, now_s: float) -> list[Effect]:
        """The user did what was asked; where a reading is doubted, that he insists on it."""
        here = self.here
        if here.phase is Phase.LEADS:
            if check.step == SEAT and not (self._insists or self._left):
                self.doubt = on_positive(self.look, check.source_v)
                if self.doubt:
                    self._insists = True
                    return []
            said = {WIGGLE: Tell(ChangeKind.LEAD_CHECK, "wiggled"), SEAT: Tell(ChangeKind.CLEAR, "")}
            return [said[check.step]] if check.step in said else []
        if here.phase is Phase.MOVE and here.moves:
            return self._moved(here.moves[0], now_s)
        if here.phase is Phase.READ:
            self._insists = bool(self.doubt) or self.keeps_moving
        return []

    def skip(self, check: LeadCheckView, now_s: float) -> list[Effect]:
        """This step cannot be done: of the lead check, or of the walk (another test is looked for)."""
        here = self.here
        if here.phase is Phase.LEADS and check.step:
            return [Tell(ChangeKind.LEAD_CHECK, "skip")] if check.step < SEAT else []
        if here.phase in (Phase.MOVE, Phase.READ, Phase.LIGHT) and here.wanted is not None:
            if not here.taken:
                return []  # the first reading is where everything begins
            self._remember()
            if here.repaired:
                return self._next_again(now_s)
            self.here = replace(
                here,
                phase=Phase.THINK,
                moves=(),
                wanted=None,
                cannot=here.cannot | {kind(here.wanted)},
                barred=here.barred | self._in_the_way(here.wanted),
            )
            self.doubt = ""
            return [self._at_rest, *self._plug_told()]
        return []

    def _in_the_way(self, wanted: Reading) -> frozenset[str]:
        """What the move that cannot be done would have made possible; with one bias or light, all of them."""
        move, what = self.move, wanted.what
        if move is None or (move.then == self.here.stand and not move.asks):
            light, bias = isinstance(what, Lamp), isinstance(what, Levels) and what.driven
            return frozenset({"test light"} if light else {"bias"} if bias else aids_of(what))
        if move.asks:
            return frozenset({move.asks})
        there = move.then.place or move.then.aid
        then = Reading(move.then.state, wanted.what if there else Levels((0.0, 0.0)))
        return needs(then, self.here.stand.state)

    def light(self, word: str, now_s: float) -> list[Effect]:
        """How the test light looks: lit, dim or dark."""
        wanted = self.here.wanted
        if self.here.phase is not Phase.LIGHT or wanted is None or not isinstance(wanted.what, Lamp):
            return []
        self._remember()
        self.here = replace(self.here, stand=replace(self.here.stand, aid=LIGHT))
        return self._take(replace(wanted, what=replace(wanted.what, word=word)), now_s)

    def repaired(self, now_s: float) -> list[Effect]:
        """Take the same readings again, for the proof."""
        if self.here.phase not in (Phase.END, Phase.PROVEN):
            return []
        self._remember()
        same = tuple(r for r in self.here.taken if can_be_again(r))
        self.here = replace(self.here, repaired=True, after=(), again=same)
        self.proof = None
        return self._next_again(now_s)

    def back(self, now_s: float) -> list[Effect]:
        """Take the last step back: what was read in it is forgotten, what the hands did is undone first."""
        if not self._past:
            return []
        stand = self.here.stand
        here, self.answer = self._past.pop()
        todo = here.moves if here.wanted is None else (*_undone(stand, here), *here.moves)
        self.here = replace(here, stand=stand, moves=todo, phase=Phase.MOVE if todo else here.phase)
        self.doubt, self._insists, self._since_s = "", False, now_s
        self._left = stand.place is not None
        self._bias = self._at_rest
        return [self._at_rest, *self._plug_told()]

    # What the leads and the reasoning say.

    def see(self, look: Look | None, bias: tuple[Bias, Bias], check: LeadCheckView) -> list[Effect]:
        """The latest look at the leads, and the bias that stands on them."""
        self.look = look
        here = self.here
        if here.phase is Phase.LEADS:
            self._seating(look, check)
            return self._checked(check)
        if look is not None and self.move is not None and self.move.then.place != here.stand.place:
            self._left |= moved(look)
        if look is None or here.phase is not Phase.READ or here.wanted is None:
            return []
        wanted = self.bias_wanted
        if bias != (wanted.lead1, wanted.lead2):
            self._bias_since_s = None
            return [] if self._bias == wanted else self._put(wanted)
        if self._bias_since_s is None:
            self._bias_since_s = look.end_s
        if look.begin_s < max(self._since_s, self._bias_since_s):
            return []
        self._left |= moved(look)
        return self._weigh(look, here.wanted)

    def told(self, answer: Answer, now_s: float) -> list[Effect]:
        """The reasoning answered the question."""
        if self.here.phase is not Phase.THINK:
            return []
        if self.here.repaired:
            self.proof = answer
            self.here = replace(self.here, phase=Phase.PROVEN)
            return []
        self.answer = answer
        if answer.next_test is None:
            self.here = replace(self.here, phase=Phase.END, wanted=None, moves=())
            return [self._at_rest]
        self._since_s = now_s
        self._want(self._plainly_first(answer.next_test.asks))
        return []

    def _plainly_first(self, asks: Reading) -> Reading:
        """Unplugged, both leads are read before anything drives one of them: a load that is still plugged in
        shows there, and nowhere else without doubt."""
        if asks.state.plugged or isinstance(asks.what, At):
            return asks
        plain = replace(asks, what=self._plain)
        done = {kind(reading) for reading in self.here.taken}
        return asks if kind(plain) in done else plain

    def _seating(self, look: Look | None, check: LeadCheckView) -> None:
        """Whether a lead was seen to leave battery positive; what was doubted before is over then."""
        left = look is not None and (moved(look, 1) or moved(look, 2))
        self._left = check.step == SEAT and (self._left or left)
        if check.step != SEAT or self._left:
            self.doubt, self._insists = "", False

    def _checked(self, check: LeadCheckView) -> list[Effect]:
        """On to the first reading once the lead check is over."""
        if check.step:
            self._checking = False
        elif not self._checking:
            if check.passed and check.source_v is not None:
                source = Reading(State(), At("source", check.source_v), logged=True)
                self.here = replace(self.here, taken=(source,), seen_source=True)
            self._want(first(self._plain))
        return []

    @property
    def _plain(self) -> Levels:
        return Levels((0.0, 0.0), ("whisper", "whisper") if self.means.whisper else (None, None))

    def _want(self, wanted: Reading) -> None:
        here = self.here
        self._left = False
        begins = not here.taken or (here.seen_source and len(here.taken) == 1)
        todo = moves(here.stand, wanted)
        if begins and not here.repaired:
            todo = (Move(_BEGIN, Stand(), _PROBING),)
        self.here = replace(here, wanted=wanted, moves=todo, phase=_phase(todo, wanted))

    def _moved(self, move: Move, now_s: float) -> list[Effect]:
        if not move.undoes:
            self._remember()
        stood, before, after = self.here.stand, self.here.stand.state, move.then.state
        rest = self.here.moves[1:]
        assert self.here.wanted is not None
        self.here = replace(self.here, stand=move.then, moves=rest, phase=_phase(rest, self.here.wanted))
        self._since_s, self.doubt, self._insists = now_s, "", False
        effects = self._plug_told()
        effects += self._as_it_was(stood)
        if before.control != after.control or move.do == _BEGIN:
            effects.append(Tell(ChangeKind.MARK, after.control))
        return effects

    def _as_it_was(self, before: Stand) -> list[Effect]:
        """What lead 1 read somewhere else, or with a jumper on, says nothing of how the load is switched."""
        now = self.here.stand
        back, off = before.place and not now.place, before.aid[:1] == ("jumper",) and not now.aid
        return [Tell(ChangeKind.CLEAR, "")] if back or off else []

    def _plug_told(self) -> list[Effect]:
        """The log says that the plug is out from before it is pulled until it is in again."""
        move = self.move
        out = not self.here.stand.state.plugged or (move is not None and not move.then.state.plugged)
        if out == self._out:
            return []
        self._out = out
        return [Tell(ChangeKind.PLUG, "out" if out else "in")]

    def _put(self, wanted: SetBias) -> list[Effect]:
        self._bias = wanted
        return [wanted]

    def _weigh(self, look: Look, wanted: Reading) -> list[Effect]:
        """Take the look as the reading that was wanted, unless it moves or contradicts."""
        if not (look.still or self.pulses or self._insists):
            return []
        reading = filled(wanted, look)
        if not self._insists:
            taken = self.here.after if self.here.repaired else self.here.taken
            self.doubt = doubt(reading, look, taken, self._left)
            if self.doubt:
                return []
        self._remember()
        if self.pulses:
            self.here = replace(self.here, pulsed=self.here.pulsed | {reading})
        return self._take(reading, look.end_s)

    def _take(self, reading: Reading, now_s: float) -> list[Effect]:
        self.doubt, self._insists, self._bias_since_s = "", False, None
        here = self.here
        if here.repaired:
            self.here = replace(here, after=(*here.after, reading))
            return self._next_again(now_s)
        self.here = replace(here, taken=(*here.taken, reading), phase=Phase.THINK, wanted=None, moves=())
        self._bias = self._at_rest
        return [self._at_rest]

    def _next_again(self, now_s: float) -> list[Effect]:
        here = self.here
        self._since_s, self.doubt, self._bias = now_s, "", self._at_rest
        self._left = False
        if not here.again:
            self.here = replace(here, phase=Phase.THINK, wanted=None, moves=())
            return [self._at_rest]
        wanted, rest = here.again[0], here.again[1:]
        todo = moves(here.stand, wanted)
        if not here.after and not here.wanted:
            todo = (Move(_REPAIR, Stand(), _PROBING), *moves(Stand(), wanted))
        self.here = replace(here, again=rest, wanted=wanted, moves=todo, phase=_phase(todo, wanted))
        return [self._at_rest]

    def _remember(self) -> None:
        self._past.append((self.here, self.answer))


_BEGIN = "Load plugged in, control off, lead 1 and lead 2 each on its pin of the load."
_REPAIR = (
    "Repair what was found. Then: load plugged in, control off, key as at first, both leads on their pins, "
    "nothing else held to the circuit."
)
_PROBING = "Key off to fit the probes, one insulated back-probe after the other; the pins must never touch."


def _undone(stand: Stand, here: Here) -> tuple[Move, ...]:
    """What takes the hands from `stand` back to where `here` was; what is read by itself waits for a word."""
    assert here.wanted is not None
    if here.phase is Phase.LIGHT:
        todo = moves_to(stand, replace(here.stand, aid=LIGHT))
    else:
        todo = moves_to(stand, here.stand)
    if here.phase is Phase.READ:
        again = f"'{named(here.wanted)}' is read again: see that everything is as it was."
        todo = (*todo, Move(again, here.stand))
    return tuple(replace(move, undoes=True) for move in todo)


def _phase(todo: Sequence[Move], wanted: Reading) -> Phase:
    if todo:
        return Phase.MOVE
    return Phase.LIGHT if isinstance(wanted.what, Lamp) else Phase.READ
