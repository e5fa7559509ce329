"""What the walk screen says: pure functions from a walk to words."""

from __future__ import annotations

from collections.abc import Sequence

from daq.cautions import TEXT, WORKING
from daq.lead_check import SEAT, SOURCE_V, WIGGLE
from daq.offered_tests import kind
from daq.readings import Levels, Reading
from daq.reason_report import either_way
from daq.reason_words import (
    ALONE,
    JUMPER,
    SIDE_WORDS,
    SUBSTITUTE,
    misreadings,
    refit,
    sound_circuit,
    unseen,
)
from daq.reasoning import SOUND, Answer
from daq.snapshot import LeadCheckView
from daq.walk import Walk
from daq.walk_doubts import FREE_V
from daq.walk_here import WHISPER, Here, Phase
from daq.walk_moves import MOVED_LEAD, MOVES, aid_for, named, stands, take_off, value
from daq.walk_proof import lacking, proven, was_wrong
from tui.panels import DOT, Part, height
from tui.walk_said import is_fed_alone, to_be_said, word_wanted

DEFINITE = 0.9
_CHECK_WHY = "A lead that is off, or a clip on paint, would send everything after it the wrong way."
_FIRST_WHY = (
    "At rest first. Both at source: most likely switched on the ground side. Both near zero: on the positive "
    "side, or the feed is open or asleep. One each: on, or open."
)
_PLAINLY = (
    "Unplugged, both leads are read before a bias or a light: something that still joins the two would make "
    "all that follows wrong."
)
_AGAIN = "The check failed; q, then l, begins it again. "
_UNPROVEN = "The lead check failed: leads and reference are not proven. "
_FOLLOW = "No reading offered here would tell more: follow the wire itself by eye."
_STRONG = f"{WORKING['never on']} {WORKING['stand clear']}"
_STOPPED = {
    "known": "The place is known: confirm it by eye or with the wiring diagram, then repair.",
    "known, but for look-alikes": "Readings here cannot tell apart what is left; look at each, then repair.",
}


def big_word(walk: Walk, refused: bool) -> str:
    """The side once it is certain; else what stands in the way."""
    if refused:
        return "AC REFUSED"
    if walk.here.phase is Phase.LEADS:
        return "LEAD CHECK"
    if walk.here.phase is Phase.PROVEN and walk.proof is not None:
        return "PROVEN" if proven(walk) else "NOT PROVEN"
    answer = walk.answer
    if answer is None:
        return "NOT KNOWN YET"
    if not answer.fits:
        return "DOES NOT FIT"
    if answer.lost is not None:
        return "A LEAD IS OFF"
    side, chance = max(answer.side.items(), key=lambda pair: pair[1])
    switched = {"off", "on"} <= {reading.state.control for reading in answer.given}
    if not switched or chance < DEFINITE:
        return "NOT KNOWN YET"
    return "A LEAN ONLY" if walk.here.doubtful else SIDE_WORDS[side].upper()


def _likeliest(answer: Answer) -> str:
    side, chance = max(answer.side.items(), key=lambda pair: pair[1])
    return f"{SIDE_WORDS[side]} ({_percent(chance)})"


def could_be(walk: Walk, width: int, rows: int) -> tuple[Part, ...]:
    """The likeliest explanations with their chances, as many as fit."""
    answer = walk.proof if walk.here.phase is Phase.PROVEN and walk.proof else walk.answer
    doubt: list[Part] = [(_UNPROVEN, "bold $alarm")] if walk.here.check_failed else []
    if answer is None:
        return (*doubt, "nothing is known before the first reading")
    misfit = "; ".join(named(r) for r in answer.misfits)
    if misfit:
        doubt.append((f"does not fit: {misfit} (b takes back). ", "bold $alarm"))
    if answer.premise is not None:
        return (*doubt, answer.premise.told)
    if big_word(walk, False) == "A LEAN ONLY":
        doubt.append((f"leans to {_likeliest(answer)}. ", "bold"))
    head = (*doubt, ("could be: ", "bold"))
    found = either_way(answer.candidates)
    texts = [f"{_percent(p)} {text}" for text, p in found]
    rests = [1.0 - sum(p for _, p in found[:n]) for n in range(len(found) + 1)]
    return _fitting(head, texts, [f"{_percent(r)} others" if r > 0.005 else "" for r in rests], width, rows)


def _fitting(
    head: tuple[Part, ...],
    texts: Sequence[str],
    rests: Sequence[str],
    width: int,
    rows: int,
    between: str = DOT,
) -> tuple[Part, ...]:
    """`head` and the first of `texts`, as many as fit, of one at least its beginning; `rests`: what stands
    for the others."""
    best: tuple[Part, ...] = head
    for n in range(1, len(texts) + 1):
        more = [rests[n]] if rests[n] else []
        parts = (*head, between.join([*texts[:n], *more]))
        if n > 1 and height(parts, width) > rows:
            break
        best = parts
    return _cut(best, width, rows)


def _cut(parts: tuple[Part, ...], width: int, rows: int) -> tuple[Part, ...]:
    """Without the last words where it is too long, which is seen."""
    *first, last = parts
    while isinstance(last, str) and height((*first, last), width) > max(rows, 1) and " " in last:
        last = f"{last.removesuffix(' …').rpartition(' ')[0]} …"
    return (*first, last)


def _percent(p: float) -> str:
    return "<1%" if p < 0.01 else f"{100 * p:.0f}%"  # no space: a line would break there


def leads(walk: Walk) -> tuple[Part, ...]:
    """What both leads read now, whether they stand still, and how things stand as the user said."""
    seen = walk.look
    if seen is None:
        return ("waiting for samples", DOT, stands(walk.here.stand))
    volts = seen.levels if walk.pulses else seen.volts
    still = ("still", "") if seen.still else ("pulsed: read while on" if walk.pulses else "moving", "bold")
    return (
        (f"lead 1 {_free(walk, volts)}  lead 2 {_free(walk, volts[::-1])}", "bold"),
        DOT,
        still,
        DOT,
        stands(walk.here.stand),
    )


def _free(walk: Walk, both: tuple[float, ...]) -> str:
    """The first of both volts; under the whisper a lead that nothing holds says so. A bad ground may drop as
    much while the load is on: there it is not said before the whisper was taken away."""
    volts, other = both
    state = walk.here.stand.state
    may_drop = state.plugged and state.control != "off" and other > SOURCE_V[0]
    free = walk.bias_wanted == WHISPER and FREE_V[0] < volts < FREE_V[1]
    says = free and (walk.held is False or (walk.held is None and not may_drop))
    return f"{_v(volts)} (held by nothing)" if says else _v(volts)


def _v(volts: float) -> str:
    return f"{volts + 0.0:.2f} V".replace("-0.00", "0.00").replace("-", "−")


def now(walk: Walk, check: LeadCheckView, refused: bool) -> tuple[Part, ...]:
    """What to do now."""
    if refused:
        return (("now: ", "bold"), (TEXT["ac"], "bold $alarm"))
    return (("now: ", "bold"), *_now(walk, check))


def _now(walk: Walk, check: LeadCheckView) -> tuple[Part, ...]:
    here = walk.here
    if here.phase is Phase.LEADS and walk.doubt:
        return (("NOT YET: ", "bold $alarm"), (walk.doubt, "bold"))
    if here.phase is Phase.LEADS:
        tell = {WIGGLE: " Enter says so; s goes on, unproven.", SEAT: " Enter when they are."}.get(
            check.step, " s goes past this step, unproven."
        )
        failed: tuple[Part, ...] = ((_AGAIN, "bold $alarm"),) if check.refuted else ()
        return (*failed, f"{check.instruction}{tell}") if check.step else ("the lead check begins",)
    if walk.move is not None and walk.doubt:
        return (("NOT TAKEN: ", "bold $alarm"), (walk.doubt, "bold"))
    if walk.move is not None:
        tell = "Enter goes on." if walk.move.asks else "Enter when it is done."
        return ((walk.move.do, "bold"), f" {tell}")
    if here.phase is Phase.READ:
        return _reading(walk)
    if here.phase is Phase.SAY and here.wanted is not None:
        return to_be_said(here.wanted.what)
    if here.phase is Phase.THINK:
        return ("working out what this means and what to read next",)
    return _ended(walk)


def _reading(walk: Walk) -> tuple[Part, ...]:
    wanted, seen = walk.here.wanted, walk.look
    if walk.doubt:
        return (("NOT TAKEN: ", "bold $alarm"), (walk.doubt, "bold"))
    if walk.keeps_moving and seen is not None:
        spans = ", ".join(
            f"lead {n} {_v(low)} to {_v(high)}"
            for n, (low, high) in enumerate(zip(seen.low_v, seen.high_v, strict=True), 1)
        )
        tell = (
            " Pulses too fast to be read do that, or a contact that comes and goes. Enter takes the average."
        )
        return (("It does not stand still: ", "bold"), f"{spans}.{tell}")
    assert wanted is not None
    return (f"reading '{named(wanted)}': leave everything as it is until both leads stand still",)


def _ended(walk: Walk) -> tuple[Part, ...]:
    if walk.here.phase is Phase.PROVEN:
        return (_proof(walk), " a reads everything again, b goes back.")
    answer = walk.answer
    assert answer is not None
    off = take_off(walk.here.stand.aid)
    told = " ".join(filter(None, (off, _only_if(walk), _end_text(walk, answer))))
    return ((told, "bold"), " Repaired? a takes the same readings again as the proof.")


def _only_if(walk: Walk) -> str:
    """What failed, or was taken against a doubt, on which all that was found stands."""
    what = " and ".join(dict.fromkeys(walk.here.insisted))
    failed = "What was found stands only if leads and reference are sound."
    insisted = f"You insisted on {what}: what was found stands only if that was so."
    return " ".join([failed] * walk.here.check_failed + [insisted] * bool(what))


def _end_text(walk: Walk, answer: Answer) -> str:
    if not answer.fits:
        return "No single fault explains these readings: check the leads, or there are two faults."
    if answer.lost is not None:
        return refit(answer.lost)
    if answer.healthy >= SOUND and not walk.here.doubtful:
        said = sound_circuit(answer.given, "w, the wiggle test")
        return said[0].upper() + said[1:]
    return _STOPPED.get(answer.stop, _FOLLOW)


def _proof(walk: Walk) -> Part:
    assert walk.proof is not None
    chance = _percent(walk.proof.healthy)
    only_if = f" {_only_if(walk)}".rstrip()
    if proven(walk):
        rest = (
            "no longer what was wrong" if was_wrong(walk) else "as before: nothing was wrong in what was read"
        )
        found = f"The same readings now fit a sound circuit ({chance}), {rest}."
        return found + only_if, "bold"
    return f"{lacking(walk)} ({chance} sound).{only_if}", "bold $alarm"


def why(walk: Walk, check: LeadCheckView, width: int, rows: int) -> tuple[Part, ...]:
    """Why this, and what each outcome would mean."""
    here = walk.here
    if here.phase is Phase.LEADS:
        return (("why: ", "bold"), " ".join(check.results) or _CHECK_WHY)
    if here.repaired:
        return (("why: ", "bold"), "The same readings, before and after, are the proof of the repair.")
    if here.phase is Phase.END and walk.answer is not None:
        notes = [*unseen(walk.answer.candidates, walk.answer.given), *misreadings(walk.answer.given)]
        return (
            _fitting((("mind: ", "bold"),), notes, [""] * (len(notes) + 1), width, rows, " ") if notes else ()
        )
    answer = walk.answer
    if answer is None:
        return (("why: ", "bold"), _FIRST_WHY)
    if answer.next_test is None or here.phase is Phase.THINK:
        return ()
    if here.wanted is not None and kind(here.wanted) != kind(answer.next_test.asks):
        return (("why: ", "bold"), _PLAINLY)
    head = f"what '{named(answer.next_test.asks)}' would mean: "
    outcomes = answer.next_test.splits.split("; ")
    return _fitting(((head, "bold"),), outcomes, ["…"] * len(outcomes) + [""], width, rows)


def why_nothing(walk: Walk, check: LeadCheckView, passing_over: bool) -> str:
    """Why a key had nothing to do: Enter, or `passing_over` with s."""
    phase = walk.here.phase
    if phase is Phase.LEADS:
        if check.just_failed:
            return "the check has just ended by itself: read why, then Enter once both leads are seated"
        if passing_over:
            return "nothing is passed over here: Enter once both leads are seated"
        return f"the check goes on by itself once lead {check.step} reads a steady source; s goes past it"
    if passing_over and phase in (Phase.MOVE, Phase.READ):
        return "this reading is where everything begins: it cannot be passed over"
    return {
        Phase.READ: "nothing to confirm: it is read by itself once both leads stand still",
        Phase.SAY: word_wanted(walk.here.wanted),
        Phase.THINK: "one moment: what the reading means is being worked out",
        Phase.END: "the walk is at its end: a once it is repaired, b goes back, q leaves",
        Phase.PROVEN: "the proof is done: a reads everything again, b goes back, q leaves",
    }.get(phase, "nothing is to be done here")


def went_on(walk: Walk) -> str:
    """Why Enter did nothing: the walk had just gone on by itself."""
    taken = walk.here.after if walk.here.repaired else walk.here.taken
    what = f"'{named(taken[-1])}' was taken" if taken else "the last step was done"
    return f"{what} by itself, and this step is new: Enter again once it is done"


def went_back(walk: Walk, strong: bool) -> str:
    """After a step back: how things stand as far as the walk knows, and what the tool undid itself."""
    off = "the bias is off again; " if strong else ""
    return f"{off}one step back: undo what you had begun, so that it is '{stands(walk.here.stand)}' as said"


def left_behind(walk: Walk) -> str:
    """What the hands must put right before the dashboard's verdict means anything; "" for nothing."""
    stand = walk.here.stand
    found = []
    if is_fed_alone(walk.here.wanted):
        found.append("take the two leads off the load, battery end first")
    if stand.aid:
        found.append(take_off(stand.aid)[0].lower() + take_off(stand.aid)[1:].removesuffix("."))
    if stand.place is not None:
        found.append(f"put lead {MOVED_LEAD} back on its pin")
    if not stand.state.plugged:
        found.append("plug the load in (then p)")
    return f"before the dashboard is trusted: {', '.join(found)}; q again leaves" if found else ""


def caution(walk: Walk) -> tuple[Part, ...]:
    text = _caution(walk)
    return (("CAUTION: ", "bold $alarm"), (text, "$alarm")) if text else ()


def _caution(walk: Walk) -> str:
    here = walk.here
    if here.phase is Phase.LEADS:
        return WORKING["probing"]
    if here.phase in (Phase.END, Phase.PROVEN):
        return WORKING["rules"]
    live, runs = _live(here), MOVES if here.stand.state.control != "off" else ""
    if walk.move is not None:  # what the tool does by itself after the last move is said before it
        told = f"{live if len(here.moves) == 1 else ''} {walk.move.caution}".strip()
        return told or runs
    return live or runs


def _live(here: Here) -> str:
    """What can happen while more than a whisper is on a pin."""
    wanted = here.wanted
    if wanted is None:
        return ""
    if is_fed_alone(wanted):
        return f"{ALONE} {WORKING['never on']}"
    if aid := aid_for(wanted)[:1]:
        told = {"jumper": JUMPER, "lamp": SUBSTITUTE}.get(aid[0], "")
        if told:
            return told if here.stand.aid else ""
        return _STRONG
    return _STRONG if isinstance(wanted.what, Levels) and wanted.what.driven else ""


def readings(walk: Walk, rows: int) -> str:
    """The readings so far, the newest last; after the repair before and after side by side."""
    here = walk.here
    if here.repaired:
        return "\n".join(_table(here)[-rows:] if rows > 0 else [])
    table = [
        ("reading", " lead 1   lead 2"),
        *((f"{n} {named(r)}", _value(here, r)) for n, r in enumerate(here.taken, 1)),
    ]
    wide = max(len(name) for name, _ in table)
    lines = [f"{name.ljust(wide)}  {volts}" for name, volts in table]
    return "\n".join([*lines[:1], *lines[1:][-max(1, rows - 1) :]][-max(1, rows) :])


def _value(here: Here, reading: Reading) -> str:
    return value(reading) + (" (pulsed: while on)" if reading in here.pulsed else "")


def _table(here: Here) -> list[str]:
    rows = [("reading", "before", "after")]
    again = {(r.state, type(r.what), named(r)): r for r in here.after}
    for r in here.taken:
        new = again.get((r.state, type(r.what), named(r)))
        rows.append((named(r), _value(here, r), "" if new is None else _value(here, new)))
    wide = [max(len(row[i]) for row in rows) for i in (0, 1)]
    return [f"{a.ljust(wide[0])}  {b.ljust(wide[1])}  {c}".rstrip() for a, b, c in rows]
