"""The one judge: evidence in, judgement out.

Confidence is the Laplace-like share of votes, (v + 0.1) / (v + others + 0.2), at most 0.7 from a single
transition that the user did not mark; the side is definite at 0.9. What the judge is not told (who moved
the switch, whether the reference is sound) it does not guess: it says what to do next.
"""

from __future__ import annotations

from daq.evidence import MARKED_WEIGHT, Evidence, Votes, side_of
from daq.findings import Judgement, Lead, NextTest, Side
from daq.stretches import Pair

DEFINITE = 0.9
SINGLE_MOST = 0.7
UNPROVEN_MOST = 0.98
NOT_DEFINITE = 0.55
FAILED_MOST = 0.8  # a reference or lead that was seen to fail: judgement, no source
STAYED = 0.2
KEY_OFF_SHARE = 0.03  # of the votes: once, beside 17 times that something switched on and off; judgement
DOUBTFUL_SHARE = 0.75  # of the votes
GROUND_MOST = 0.05  # of source lost in a plain ground wire: 0.6 of 12 V
SWITCH_MOST = 0.1  # with an electronic driver in it, or a source that sags
AVERAGED = 0.3  # of source: the mean of fast pulses reads so as well as a very bad ground
STILL_TAKEN = 0.1  # of it, across the load while off: with nothing held both leads agree
FEED_MOST = 1.3  # of the source: a charging battery stands no further above one at rest
NOTHING_LEFT = 0.03  # of the load's voltage while on: it is off
IN_TURN_LEAST = 3
IN_TURN_SHARE = 0.3  # of the changes: a feed that woke, or opened for once, is not switched in turn
HASTY_SHARE = 0.1  # of the changes: a contact that opens now and then also does so beside a switching
REVERSE_LEAST_S = 0.03
BELOW_V = -1.5  # no switch takes a lead this far below battery negative

AT_SOURCE = 0.95
PROVE = "prove the leads on battery positive, then "

CYCLE = NextTest(
    "Switch the load on and off a few times, holding each for a second.",
    splits="The lead that moves is the control wire: to zero is ground side, to source positive side.",
    caution="Keep clear of anything the load can move.",
)

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

ONE_WAY_WEAK = (
    "The polarity reverses, but with much less voltage one way: a bad connection that way round, or a ground "
    "that another load lifts while this one is off.",
    NextTest(
        "Switch the other loads of this circuit off, then this one to each direction in turn.",
        splits="Weak again one way: it reverses, and that way has a bad connection. Never the other way "
        "round: it was the other load.",
        caution="Keep clear of anything the load can move.",
    ),
)

UNPROVEN = " Reference lead not proven."
"""The reservation behind a reason; a screen that says so elsewhere leaves it out."""

FREE_WHILE_OFF = (
    "The feed lead hangs free whenever the load is off: the load lets nothing through then, as LEDs do, or "
    "the lead is loose on its pin.",
    NextTest(
        "Press the leads onto their pins and cycle the control once more, marking each time you switch.",
        splits="What happens at your marks is the switch; what happens between them is a loose lead.",
    ),
)


def judge(evidence: Evidence) -> Judgement:
    """The judgement that this evidence supports; see the module for the rules."""
    refused = _refusal(evidence)
    if refused is not None:
        return refused
    leaning, confidence = _weigh(evidence)
    if _both_ways(evidence):
        if not (evidence.roles_swapped or evidence.swings or evidence.one_way_weak):
            return _reversing(evidence)
        confidence = min(confidence, NOT_DEFINITE)
    often = evidence.in_turn >= max(IN_TURN_LEAST, IN_TURN_SHARE * evidence.votes.transitions)
    adrift = leaning is Side.BOTH_ENDS and _below(evidence)
    if often or adrift or _ground_switched_too(evidence, leaning):
        confidence = min(confidence, NOT_DEFINITE)
    doubted = _another_load(evidence) or _feed_beyond(evidence) or evidence.swings
    if doubted or None in _leads(evidence):
        confidence = min(confidence, NOT_DEFINITE)
    if leaning is Side.UNDETERMINED:
        return _undetermined(evidence, 0.0, leaning)
    if confidence < DEFINITE:
        return _undetermined(evidence, confidence, leaning)
    if evidence.check_failed:
        return _on_bad_leads(evidence, leaning)
    return _definite(evidence, leaning, confidence)


def _both_ways(evidence: Evidence) -> bool:
    """Whether either lead was the positive one while on."""
    return min(evidence.forward, evidence.reverse) > REVERSE_LEAST_S


def _below(evidence: Evidence) -> bool:
    """Whether a lead goes below the reference while on, as it does when the reference is off."""
    return evidence.on_levels_v is not None and min(evidence.on_levels_v) < BELOW_V


def _ground_switched_too(evidence: Evidence, leaning: Side) -> bool:
    """On the positive side both leads at source mean an open ground. One that opens or closes just when the
    feed is switched is hardly a fault that came by chance, unless that was once among many changes. (On the
    ground side it is a feed that wakes.)"""
    often = evidence.hasty >= HASTY_SHARE * evidence.votes.transitions
    return leaning is Side.HIGH and evidence.hasty > 0 and often


def _another_load(e: Evidence) -> bool:
    """Most changes may be another load's, that lifts the shared ground or pulls the shared feed."""
    votes = e.votes.low + e.votes.high + e.votes.both
    return e.votes.doubtful > DOUBTFUL_SHARE * votes


def _feed_beyond(e: Evidence) -> bool:
    """The feed shows more while on than at rest, where the load goes on taking some: no rest was seen."""
    on, off, source = e.on_levels_v, e.off_levels_v, e.source_v
    if on is None or off is None or source is None:
        return False
    return max(on) > FEED_MOST * source and abs(off[0] - off[1]) > STILL_TAKEN * source


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

    A feed that woke before the first on also goes away at the end, as a key's does. A ground that was open at
    first and closed later looks alike, but does not then open at leisure again and again.
    """
    if v.first is not None and side_of(v.first) is side:
        return False
    key_off = KEY_OFF_SHARE * v.low if side is Side.LOW and v.woke else 0.0
    return any(
        weight > key_off
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


def _leads(e: Evidence) -> tuple[Lead | None, Lead | None]:
    """(feed, ground) while on."""
    if e.forward == 0 and e.reverse == 0:
        return None, None
    return (1, 2) if e.forward >= e.reverse else (2, 1)


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
    feed, ground = _leads(e)
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
    feed, ground = _leads(e)
    why = (
        f"It moves as if switched on {_named(leaning)}, but the lead check failed: a bad reference or a bad "
        "lead can make such levels as well."
    )
    return Judgement(Side.UNDETERMINED, None, feed, ground, FAILED_MOST, why, RECHECK, leaning=leaning)


def _named(leaning: Side) -> str:
    return {Side.LOW: "the ground side", Side.HIGH: "the positive side"}.get(leaning, "both ends")


def _undetermined(e: Evidence, confidence: float, leaning: Side) -> Judgement:
    feed, ground = _leads(e)
    why, test = _what_is_missing(e, leaning)
    return Judgement(
        Side.UNDETERMINED, None, feed, ground, min(confidence, DEFINITE - 0.01), why, test, leaning=leaning
    )


def _what_is_missing(e: Evidence, leaning: Side) -> tuple[str, NextTest]:
    if e.mirrored_s > 0 or (leaning is Side.BOTH_ENDS and _below(e)):
        return (
            "The reference lead is off: the leads read plus and minus half the load's voltage.",
            NextTest(
                "Seat the reference lead on battery negative and wiggle it; then cycle the control again."
            ),
        )
    if e.one_way_weak and _both_ways(e):
        return ONE_WAY_WEAK
    switched = e.votes.low + e.votes.high + e.votes.both > 0
    if e.too_fast and not switched:
        return (
            "The load is pulsed faster than this sample rate shows: its levels on and off cannot be told.",
            NextTest("Record at a higher rate, and cycle the control, holding it for a second each time."),
        )
    if switched or any(e.votes.short.values()) or e.votes.unheld:
        return _not_enough(e, leaning)
    if e.moved_together:
        return (
            "Both leads moved together, between zero and source: no current flows. That is an open circuit "
            "or a feed that wakes, not a side.",
            NextTest(
                "With the control on, move one lead to the load's ground point, onto bare metal.",
                splits="Near zero there while the pin reads source: the ground wire is open between. Source "
                "there too: the ground point itself has lost battery negative.",
            ),
        )
    if e.always_on:
        return (
            "Source on one lead and zero on the other throughout: the load is on (or open, or a lead is "
            "off); that looks the same for either side.",
            CYCLE,
        )
    return (
        "The load was never switched while the leads watched, or it was and neither lead moved: then the "
        "circuit is open, or a lead is on nothing.",
        CYCLE,
    )


def _what_is_left(e: Evidence) -> str:
    """What another load on a shared wire leaves of the load's voltage, or what moves with the switch."""
    off, on = e.off_levels_v, e.on_levels_v
    if off is None or on is None or abs(off[0] - off[1]) > NOTHING_LEFT * abs(on[0] - on[1]):
        return (
            "The load was dimmed rather than switched off: another load that shares its ground or its feed "
            "does that as well as a switch."
        )
    return (
        f"Off, both leads stand at {off[0]:.1f} V: the wire that was not switched moves as well, with "
        "another load that shares it, or because both ends are switched."
    )


def _not_enough(e: Evidence, leaning: Side) -> tuple[str, NextTest]:
    if e.votes.unheld and e.votes.low + e.votes.high + e.votes.both == 0:
        return FREE_WHILE_OFF
    if e.only_short:
        return (
            "Only short gaps were seen on a load that is otherwise on: a bad contact makes them as well as a "
            "switch does.",
            CYCLE,
        )
    if e.roles_swapped and _both_ways(e):
        return (
            "The leads changed roles and rest at another level since: one may have come off its pin.",
            NextTest("Seat both leads, clear the evidence and cycle the control again."),
        )
    if None in _leads(e) and e.on_levels_v is None:
        return ("The load was on only for moments, too short to show its levels.", CYCLE)
    if None in _leads(e):
        return (
            "While on, a lead reads far below the reference or far above the source: the reference lead is "
            "not on battery negative.",
            NextTest(
                "Clip the reference lead to bare metal at battery negative, prove the leads, then cycle the "
                "control again."
            ),
        )
    if _another_load(e) or _feed_beyond(e):
        return (
            _what_is_left(e),
            NextTest(
                "Switch the other loads of this circuit off, then cycle this one alone and mark each time.",
                splits="What happens at your marks is the switch; what other loads do is a bad shared wire.",
                caution="Keep clear of anything the load can move.",
            ),
        )
    if e.in_turn >= IN_TURN_LEAST or _ground_switched_too(e, leaning):
        return (
            "Both leads also rise or fall together right beside a switching: feed and ground may both be "
            "switched, one after the other.",
            NextTest(
                "Hold the key on and cycle the control alone; then hold the control on and cycle the key."
            ),
        )
    if min(e.votes.low, e.votes.high) > 0:
        return (
            "Some changes look like ground-side switching and some like positive-side switching: one of them "
            "may be a fault.",
            NextTest(
                "Cycle the control again and mark each time you switch it (the keys say how).",
                splits="What happens at your marks is the switch; the rest is the fault.",
            ),
        )
    return (
        f"One change seen, as if switched on {_named(leaning)}: one event cannot tell a switch from a fault.",
        CYCLE,
    )
