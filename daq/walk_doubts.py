"""Where a reading contradicts what the user said he did."""

from __future__ import annotations

from collections.abc import Sequence

from daq.lead_check import SOURCE_V
from daq.live_view import SPAN_V
from daq.readings import At, Levels, Reading, State, What
from daq.reason_words import PLACE_WORDS
from daq.snapshot import LeadCheckView
from daq.stillness import Look
from daq.walk_moves import MOVED_LEAD
from daq.words import tenths

FREE_V = (2.2, 3.05)  # what a lead on nothing reads under the whisper, see `floating`
APART_V = 1.0
SAME_V = 0.15
FOLLOWS_V = 1.0
MOVED_V = 0.5
STILL_ON = 0.25  # of what it was apart: a source sags and recovers, a motor coasts
BRIDGED_V = 1.5  # a battery that charges or carries the load meanwhile

INSIST = " If it is as you said: Enter takes it as it is."


def moved(look: Look, lead: int = MOVED_LEAD) -> bool:
    """This lead was on more than one thing while one looked."""
    return look.high_v[lead - 1] - look.low_v[lead - 1] > MOVED_V


def on_positive(check: LeadCheckView, key: str = "Enter") -> str:
    """Why leads that are said to be seated, and were not seen to move, may still be on battery positive.

    Both pins of a load that is switched to ground and off read source too: so it is asked, not refused.
    """
    if not check.on_positive:
        return ""
    both = len(check.on_positive) == 2
    leads = "Both leads read" if both else f"Lead {check.on_positive[0]} reads"
    neither = "neither" if both else "it"
    volts = "" if check.source_v is None else f" ({tenths(check.source_v)})"
    never = "was seen to leave it" if both else "was not seen to leave it"
    return (
        f"{leads} as on battery positive{volts}, and {neither} {never}. Is each lead on its pin of the load? "
        f"{key} again if so."
    )


def still_on(look: Look | None, taken: Sequence[Reading], said: State) -> str:
    """A control that is said to be off while the leads stand as they did while on, where off was another."""
    off = _last(taken, said.plugged, "off")
    for control in ("on", "other"):
        on = _last(taken, said.plugged, control)
        if look is None or off is None or on is None:
            continue
        lead = _all_stayed(look, on, off)
        if lead:
            return (
                f"lead {lead} still reads as it did while on ({tenths(look.levels[lead - 1])}): is the "
                "control off? If it is: Enter goes on."
            )
    return ""


def _all_stayed(look: Look, on: Levels, off: Levels) -> int:
    """The lead that was farthest apart on and off, if each that was apart stands as while on; else 0."""
    found, most = 0, APART_V
    for lead, (now, was, rest) in enumerate(zip(look.levels, on.volts, off.volts, strict=True), 1):
        assert was is not None
        assert rest is not None
        apart = abs(was - rest)
        if apart > APART_V and abs(now - was) > STILL_ON * apart:
            return 0
        if apart > most:
            found, most = lead, apart
    return found


def stood(before: Look, now: Look) -> bool:
    """Without the whisper: whether both leads kept their level; a free one falls to zero."""
    return all(abs(a - b) < FOLLOWS_V for a, b in zip(before.levels, now.levels, strict=True))


def doubt(
    reading: Reading, look: Look, taken: Sequence[Reading], left: bool = True, held: bool = False
) -> str:
    """Why `reading` is not taken as it is; "" where nothing speaks against it.

    Args:
        look: what the leads showed.
        taken: the readings before.
        left: lead 1 was seen to leave where it was.
        held: what reads like a free lead stays without the whisper.
    """
    for volts in look.on_v or (*look.low_v, *look.high_v):  # a coil kicks beyond
        if not SPAN_V[0] < volts < SPAN_V[1]:
            return "A lead is beyond what the logger can read: is this the right circuit?" + INSIST
    what = reading.what
    if isinstance(what, At):
        return _other_lead(reading, look, taken) or ("" if left else _still_on_pin(reading, what, taken))
    if not isinstance(what, Levels):
        return ""
    if what.jumper is not None:
        return _bridged(what, what.jumper, taken)
    if what.substitute:
        return ""
    if what.driven:
        return _follows(reading, what, taken)
    if reading.state.plugged:
        return "" if held else free_alone(what)
    return _unchanged(reading, what, taken)


def free_alone(what: What) -> str:
    """One lead reads as on nothing, the other does not."""
    if not isinstance(what, Levels) or what.bias != ("whisper", "whisper"):
        return ""
    for lead, other in ((1, 2), (2, 1)):
        volts, beside = what.volts[lead - 1], what.volts[other - 1]
        assert volts is not None
        assert beside is not None
        if FREE_V[0] < volts < FREE_V[1] and abs(beside - volts) > APART_V:
            return (
                f"Lead {lead} reads as on nothing ({tenths(volts)}, the whisper alone), lead {other} does "
                f"not: press lead {lead} onto its pin, and plug the load in. Through a sound load both would "
                f"agree.{INSIST}"
            )
    return ""


def _unchanged(reading: Reading, what: Levels, taken: Sequence[Reading]) -> str:
    """Unplugged, and yet everything as before: perhaps the load still joins the two leads.

    Source on one pin and zero on the other is as each wire alone holds its pin: that tells nothing.
    """
    before = _last(taken, plugged=True, control=reading.state.control)
    if before is None or not _alike(what, before) or _apart_already(taken) or _held_apart(what, taken):
        return ""
    one, other = what.volts
    assert one is not None
    assert other is not None
    return (
        f"Nothing changed when it was unplugged: still {tenths(one)} and {tenths(other)}. A load still "
        f"plugged in joins the two leads and feeds one from the other. Look at the connector.{INSIST}"
    )


def _held_apart(what: Levels, taken: Sequence[Reading]) -> bool:
    """Source on one lead, zero on the other: no current is missed, and no lead is fed from the other."""
    low, high = sorted(v for v in what.volts if v is not None)
    return low < APART_V and high > _most_seen(taken) - APART_V > APART_V


def _most_seen(taken: Sequence[Reading]) -> float:
    """The highest level that was read so far: the source, or what is known of it."""
    whats = [r.what for r in taken]
    posts = [what.volts for what in whats if isinstance(what, At)]
    pins = [v for what in whats if isinstance(what, Levels) for v in what.volts if v is not None]
    return max([*posts, *pins], default=0.0)


def _apart_already(taken: Sequence[Reading]) -> bool:
    """The reading before this one, unplugged too, was not as plugged in: the connector is apart."""
    last = taken[-1]
    if last.state.plugged or not isinstance(last.what, Levels) or last.what.driven or last.what.aided:
        return False
    before = _last(taken, plugged=True, control=last.state.control)
    return before is not None and not _alike(last.what, before)


def _bridged(what: Levels, jumper: tuple[str, int], taken: Sequence[Reading]) -> str:
    """A pin that is bridged to a battery post reads what the post does, or the jumper is not there."""
    pole, lead = jumper
    volts = what.volts[lead - 1]
    assert volts is not None
    posts = [r.what.volts for r in taken if isinstance(r.what, At) and r.what.place == "source"]
    post = 0.0 if pole == "negative" else posts[-1] if posts else None
    there = volts > SOURCE_V[0] if post is None else abs(volts - post) <= BRIDGED_V
    if there:
        return ""
    return (
        f"Lead {lead}'s pin is bridged to battery {pole} and reads {tenths(volts)}: is the jumper on that "
        f"very pin and on the battery, and is its fuse whole?{INSIST}"
    )


def _follows(reading: Reading, what: Levels, taken: Sequence[Reading]) -> str:
    """A bias on one lead moves the other with it: something joins them."""
    lead = 1 if what.bias[0] in ("up", "down") else 2
    driven, other = what.volts[lead - 1], what.volts[2 - lead]
    plain = _last(taken, plugged=False, control=reading.state.control)
    if plain is None or driven is None or other is None:
        return ""
    was = plain.volts[2 - lead]
    assert was is not None
    free = FREE_V[0] < was < FREE_V[1]
    rest = 0.0 if free else was  # without the whisper a free lead falls to zero
    if abs(other - rest) > FOLLOWS_V and abs(other - driven) < FOLLOWS_V:
        return (
            f"The bias on lead {lead} moved lead {3 - lead} too ({tenths(other)}): something joins them. Is "
            f"the load really unplugged?{INSIST}"
        )
    return ""


def _other_lead(reading: Reading, look: Look, taken: Sequence[Reading]) -> str:
    """The lead that stays must read what it read in this state."""
    before = _last(taken, reading.state.plugged, reading.state.control)
    if before is None or reading.state.neighbour_off:
        return ""
    stays = 3 - MOVED_LEAD
    was, now = before.volts[stays - 1], look.levels[stays - 1]
    assert was is not None
    if FREE_V[0] < was < FREE_V[1] or abs(now - was) <= APART_V:
        return ""
    return (
        f"Lead {stays} should have stayed at {tenths(was)} and reads {tenths(now)}: only lead {MOVED_LEAD} "
        f"is to be moved, and the control left as it is.{INSIST}"
    )


def _still_on_pin(reading: Reading, what: At, taken: Sequence[Reading]) -> str:
    """A lead that reads as it did on its pin, and was not seen to leave it, may still be there."""
    before = _last(taken, reading.state.plugged, reading.state.control)
    was = None if before is None else before.volts[MOVED_LEAD - 1]
    if was is None:
        return ""
    rest = 0.0 if FREE_V[0] < was < FREE_V[1] else was  # without the whisper a free lead falls to zero
    if abs(what.volts - rest) > SAME_V:
        return ""
    return (
        f"Lead {MOVED_LEAD} reads {tenths(what.volts)}, the same as on its pin, and was not seen to leave "
        f"it: is it held to {PLACE_WORDS[what.place]}?{INSIST}"
    )


def _last(taken: Sequence[Reading], plugged: bool, control: str) -> Levels | None:
    for reading in reversed(taken):
        state, what = reading.state, reading.what
        if state.plugged is not plugged or state.control != control or not isinstance(what, Levels):
            continue
        if not what.driven and not what.aided and None not in what.volts:
            return what
    return None


def _alike(a: Levels, b: Levels) -> bool:
    return all(
        x is not None and y is not None and abs(x - y) < SAME_V for x, y in zip(a.volts, b.volts, strict=True)
    )
