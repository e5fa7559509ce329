"""The sentences of the reasoning: explanations, instructions, outcomes, cautions, and common misreadings."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import isinf
from textwrap import wrap

from daq.cautions import WORKING
from daq.next_test import Outcome, Played
from daq.offered_tests import Offer
from daq.premises import SOURCE_SHARE, of_a_sensor
from daq.readings import (
    At,
    Lamp,
    Levels,
    Reading,
    Told,
    What,
    Working,
    heard_alone,
    load_fails,
)

SIDE_WORDS = {
    "low": "ground side",
    "high": "positive side",
    "both ends": "both ends",
    "reversing": "reversing",
    "unswitched": "not switched",
}
CONDITION_WORDS = {
    "asleep": "its feed is asleep (key off)",
    "averaged": "pulsed, read as an average",
    "stepped": "a step or speed with a resistor in series",
    "shared feed": "feed shared with a neighbour",
    "shared ground": "ground shared with a neighbour that is on",
}
LOST = "lost"  # the fault of a lead that has no contact
JUMPER = (
    "Look twice which pin it is; a jumper never goes across a supply, from battery positive to negative or "
    "ground. Battery end last on, first off; stop if its fuse blows. The load may start: stand clear. Not on "
    "a module's sensor or signal wire."
)
LOOK = "see or hear what the load itself does"
FEED_ALONE = "feed the load itself straight from the battery, by two leads, the positive one fused at 15 A"
SUBSTITUTE = (
    "A 12 V lamp on 12 V, a 24 V lamp on 24 V; its ends must not touch. It gets hot. Not on a "
    "module's sensor or signal wire."
)
ALONE = (
    "The load's own half: positive to the pin that the vehicle feeds, negative to the other, not touching; "
    "battery end last on, first off; stop if the fuse blows. It may start at once (a starter turns the "
    "engine: neutral, brake on): clamp it, stand clear. Fuel vapour: no sparks. Injectors and valves for a "
    "moment only. Not a module, an ignition coil, a xenon lamp, or what has a resistor in series."
)
LEAK = (
    "Wire or switch? Circuit off, unplug the wire at the switch end, load plugged in, read again: still "
    "there, the wire or a connector leaks (water, green copper, a chafed cover); gone, the switch does."
)
LEAK_FELT = "The leak holds the load half on: a relay may stay pulled in, or chatter, and LEDs may glow."
LEAK_BESIDE = "The load feels nothing of this leak, which runs beside it: water between two pins does that."
UNSEEN = (
    "The leads are on the harness half: what a spread or corroded terminal takes inside the connector, they "
    "do not see."
)
LEAK_LIKELY = 0.3
LIKELY = 0.1
SOURCE_V = 4.0  # readings above that come from source
BELOW_V = -0.15  # and below that from nowhere in the circuit
SATURATED_V = (0.5, 1.4)
MOVED_V = 0.5  # of battery positive at rest
LOW_V = ((0.0, 6.0), (7.6, 11.8), (19.0, 23.6))  # for a battery of 6, 12 or 24 V at rest
HIGH_V = (15.2, 19.0)
COLUMNS = 79
LEFT = 0.1  # explanations that an outcome leaves less of are not told beforehand
MOST_LEFT = 3
MOSTLY = 0.8  # of what an outcome leaves has this condition: it is told
PLACE_NAMES = {
    "source": "battery positive",
    "fuse": "fuse",
    "switch": "switch",
    "switch-far": "switch's other terminal",
    "ground-point": "ground point",
}
PLACE_WORDS = {
    "source": "battery positive itself",
    "fuse": "the fuse's load side",
    "switch": "the switch terminal towards the load",
    "switch-far": "the switch's other terminal, away from the load",
    "ground-point": "the ground point itself, on the splice, not on the body",
}
Where = tuple[str, int | str | None, str, str | None]  # side, control lead, fault, place


@dataclass(frozen=True, slots=True)
class Explanation:
    """One explanation in the words of the contract; `also` is a second fault, (fault, place).

    A short that is `leaking` is no dead short: see hypotheses.Fault. `seized`: nothing is wrong with the
    circuit, but its load does nothing though it draws its current.
    """

    side: str
    control_lead: int | str | None
    fault: str
    place: str | None
    condition: str | None
    also: tuple[str, str] | None = None
    leaking: bool = False
    seized: bool = False

    @property
    def where(self) -> Where:
        """What has to be known for the work to be done: condition and kind of short do not matter. While a
        lead has no contact, nothing else does: all is read again."""
        if self.fault == LOST:
            return "", None, self.fault, self.place
        if self.seized:
            return self.side, self.control_lead, "seized", "load"
        return self.side, self.control_lead, self.fault, self.place

    @property
    def felt_leak(self) -> bool:
        """A leak that feeds the load while it is off."""
        return self.leaking and (self.side, self.fault) in (
            ("low", "short to ground"),
            ("high", "short to power"),
        )

    def __str__(self) -> str:
        """'ground side (control wire: lead 2): open, feed wire'."""
        control = f" (control wire: lead {self.control_lead})"
        if self.control_lead == "both":
            control = " (both leads are control wires)"
        elif self.control_lead is None:
            control = ""
        return f"{SIDE_WORDS[self.side]}{control}: {self.what_and_condition}"

    @property
    def without_leads(self) -> str:
        """'ground side: open, feed wire'."""
        return f"{SIDE_WORDS[self.side]}: {self.what_and_condition}"

    @property
    def what_and_condition(self) -> str:
        """'nothing wrong; pulsed, read as an average'."""
        return self.what if self.condition is None else f"{self.what}; {CONDITION_WORDS[self.condition]}"

    @property
    def what(self) -> str:
        """'nothing wrong', 'open, feed wire', 'open, load, and high resistance, ground point'."""
        fault = self.fault.replace("short", "leaking") if self.leaking else self.fault
        words = "nothing wrong" if fault == "none" else _fault(fault, str(self.place))
        if self.seized:
            words = "nothing wrong but the load itself"
        return words if self.also is None else f"{words}, and {_fault(*self.also)}"


def _fault(fault: str, place: str) -> str:
    return fault if fault == "load shorted" and place == "load" else f"{fault}, {place}"


def refit(lead: str) -> str:
    """What to do about a lead that has no contact: 'reference lead', 'lead 1' or 'lead 2'."""
    how = "Seat it on its pin again"
    if lead == "reference lead":
        how = (
            "Refit it at battery negative, and prove it: either lead on battery positive must read source "
            "(if neither does, look at the battery and its clamps)"
        )
    return f"{lead.capitalize()}: no contact. {how}. What was read without it does not count: read all again."


def instruction(test: Offer) -> str:
    """What to do, in one sentence."""
    state, what = test.reading.state, test.reading.what
    steps = ["Load plugged in" if state.plugged else "Load unplugged, leads on the harness half"]
    if state.key is not None:
        steps.append(f"key {state.key}")
    if state.neighbour_off:
        steps.append("whatever else shares its wires switched off")
    if test.another_position:
        steps = [steps[0].lower(), *steps[1:], "control moved there", _doing(what)]
        return f"If the control has another direction or speed: {', '.join(steps)}."
    steps.append(f"control {state.control}")
    return f"{', '.join(steps)}: {_doing(what)}."


def _doing(what: What) -> str:
    if isinstance(what, At):
        return f"read {PLACE_WORDS[what.place]}"
    if isinstance(what, Lamp):
        return f"hold a test light from battery {what.pole} to lead {what.lead}'s pin"
    if isinstance(what, Working):
        do = f"{FEED_ALONE}; see or hear what it does" if what.alone else LOOK
        return f"{do}: works, weak (dim, slow) or dead; ? if nobody can tell"
    if what.substitute:
        return "put a 5 W lamp across the two pins, in place of the load, and read both leads"
    if what.jumper is not None:
        pole, lead = what.jumper
        return f"bridge battery {pole} to lead {lead}'s pin with a jumper fused at 15 A, and read both leads"
    for lead, kind in enumerate(what.bias, 1):
        if kind in ("up", "down"):
            return (
                f"put the {'5 V' if kind == 'up' else '0 V'} bias (10 kΩ) on lead {lead} and read both leads"
            )
    return "read both leads"


def caution(test: Offer) -> str:
    """What can hurt or break while doing it."""
    state, what = test.reading.state, test.reading.what
    found = []
    if not state.plugged:
        found.append(WORKING["unplugging"])
    if isinstance(what, Working) and what.alone:
        found += [ALONE, WORKING["never on"]]
    elif isinstance(what, Levels) and what.jumper is not None:
        found += [JUMPER, WORKING["never on"]]
    elif isinstance(what, Levels) and what.substitute:
        found += [SUBSTITUTE, WORKING["never on"]]
    elif isinstance(what, Lamp) or (isinstance(what, Levels) and what.driven):
        found += [WORKING["stand clear"], WORKING["never on"]]
    elif state.control != "off":
        found.append("Keep clear of anything the load can move.")
    if isinstance(what, At):
        found.append("One probe at a time; it must not bridge two terminals. Never pierce insulation.")
    return " ".join(found)


def outcomes_sentence(played: Played, names: Sequence[Explanation]) -> str:
    """'12.6 V / 0.0 V: ground side: open, load (71 %); lit: ...', what each outcome would mean."""
    said = [(e.side, e.what) for e in names]
    return "; ".join(f"{_outcome(o)}: {_left(o, names)}" for o in played.outcomes(said))


def outcome_lines(splits: str) -> list[str]:
    """What each outcome of a test means, indented lines that a terminal need not break."""
    whole = splits.replace(" %)", "\N{NO-BREAK SPACE}%)")  # no line begins with the sign
    each = (
        wrap(meaning, COLUMNS, initial_indent="  ", subsequent_indent="      ")
        for meaning in whole.split("; ")
    )
    return [line.replace("\N{NO-BREAK SPACE}", " ") for lines in each for line in lines]


def _left(outcome: Outcome, names: Sequence[Explanation]) -> str:
    """The likeliest explanations that an outcome leaves, side by side; lead orders together, and conditions
    but for one that makes up most of it."""
    chances: dict[tuple[str, str], float] = {}
    of_words: dict[tuple[str, str], dict[str, float]] = {}
    for group, p in outcome.leaves:
        e = names[group]
        said = SIDE_WORDS[e.side], e.what
        chances[said] = chances.get(said, 0.0) + p
        each = of_words.setdefault(said, {})
        each[e.what_and_condition] = each.get(e.what_and_condition, 0.0) + p
    likely = sorted((pair for pair in chances.items() if pair[1] >= LEFT), key=lambda pair: -pair[1])
    sides: dict[str, list[str]] = {}
    for said, p in likely[:MOST_LEFT]:
        whole, most = max(of_words[said].items(), key=lambda pair: pair[1])
        what = whole.replace("; ", ", ") if most > MOSTLY * p else said[1]
        sides.setdefault(said[0], []).append(f"{what} ({100 * p:.0f} %)")
    return " or ".join(f"{side}: {' or '.join(found)}" for side, found in sides.items()) or "several"


def _outcome(outcome: Outcome) -> str:
    if outcome.word:
        return outcome.word
    return " / ".join(_told_v(v, outcome.most_v) for v in outcome.volts)


def _told_v(volts: float, most_v: float) -> str:
    told = f"over {most_v:.1f} V" if isinf(volts) else f"{volts:.1f} V"
    return told.replace("-0.0", "0.0").replace("-", "−")


def sound_circuit(given: Sequence[Reading], comes_and_goes: str) -> str:
    """What is left to do where a circuit is taken for sound; `comes_and_goes`: how such a fault is caught."""
    if not load_fails(given):
        return f"nothing is wrong in what was read. For a fault that comes and goes: {comes_and_goes}."
    alone = heard_alone(given)
    if any(word != "works" for word in alone):
        return "the circuit is sound in what was read, and the load fails alone too: it is the load itself."
    do = "look at the terminals inside its connector"
    if not alone:
        do = f"try the load alone, and {do}"
    return f"the circuit is sound in what was read, but the load does not do what it should: {do}."


def unseen(candidates: Iterable[tuple[Explanation, float]], given: Sequence[Reading]) -> list[str]:
    """What no reading at the pins shows of what is likely, and how to go on (common practice, no source)."""
    ranked = list(candidates)
    return [*_leaks(ranked), *_inside_the_load(ranked, given)]


def _inside_the_load(candidates: Sequence[tuple[Explanation, float]], given: Sequence[Reading]) -> list[str]:
    """Where the load does not what it should: what may be wrong past the leads."""
    how, found = load_fails(given), []
    if how and sum(p for e, p in candidates if e.place == "connector pin") > LIKELY:
        found.append(UNSEEN)
    sound = sum(p for e, p in candidates if e.fault == "none" and e.condition != "asleep")
    if how and not heard_alone(given) and sound > LIKELY:
        found.append(
            f"Nothing wrong, that is the circuit: a load that gets all it needs may be {how} itself."
        )
    return found


def _leaks(candidates: Sequence[tuple[Explanation, float]]) -> list[str]:
    """How to go on where a leak is likely, and what the load makes of it."""
    likely = [(e, p) for e, p in candidates if e.leaking]
    if sum(p for _, p in likely) < LEAK_LIKELY:
        return []
    felt = max(likely, key=lambda each: each[1])[0].felt_leak
    return [LEAK, LEAK_FELT if felt else LEAK_BESIDE]


def misreadings(given: Sequence[Reading]) -> list[str]:
    """What people often take such readings for, where it applies."""
    awake = any(r.state.plugged and _most(r) > SOURCE_V for r in given if isinstance(r.what, Levels))
    source_v = max([SOURCE_V, *(SOURCE_SHARE * _most(r) for r in given)])
    notes = [note for reading in given for note in _notes(reading, awake, source_v)]
    if of_a_sensor(given):
        read = "" if any(r.is_of_battery for r in given) else ": read battery positive as well ('source V')"
        notes.append(
            f"5 V is what modules feed sensors with, not battery voltage{read}. On such a wire no test "
            "light, no jumper, no lamp and no bias."
        )
    notes += _across_the_switch(given)
    notes += _of_batteries([_most(r) for r in given if r.is_of_battery and r.state.control == "off"])
    return list(dict.fromkeys(notes))


def _across_the_switch(given: Sequence[Reading]) -> Iterable[str]:
    """What a closed switch keeps may be a transistor's (common practice, no source)."""
    at = {(r.state, r.what.place): r.what.volts for r in given if isinstance(r.what, At)}
    for (state, place), volts in at.items():
        far = at.get((state, "switch-far"))
        if place != "switch" or state.control == "off" or far is None:
            continue
        if SATURATED_V[0] < abs(volts - far) < SATURATED_V[1]:
            yield (
                f"{abs(volts - far):.1f} V across the closed switch: a transistor that saturates keeps that, "
                "a contact that does is burnt. Which of the two is it?"
            )


def _of_batteries(at_rest_v: Sequence[float]) -> Iterable[str]:
    """What battery positive says of the battery itself, at rest or charging (common practice, no source)."""
    if at_rest_v and max(at_rest_v) - min(at_rest_v) > MOVED_V:
        yield (
            f"Battery positive was read as {min(at_rest_v):g} V and as {max(at_rest_v):g} V, both at rest. "
            "What it reads while the control is on is given as 'in on source V'."
        )
    for volts in at_rest_v:
        if any(least < volts < most for least, most in LOW_V):
            yield f"{volts:g} V is low for a battery at rest: charge or support it before drops are judged."
        elif HIGH_V[0] < volts < HIGH_V[1]:
            yield f"{volts:g} V is more than a 12 V system charges at: see to that first."


def _most(reading: Reading) -> float:
    """The highest volts of a reading to which nothing was added."""
    what = reading.what
    if isinstance(what, Told) or (isinstance(what, Levels) and not what.plain):
        return 0.0
    volts = what.volts if isinstance(what, Levels) else (what.volts,)
    return max((v for v in volts if v is not None), default=0.0)


def _notes(reading: Reading, awake: bool, source_v: float) -> Iterable[str]:
    """`awake`: source was read at the load in some state; what is above `source_v` is at source."""
    what, state = reading.what, reading.state
    if isinstance(what, Lamp) and what.word == "lit":
        yield ("A test light draws little: it lights through a ground or feed too bad for the load.")
    if not isinstance(what, Levels) or None in what.volts or not what.plain:
        return
    low, high = sorted(v for v in what.volts if v is not None)
    if low < BELOW_V:
        yield "Nothing is below battery negative: the reference lead is not there, or badly. Prove it first."
    if state.plugged and low > source_v and high - low < 0.05 * high:
        yield "Source on both leads is one feed, seen twice: the second lead looks at it through the load."
        yield "No current flows then, and without current no drop: a bad wire still reads full source."
    if max(abs(low), abs(high)) < 0.3 and not awake:
        yield "Zero on both leads may be a feed that sleeps: try key on before looking for an open wire."
    if not state.plugged and high > SOURCE_V:
        yield "A good reading unplugged is not a good wire: only the load's current shows what it carries."
