"""What a verdict still lacks, in one sentence, and the test that comes next."""

from __future__ import annotations

from daq.doubts import another_load, below, both_ways, feed_beyond, ground_switched_too, leads
from daq.evidence import Evidence
from daq.findings import NextTest, Side

NOTHING_LEFT = 0.03  # of the load's voltage while on: it is off
IN_TURN_LEAST = 3

CYCLE = NextTest(
    "Switch the load on and off a few times, holding each for a second.",
    splits="The lead that moves is the control wire: to zero is ground side, to source positive side.",
    caution="Keep clear of anything the load can move.",
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

FREE_WHILE_OFF = (
    "The feed lead hangs free whenever the load is off: the load lets nothing through then, as LEDs do, or "
    "the lead is loose on its pin.",
    NextTest(
        "Press the leads onto their pins and cycle the control once more, marking each time you switch.",
        splits="What happens at your marks is the switch; what happens between them is a loose lead.",
    ),
)


def what_is_missing(e: Evidence, leaning: Side) -> tuple[str, NextTest]:
    """Why this evidence makes no verdict, and what to do next; `leaning` is where it points."""
    if e.mirrored_s > 0 or (leaning is Side.BOTH_ENDS and below(e)):
        return (
            "The reference lead is off: the leads read plus and minus half the load's voltage.",
            NextTest(
                "Seat the reference lead on battery negative and wiggle it; then cycle the control again."
            ),
        )
    if e.one_way_weak and both_ways(e):
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
    if e.roles_swapped and both_ways(e):
        return (
            "The leads changed roles and rest at another level since: one may have come off its pin.",
            NextTest("Seat both leads, clear the evidence and cycle the control again."),
        )
    if None in leads(e) and e.on_levels_v is None:
        return ("The load was on only for moments, too short to show its levels.", CYCLE)
    if None in leads(e):
        return (
            "While on, a lead reads far below the reference or far above the source: the reference lead is "
            "not on battery negative.",
            NextTest(
                "Clip the reference lead to bare metal at battery negative, prove the leads, then cycle the "
                "control again."
            ),
        )
    if another_load(e) or feed_beyond(e):
        return (
            _what_is_left(e),
            NextTest(
                "Switch the other loads of this circuit off, then cycle this one alone and mark each time.",
                splits="What happens at your marks is the switch; what other loads do is a bad shared wire.",
                caution="Keep clear of anything the load can move.",
            ),
        )
    if e.in_turn >= IN_TURN_LEAST or ground_switched_too(e, leaning):
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
        f"One change seen, as if switched on {named(leaning)}: one event cannot tell a switch from a fault.",
        CYCLE,
    )


def named(leaning: Side) -> str:
    """The side as a person in the trade says it."""
    return {Side.LOW: "the ground side", Side.HIGH: "the positive side"}.get(leaning, "both ends")
