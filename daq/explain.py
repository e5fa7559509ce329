"""What it could be, from everything that was seen: one posterior over side, control lead, fault and place.

Its readings are the settled states, plugged in and unplugged. Beside them stands the switching that was seen,
which alone says how sure side and control lead are: votes know what levels do not tell (hands, gaps, bounce,
trains). Levels were tried as a judge of the side as well: in 300 recordings they only made right verdicts
less sure, where a circuit was none that the engine knows. Where nothing switches, the engine decides; a
control position that was only inferred then decides nothing, what the user marked does, once the leads are
proven.

Both leads at zero and both at source, with nobody's mark, are an open ground whose control was moved, or a
feed whose key was turned: half the answer is either's.

A fault that comes and goes is no state of the circuit: its levels are reasoned about alone, as a load that
was switched on and had worked a moment before.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

from daq.crossings import UV
from daq.findings import Candidate, Findings, Judgement, Lead, LoadState, NextTest, Side
from daq.judge import DEFINITE, RECHECK, UNPROVEN_MOST
from daq.offered_tests import AT_THE_LEADS
from daq.readings import At, Levels, Reading, State
from daq.reason_words import Explanation
from daq.reasoning import Answer, Proposal, Switching, either, reason
from daq.samples import Bias
from daq.seen import Held, Look, Seen, SeenState
from daq.settled import AWAKE_UV, DEAD_UV

LISTED = 0.002
DECIMALS = 3  # of volts: nothing hangs on less
BIASED = {Bias.OFF: None, Bias.WHISPER: "whisper", Bias.UP: "up", Bias.DOWN: "down"}
NO_FIT = "No single fault explains these levels: check the leads, or there are two faults."


def explained(findings: Findings) -> Findings:
    """The findings with what the reasoning makes of them; some tenths of a second of processor time."""
    return replace(findings, judgement=reasoned(findings.judgement, findings.look))


def reasoned(judged: Judgement, look: Look | None) -> Judgement:
    """The judgement with candidates, whether anything fits, and the test that tells them apart best."""
    seen = look() if look is not None else None
    answer = None if seen is None else answer_of(seen, judged)
    if seen is None or answer is None:
        return judged
    judged = _with_side(judged, seen, answer)
    return replace(
        judged,
        why=judged.why if answer.fits else f"{judged.why} {NO_FIT}",
        candidates=tuple(_candidate(e, p) for e, p in answer.candidates if p >= LISTED),
        fits=answer.fits,
        sides=tuple(answer.side.items()),
        next_test=_next_test(judged, seen, answer),
    )


def answer_of(seen: Seen, judged: Judgement) -> Answer | None:
    """The engine's answer; None without a single reading."""
    if seen.broken is not None:
        return _answered((_reading(seen.broken, "on"),), _switching(judged, worked=True))
    given, switching = readings_of(seen, judged.side), _switching(judged, drew_current=seen.drew_current)
    if not given:
        return None
    answer = _answered(given, switching)
    turned = _with_key(given)
    return answer if turned == given else either(answer, _answered(turned, switching))


@lru_cache(maxsize=64)
def _answered(given: tuple[Reading, ...], switching: Switching | None) -> Answer:
    """Screens ask about the same evidence again and again."""
    return reason(given, switching=switching, means=AT_THE_LEADS)


def readings_of(seen: Seen, side: Side) -> tuple[Reading, ...]:
    """What was seen, as readings; `side` is what the switching showed.

    A control position is as marked; where switching showed the side, on and off of the load are those of the
    control; else it is open. A plug state that nobody told counts as plugged in.
    """
    found = []
    if seen.checked_source_v is not None:
        found.append(Reading(State(), At("source", round(seen.checked_source_v, DECIMALS)), True))
    for state in seen.states:
        control = state.control or _inferred(state, side, seen.usual)
        if control is not None:
            found.append(_reading(state, control))
    return (*found, *map(_unplugged, seen.held))


def _inferred(state: SeenState, side: Side, usual: LoadState) -> str | None:
    """Where the control stood in a state that nobody marked; None leaves the state out."""
    if side is Side.UNDETERMINED:
        return "?"
    if state.load is LoadState.OFF:
        return "off"
    if side is Side.REVERSING:
        return "on" if state.load is LoadState.FORWARD else "other"
    return "on" if state.load is usual else None


def _with_key(given: tuple[Reading, ...]) -> tuple[Reading, ...]:
    """As if the key had been turned between both leads at zero and both at source, where nobody says so."""
    keys = [_key(reading) for reading in given]
    if not {"on", "off"} <= {*keys}:
        return given
    return tuple(replace(r, state=replace(r.state, key=key)) for r, key in zip(given, keys, strict=True))


def _key(reading: Reading) -> str | None:
    what, state = reading.what, reading.state
    if not isinstance(what, Levels) or not state.plugged or state.control != "?" or None in what.volts:
        return None
    low, high = sorted(v for v in what.volts if v is not None)
    return "off" if high < DEAD_UV / UV else "on" if low > AWAKE_UV / UV else None


def _reading(state: SeenState, control: str) -> Reading:
    levels = Levels(_rounded(state.volts), error_v=_rounded(state.error_v))
    return Reading(State(control=control), levels, True)


def _unplugged(held: Held) -> Reading:
    one, other = (BIASED[kind] for kind in held.bias)
    levels = Levels(_rounded(held.volts), (one, other), _rounded(held.error_v))
    return Reading(State(plugged=False, control=held.control or "?"), levels, True)


def _rounded(pair: tuple[float, float]) -> tuple[float, float]:
    return round(pair[0], DECIMALS) + 0.0, round(pair[1], DECIMALS) + 0.0


def _switching(judged: Judgement, worked: bool = False, drew_current: bool = False) -> Switching | None:
    """What the votes say of the side; None where nothing was seen to switch."""
    side, sure = judged.leaning, round(judged.confidence, 6)
    if side is Side.UNDETERMINED or not 0.0 < sure < 1.0:
        return None
    control = {Side.LOW: judged.ground_lead, Side.HIGH: judged.feed_lead}.get(side)
    return Switching(side.value, control, sure, worked, drew_current)


def _with_side(judged: Judgement, seen: Seen, answer: Answer) -> Judgement:
    """Side, control lead and confidence out of the posterior."""
    if judged.leaning is not Side.UNDETERMINED:
        return judged
    if not (answer.fits and seen.reference_proven and {"on", "off"} <= seen.marked):
        return judged
    chances: dict[tuple[str, Lead | str | None], float] = {}
    for e, p in answer.candidates:
        chances[e.side, e.control_lead] = chances.get((e.side, e.control_lead), 0.0) + p
    (name, control), sure = max(chances.items(), key=lambda item: item[1])
    if sure < DEFINITE or name == Side.UNSWITCHED.value:
        return judged
    side = Side(name)
    feed, ground = _feed_and_ground(side, control)
    best = next(str(e) for e, _ in answer.candidates if e.side == name)
    why = f"It never switched as you marked it, and that fits one side: {best}."
    return Judgement(side, control, feed, ground, min(sure, UNPROVEN_MOST), why, None, leaning=side)


def _feed_and_ground(side: Side, control: Lead | str | None) -> tuple[Lead | None, Lead | None]:
    if not isinstance(control, int):
        return None, None
    return (control, 3 - control) if side is Side.HIGH else (3 - control, control)


def _next_test(judged: Judgement, seen: Seen, answer: Answer) -> NextTest | None:
    """The engine's test, unless the leads must first be mended or seated, or the switching be seen."""
    if judged.next_test == RECHECK:
        return RECHECK
    proposal = answer.next_test
    told = judged.side is not Side.UNDETERMINED or {"on", "off"} <= seen.marked
    if proposal is None or (judged.next_test is not None and not told):
        return judged.next_test
    return _said(proposal, "While the fault shows: " if seen.broken is not None else "")


def _said(proposal: Proposal, when: str) -> NextTest:
    do = when + proposal.do[0].lower() + proposal.do[1:] if when else proposal.do
    otherwise = None if proposal.otherwise is None else _said(proposal.otherwise, when)
    bits = round(proposal.expected_bits, 3)
    return NextTest(do, proposal.reading, bits, proposal.splits, proposal.caution, otherwise)


def _candidate(e: Explanation, probability: float) -> Candidate:
    return Candidate(
        Side(e.side), e.control_lead, e.fault, e.place, probability, e.condition, e.also, e.leaking
    )
