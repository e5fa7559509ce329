"""The one judge: evidence in, judgement out.

Confidence is the Laplace-like share of votes, (v + 0.1) / (v + others + 0.2), at most 0.7 from a single
transition that the user did not mark; the side is definite at 0.9. What the judge is not told (who moved
the switch, whether the reference is sound) it does not guess: it says what to do next.
"""

from __future__ import annotations

from daq.doubts import another_load, below, both_ways, feed_beyond, ground_switched_too, leads
from daq.evidence import MARKED_WEIGHT, Evidence, Votes, side_of
from daq.findings import Judgement, Lead, NextTest, Side
from daq.missing import IN_TURN_LEAST, named, what_is_missing
from daq.stretches import Pair

DEFINITE = 0.9
SINGLE_MOST = 0.7
UNPROVEN_MOST = 0.98
NOT_DEFINITE = 0.55
FAILED_MOST = 0.8  # a reference or lead that was seen to fail: judgement, no source
STAYED = 0.2
GROUND_MOST = 0.05  # of source lost in a plain ground wire: 0.6 of 12 V
SWITCH_MOST = 0.1  # with an electronic driver in it, or a source that sags
AVERAGED = 0.3  # of source: the mean of fast pulses reads so as well as a very bad ground
IN_TURN_SHARE = 0.3  # of the changes: a feed that woke, or opened for once, is not switched in turn
AT_SOURCE = 0.95
PROVE = "prove the leads on battery positive, then "

WHISPER = NextTest(
    "Switch the whisper bias on and cycle the control once more.",
    splits="If both leads rise a little while off, nothing holds either pin: both ends are switched.",
)

TRACE_DROP = NextTest(
    "With the load on, take that lead along its wire towards the battery, connection by connection.",
    splits="Where the reading jumps, the bad connection lies between the last two places.",
    caution="Touch no two places at once with one tip: that can short the circuit.",
)

RECHECK = NextTest(
    "Do what the lead check says about what failed, run it again until it passes, then cycle the control.",
    splits="Once all three leads pass, the side is told from what is read after that.",
)

UNPROVEN = " Reference lead not proven."
"""The reservation behind a reason; a screen that says so elsewhere leaves it out."""


def judge(evidence: Evidence) -> Judgement:
    """The judgement that this evidence supports; see the module for the rules."""
    refused = _refusal(evidence)
    if refused is not None:
        return refused
    leaning, confidence = _weigh(evidence)
    if both_ways(evidence):
        if not (evidence.roles_swapped or evidence.swings or evidence.one_way_weak):
            return _reversing(evidence)
        confidence = min(confidence, NOT_DEFINITE)
    often = evidence.in_turn >= max(IN_TURN_LEAST, IN_TURN_SHARE * evidence.votes.transitions)
    adrift = leaning is Side.BOTH_ENDS and below(evidence)
    if often or adrift or ground_switched_too(evidence, leaning):
        confidence = min(confidence, NOT_DEFINITE)
    doubted = another_load(evidence) or feed_beyond(evidence) or evidence.swings
    if doubted or None in leads(evidence):
        confidence = min(confidence, NOT_DEFINITE)
    if leaning is Side.UNDETERMINED:
        return _undetermined(evidence, 0.0, leaning)
    if confidence < DEFINITE:
        return _undetermined(evidence, confidence, leaning)
    if evidence.check_failed:
        return _on_bad_leads(evidence, leaning)
    return _definite(evidence, leaning, confidence)


def _weigh(evidence: Evidence) -> tuple[Side, float]:
    v = evidence.votes
    ranked = sorted(((v.low, Side.LOW), (v.high, Side.HIGH), (v.both, Side.BOTH_ENDS)), key=lambda x: -x[0])
    best, side = ranked[0]
    if best <= 0:
        return Side.UNDETERMINED, 0.0
    others = ranked[1][0] + ranked[2][0]
    # a contrary change that lasts to the end is more likely a fault that stayed than the switch, where the
    # circuit rested this side's way before anything was switched
    if v.first is not None and side_of(v.first) is side:
        contrary = sum(w for kind, w in v.final.items() if side_of(kind) is not side)
        others -= contrary * (1 - STAYED)
    confidence = (best + 0.1) / (best + others + 0.2)
    if _ends_otherwise(v, side):
        confidence = min(confidence, NOT_DEFINITE)
    if v.transitions < 2 and not v.marked and best < 2:
        confidence = min(confidence, SINGLE_MOST)
    if not evidence.reference_proven:
        confidence = min(confidence, UNPROVEN_MOST)
    return side, confidence


def _ends_otherwise(v: Votes, side: Side) -> bool:
    """Off at the end as the other side rests, and never seen to rest this side's way before the first on:
    however often a fault opened in between, that may have been the hand.

    A key that is turned off while the load is on looks so too: a ground that is open when the positive side
    is switched on, and then comes and goes, makes the same levels. Only marks part them.
    """
    if v.first is not None and side_of(v.first) is side:
        return False
    return any(
        weight > 0
        and side_of(kind) not in (side, Side.UNDETERMINED)
        and (not v.marked or weight >= MARKED_WEIGHT)
        for kind, weight in v.final.items()
    )


def _refusal(e: Evidence) -> Judgement | None:
    if e.ac:
        return _abstain(
            "This is AC: the leads swing above and below the reference. The tool is for DC circuits only.",
            NextTest(
                "Take the leads off now, one hand at a time, and leave mains circuits to licensed people.",
                caution="Mains kills. Never connect the leads to it.",
            ),
        )
    if e.noise:
        return _abstain(
            "Only noise: neither lead seems to touch anything, or the reference lead is off.",
            NextTest(
                "Run the lead check: both leads in turn to battery positive, then seat both back-probes."
            ),
        )
    if e.swings and not e.mirrored_s:  # without its reference a reversing load swings about zero as well
        return _abstain(
            "The leads go below the reference as well as above: AC, a sensor that makes its own voltage, "
            "or a coil that is chopped too fast to see. No side can be told from that.",
            NextTest(
                "Read both pins with a meter on AC volts, and record at a higher rate.",
                splits="Volts of AC at rest or in step with a shaft: no switched DC load, leave it.",
                caution="Mains kills. If it may be mains, take the leads off first, one hand at a time.",
            ),
        )
    if e.nothing_seen:
        return _abstain(
            "Neither lead ever showed a source: the circuit was never on, its feed is asleep or open, "
            "or a lead is on nothing.",
            NextTest(
                f"{'' if e.reference_proven else PROVE}turn the key on and cycle the control.".capitalize(),
                splits="If both pins stay at zero with the control on, look for an open feed: fuse first.",
            ),
        )
    return None


def _abstain(why: str, test: NextTest) -> Judgement:
    return Judgement(Side.UNDETERMINED, None, None, None, 0.0, why, test)


def _reversing(e: Evidence) -> Judgement:
    confidence = 0.95 if min(e.forward, e.reverse) > 0.1 else 0.9
    test = NextTest(
        "Switch to each direction in turn and hold it, a hand on neither lead.",
        splits="One lead near source and one near zero, the same way each time: it reverses. A lead that "
        "slips off its pin, or leads exchanged meanwhile, look alike.",
        caution="Keep clear of anything the load can move.",
    )
    why = (
        "Lead 1 was positive in one direction and lead 2 in the other: the polarity reverses, "
        "both wires are control wires."
    )
    return Judgement(Side.REVERSING, "both", None, None, confidence, why, test, leaning=Side.REVERSING)


def _definite(e: Evidence, side: Side, confidence: float) -> Judgement:
    feed, ground = leads(e)
    control: Lead | str | None = {Side.LOW: ground, Side.HIGH: feed}.get(side, "both")
    lost = _lost_in_wires(e, side, feed, ground)
    why = _why(e, side, feed, ground) + (f" {lost}" if lost else "")
    test = None
    if not e.reference_proven:
        why += UNPROVEN
        test = NextTest(
            "Run the lead check, so that a bad reference or lead can be ruled out.",
            splits="All three leads pass: the verdict stands as measured.",
        )
    elif lost:
        test = TRACE_DROP
    elif side is Side.HIGH and not e.whispered:
        test = WHISPER
    return Judgement(side, control, feed, ground, confidence, why, test, leaning=side)


def _lost_in_wires(e: Evidence, side: Side, feed: Lead | None, ground: Lead | None) -> str:
    """What is amiss with the levels while on, though the side is plain."""
    on, source = e.on_levels_v, e.source_v
    if on is None or not e.on_settled or source is None or feed is None or ground is None:
        return ""
    if on[ground - 1] > (GROUND_MOST if side is Side.HIGH else SWITCH_MOST) * source:
        or_pulsed = ", or it is pulsed faster than these samples show" * (on[ground - 1] > AVERAGED * source)
        return (
            f"Lead {ground} still reads {_v(on, ground)} while on: too much is lost on the ground "
            f"side{or_pulsed}."
        )
    if on[feed - 1] < (1 - SWITCH_MOST) * source:
        return (
            f"Lead {feed} reads {_v(on, feed)} of {source:.1f} V while on: the source sags or the feed loses."
        )
    return ""


def _why(e: Evidence, side: Side, feed: Lead | None, ground: Lead | None) -> str:
    off, on = e.off_levels_v, e.on_levels_v
    if side is Side.BOTH_ENDS and e.votes.floating and on is not None:
        return (
            f"Off: nothing holds either lead, both float; on: {_v(on, 1)} and {_v(on, 2)}: "
            "feed and ground are both switched."
        )
    if off is None or on is None or feed is None or ground is None:
        return "The movement between on and off tells the side."
    if side is Side.LOW:
        rest = "both leads at source" if _alike(off, e.source_v) else f"lead {ground} up at {_v(off, ground)}"
        return (
            f"Off: {rest}; on: lead {ground} fell to {_v(on, ground)}: switched on the ground side, "
            f"lead {ground} is the control wire."
        )
    if side is Side.HIGH:
        rest = "both leads near zero" if max(off) < 0.1 * max(on) else f"lead {feed} down at {_v(off, feed)}"
        return (
            f"Off: {rest}; on: lead {feed} rose to {_v(on, feed)}: switched on the positive side, "
            f"lead {feed} is the control wire, lead {ground} should be ground."
        )
    return (
        f"Off: {_v(off, 1)} and {_v(off, 2)}; on: {_v(on, 1)} and {_v(on, 2)}: both leads move towards "
        "each other, both ends are switched."
    )


def _v(levels: Pair, lead: Lead) -> str:
    return f"{levels[lead - 1] + 0.0:.1f} V".replace("-0.0", "0.0")


def _alike(levels: Pair, source: float | None) -> bool:
    return source is not None and min(levels) > AT_SOURCE * source


def _on_bad_leads(e: Evidence, leaning: Side) -> Judgement:
    feed, ground = leads(e)
    why = (
        f"It moves as if switched on {named(leaning)}, but the lead check failed: a bad reference or a bad "
        "lead can make such levels as well."
    )
    return Judgement(Side.UNDETERMINED, None, feed, ground, FAILED_MOST, why, RECHECK, leaning=leaning)


def _undetermined(e: Evidence, confidence: float, leaning: Side) -> Judgement:
    feed, ground = leads(e)
    why, test = what_is_missing(e, leaning)
    return Judgement(
        Side.UNDETERMINED, None, feed, ground, min(confidence, DEFINITE - 0.01), why, test, leaning=leaning
    )
