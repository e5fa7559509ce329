"""Walking the wire: the whole job as a sequence of single steps, from the proof of the leads to the proof of
the repair.

Pure: what the user says, looks at the leads and answers of the reasoning go in; what to do now, and what to
put into the log or on the leads, come out. A reading is taken only where the user said that everything for it
is done, and both leads stood still for half a second since. Where a reading contradicts what was said, the
walk says so and takes nothing until the user insists.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from daq.lead_check import SEAT, WIGGLE
from daq.offered_tests import Means, kind
from daq.readings import UNHEARD, At, Lamp, Levels, Reading, State, Told, Working
from daq.reasoning import Answer
from daq.samples import Bias, ChangeKind
from daq.snapshot import LeadCheckView
from daq.source import SetBias
from daq.stillness import Look
from daq.walk_doubts import doubt, free_alone, moved, on_positive, still_on, stood
from daq.walk_here import QUIET, WHISPER, Effect, Here, Phase, Tell, phase_of, undone
from daq.walk_moves import BEGIN, LIGHT, REPAIR, Move, Stand, in_the_way, moves, named
from daq.walk_readings import bias_for, can_be_again, filled, first, plainly_first

PATIENCE_S = 3.0
"""A cold lamp, a coil and most motors have settled by then (s)."""


@dataclass
class Walk:
    """One walk. `means`: what the logger and the person can do; `bias_now` is what stands on the leads."""

    means: Means
    here: Here = field(default_factory=Here)
    answer: Answer | None = None
    proof: Answer | None = None  # what the readings after the repair say
    doubt: str = ""  # why the last look, or what was said to be done, was not taken
    look: Look | None = None
    held: bool | None = None  # what reads like a free lead stays without the whisper; None: not asked
    _past: list[tuple[Here, Answer | None]] = field(default_factory=list)
    _since_s: float = 0.0
    _bias: SetBias = WHISPER
    _bias_since_s: float | None = None
    _insists: bool = False
    _said_s: float | None = None  # the control is said to be off since: the leads are asked
    _asked: Look | None = None  # what was read before the whisper was taken away to see whether it stays
    _left: bool = False  # lead 1 was seen to move since it is to be held somewhere else
    _checking: bool = False
    _out: bool = False  # as the log says

    # What the screen asks.

    @property
    def question(self) -> tuple[Reading, ...] | None:
        """What the reasoning is to be asked now; None while it is not its turn."""
        return self._taken if self.here.phase is Phase.THINK else None

    @property
    def means_now(self) -> Means:
        return self.here.left_of(self.means)

    @property
    def move(self) -> Move | None:
        return self.here.moves[0] if self.here.phase is Phase.MOVE and self.here.moves else None

    @property
    def bias_wanted(self) -> SetBias:
        """What should stand on the leads now; anything stronger than a whisper only while unplugged."""
        here = self.here
        if here.phase is not Phase.READ or here.wanted is None:
            return self._at_rest
        if self._asked is not None:
            return QUIET
        return bias_for(here.wanted, here.stand.state.plugged, self._at_rest)

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
    def heard(self) -> bool:
        """What the user said last is being looked into, or was answered with a doubt, or is insisted on."""
        return self._insists or bool(self.doubt) or self._said_s is not None

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
        """The user did what was asked; where that or a reading is doubted, that he insists on it."""
        here = self.here
        if here.phase is Phase.LEADS:
            return self._checks(check)
        if here.phase is Phase.MOVE and here.moves:
            return self._said(here.moves[0], check, now_s)
        if here.phase is Phase.READ:
            self._insists = bool(self.doubt) or self.keeps_moving
        return []

    def _checks(self, check: LeadCheckView) -> list[Effect]:
        """The reference was wiggled, or the leads are seated: asked where one may still be on positive."""
        if check.step == SEAT and not self.doubt:
            self.doubt = "" if check.just_failed else on_positive(check)
            if self.doubt or check.just_failed:
                return []
        said = {WIGGLE: Tell(ChangeKind.LEAD_CHECK, "wiggled"), SEAT: Tell(ChangeKind.CLEAR, "")}
        return [said[check.step]] if check.step in said else []

    def _said(self, move: Move, check: LeadCheckView, now_s: float) -> list[Effect]:
        """He says that it is done; what the leads can tell of it, they are asked first."""
        if move == BEGIN and not self.doubt:
            self.doubt = on_positive(check)
            if self.doubt:
                return []
        elif (
            not self.doubt
            and move.switches_off(self.here.stand)
            and still_on(self.look, self._taken, move.then.state)
        ):
            self._said_s = now_s
            return []
        return self._moved(move, now_s)

    def skip(self, check: LeadCheckView, now_s: float) -> list[Effect]:
        """This step cannot be done: of the lead check, or of the walk (another test is looked for)."""
        here = self.here
        if here.phase is Phase.LEADS and check.step:
            return [Tell(ChangeKind.LEAD_CHECK, "skip")] if check.step < SEAT else []
        if here.phase in (Phase.MOVE, Phase.READ, Phase.SAY) and here.wanted is not None:
            if not here.taken:
                return []  # the first reading is where everything begins
            if here.phase is Phase.SAY and isinstance(here.wanted.what, Working):
                return self.say(UNHEARD, now_s)
            self._remember()
            if here.repaired:
                return self._next_again(now_s)
            self.here = replace(
                here,
                phase=Phase.THINK,
                moves=(),
                wanted=None,
                cannot=here.cannot | {kind(here.wanted)},
                barred=here.barred | in_the_way(self.move, here.stand, here.wanted),
            )
            self._forget()
            return [self._at_rest, *self._plug_told()]
        return []

    def say(self, word: str, now_s: float) -> list[Effect]:
        """How the test light looks, or what the load does, in a word of the reading that is wanted."""
        wanted = self.here.wanted
        if self.here.phase is not Phase.SAY or wanted is None or not isinstance(wanted.what, Told):
            return []
        self._remember()
        if isinstance(wanted.what, Lamp):
            self.here = replace(self.here, stand=replace(self.here.stand, aid=LIGHT))
        return self._take(replace(wanted, what=replace(wanted.what, word=word)), now_s)

    def repaired(self, now_s: float) -> list[Effect]:
        """Take the same readings again, for the proof."""
        if self.here.phase not in (Phase.END, Phase.PROVEN):
            return []
        self._remember()
        same = tuple(r for r in self.here.taken if can_be_again(r))
        self.here = replace(self.here, repaired=True, after=(), again=same, insisted=())
        self.proof = None
        return self._next_again(now_s)

    def back(self, now_s: float) -> list[Effect]:
        """Take the last step back: what was read in it is forgotten, what the hands did is undone first."""
        if not self._past:
            return []
        stand = self.here.stand
        here, self.answer = self._past.pop()
        todo = here.moves if here.wanted is None else (*undone(stand, here), *here.moves)
        self.here = replace(here, stand=stand, moves=todo, phase=Phase.MOVE if todo else here.phase)
        self._since_s = now_s
        self._forget()
        self._left = stand.place is not None
        self._bias = self._at_rest
        return [self._at_rest, *self._plug_told()]

    # What the leads and the reasoning say.

    def see(self, look: Look | None, bias: tuple[Bias, Bias], check: LeadCheckView) -> list[Effect]:
        """The latest look at the leads, and the bias that stands on them."""
        self.look = look
        here = self.here
        if here.phase is Phase.LEADS:
            if check.step != SEAT or not check.on_positive:
                self.doubt = ""  # a lead was seen to leave it
            return self._checked(check)
        if look is not None and self.move is not None:
            return self._moving(look, self.move, check)
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

    def _moving(self, look: Look, move: Move, check: LeadCheckView) -> list[Effect]:
        """Something is being moved: a lead that leaves its place, a control that goes off at last."""
        if move.then.place != self.here.stand.place:
            self._left |= moved(look)
        if self._said_s is not None and look.end_s > self._said_s:
            self.doubt = self._still_on(move)
            return [] if self.doubt else self._moved(move, look.end_s)
        if self.doubt and move == BEGIN:
            self.doubt = on_positive(check)
        return []

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
        self._want(plainly_first(answer.next_test.asks, self._plain, self.here.taken))
        return []

    def _checked(self, check: LeadCheckView) -> list[Effect]:
        """On to the first reading once the lead check is over."""
        if check.step:
            self._checking = False
        elif not self._checking:
            if check.passed and check.source_v is not None:
                source = Reading(State(), At("source", check.source_v), logged=True)
                self.here = replace(self.here, taken=(source,), seen_source=True)
            self.here = replace(self.here, check_failed=check.refuted)
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
            todo = (BEGIN,)
        self.here = replace(here, wanted=wanted, moves=todo, phase=phase_of(todo, wanted))

    def _still_on(self, move: Move) -> str:
        return still_on(self.look, self._taken, move.then.state)

    def _moved(self, move: Move, now_s: float) -> list[Effect]:
        if not move.undoes:
            self._remember()
        was, before, after = self.here.stand, self.here.stand.state, move.then.state
        rest, insisted = self.here.moves[1:], self.here.insisted
        assert self.here.wanted is not None
        if self.doubt:
            insisted = (*insisted, _SHORTLY[move == BEGIN])
        phase = phase_of(rest, self.here.wanted)
        self.here = replace(self.here, stand=move.then, moves=rest, phase=phase, insisted=insisted)
        self._since_s = now_s
        self._forget()
        effects = self._plug_told()
        if move.brings_back(was):
            effects.append(Tell(ChangeKind.CLEAR, ""))
        if before.control != after.control or move == BEGIN:
            effects.append(Tell(ChangeKind.MARK, after.control))
        return effects

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
            self.held = None
            return []
        reading = filled(wanted, look)
        if self._asks_whether_held(look, reading):
            return []
        against = doubt(reading, look, self._taken, self._left, self.held is True)
        if against and not (self._insists and self.doubt):
            self.doubt, self._insists = against, False
            return []
        self._remember()
        if against:
            self.here = replace(self.here, insisted=(*self.here.insisted, f"'{named(reading)}'"))
        if self.pulses:
            self.here = replace(self.here, pulsed=self.here.pulsed | {reading})
        return self._take(reading, look.end_s)

    def _asks_whether_held(self, look: Look, reading: Reading) -> bool:
        """A bad ground may drop what a free lead reads under the whisper: that is taken away for a look."""
        if self._asked is not None:
            self.held, self._asked = stood(self._asked, look), None
            return True
        if self.held is None and reading.state.plugged and free_alone(reading.what):
            self._asked = look
        return self._asked is not None

    @property
    def _taken(self) -> tuple[Reading, ...]:
        return self.here.after if self.here.repaired else self.here.taken

    def _forget(self) -> None:
        """What stood in doubt does no longer."""
        self.doubt, self._insists, self._said_s = "", False, None
        self.held, self._asked = None, None

    def _take(self, reading: Reading, now_s: float) -> list[Effect]:
        self._bias_since_s = None
        self._forget()
        here = self.here
        if here.repaired:
            self.here = replace(here, after=(*here.after, reading))
            return self._next_again(now_s)
        self.here = replace(here, taken=(*here.taken, reading), phase=Phase.THINK, wanted=None, moves=())
        self._bias = self._at_rest
        return [self._at_rest]

    def _next_again(self, now_s: float) -> list[Effect]:
        here = self.here
        self._since_s, self._bias = now_s, self._at_rest
        self._left = False
        self._forget()
        if not here.again:
            self.here = replace(here, phase=Phase.THINK, wanted=None, moves=())
            return [self._at_rest]
        wanted, rest = here.again[0], here.again[1:]
        todo = moves(here.stand, wanted)
        if not here.after and not here.wanted:
            todo = (REPAIR, *moves(Stand(), wanted))
        self.here = replace(here, again=rest, wanted=wanted, moves=todo, phase=phase_of(todo, wanted))
        return [self._at_rest]

    def _remember(self) -> None:
        self._past.append((self.here, self.answer))


_SHORTLY = {True: "both leads being on their pins", False: "the control being off"}
