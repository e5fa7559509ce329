"""The tests that may be proposed, with what each costs from where one stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from daq.knowledge import Weights
from daq.readings import (
    PLACES,
    UNANSWERED,
    At,
    Lamp,
    Levels,
    Reading,
    State,
    What,
    Working,
    load_fails,
    told_of_load,
)

Kind = tuple[State, str]


@dataclass(frozen=True, slots=True)
class Means:
    """What whoever tests has at hand.

    Attributes:
        whisper: every plain reading has the whisper on both leads.
        cannot: kinds of tests (see `kind`) that were tried in vain.
        barred: needs of tests (see `needs`) that cannot be met.
        aids: a fused jumper and a 5 W lamp with two leads.
        eyes: who can say what the load does.
    """

    whisper: bool = False
    bias: bool = True
    test_light: bool = True
    cannot: frozenset[Kind] = frozenset()
    barred: frozenset[str] = frozenset()
    aids: bool = False
    eyes: bool = False

    def allow(self, reading: Reading, last: State) -> bool:
        what = reading.what
        if needs(reading, last) & self.barred:
            return False
        if isinstance(what, Working) and not (self.eyes and (self.aids or not what.alone)):
            return False
        if isinstance(what, Lamp) and not self.test_light:
            return False
        if isinstance(what, Levels) and ((what.driven and not self.bias) or (what.aided and not self.aids)):
            return False
        return kind(reading) not in self.cannot


BY_HAND = Means(aids=True, eyes=True)
AT_THE_LEADS = Means(aids=True)  # where no word can be given


def needs(reading: Reading, last: State) -> frozenset[str]:
    """What has to be possible for this reading, coming from `last`, beside a control on and off."""
    state, what = reading.state, reading.what
    found = {"unplugging"} if state.plugged != last.plugged else set()
    found |= {"key"} if state.key != last.key else set()
    found |= {"neighbour"} if state.neighbour_off and not last.neighbour_off else set()
    found |= {"other"} if state.control == "other" else set()
    if isinstance(what, At):
        found.add(what.place)
    return frozenset(found) | aids_of(what)


def aids_of(what: What) -> frozenset[str]:
    """What has to be at hand for it."""
    if not isinstance(what, Levels) or not what.aided:
        return frozenset()
    return frozenset({"substitute" if what.substitute else "jumper"})


@dataclass(frozen=True, slots=True)
class Offer:
    """A reading that could be taken; its values are blanks. `minutes` is its cost."""

    reading: Reading
    minutes: float

    @property
    def another_position(self) -> bool:
        """Whether the control must have another direction or speed, as that of a lamp has not."""
        return self.reading.state.control == "other"

    @property
    def unless(self) -> str:
        """Where many circuits do not have it, nobody can tell what a relay in a box does, or has it in hand:
        what leads over to another test."""
        if self.another_position:
            return "If it has none"
        if self.reading.state.neighbour_off:
            return "If nothing shares them"
        if not isinstance(self.reading.what, Working):
            return ""
        return "If that cannot be done" if self.reading.what.alone else "If nobody can tell"

    @property
    def template(self) -> str:
        """The reading as it will be written, "V" where a voltage goes."""
        state, what = self.reading.state, self.reading.what
        if isinstance(what, At):
            return f"{state} source V" if what.place == "source" else f"{state} at {what.place} V"
        if isinstance(what, Lamp):
            return f"{state} lamp {what.pole} lead {what.lead} {'|'.join(what.words)}"
        if isinstance(what, Working):
            return f"{state} {replace(what, word=UNANSWERED)}"
        if isinstance(what, Levels) and what.aided:
            return f"{state} {what}".rsplit(" ", 2)[0] + " V V"
        bias = [f"bias {kind} lead {n} " for n, kind in enumerate(what.bias, 1) if what.driven and kind]
        return f"{state} {''.join(bias)}V V"


BEHIND = {"switch-far": "switch"}  # places under the same lid or trim as another


def offered(given: Sequence[Reading], costs: Weights, means: Means = BY_HAND) -> list[Offer]:
    """Every test that was not done yet; costs count from the state of the last reading.

    What the load does is asked once: who was wrong about it, or whose load is seized, or who cannot tell,
    says so again. It is tried alone only where it was seen to fail.
    """
    last = given[-1].state if given else State()
    done = {kind(r) for r in given}
    told = {what.alone for _, what in told_of_load(given)}
    return [
        Offer(reading, minutes(reading, given, costs))
        for reading in _everything(last, means)
        if kind(reading) not in done and means.allow(reading, last) and _is_asked(reading, told, given)
    ]


def _is_asked(reading: Reading, told: set[bool], given: Sequence[Reading]) -> bool:
    """Whether there is a point in it yet: another position of the control comes after on, as every one has
    that; what the load does is `told` of in the circuit, alone."""
    what = reading.what
    if not isinstance(what, Working):
        return reading.state.control != "other" or any(r.state.control in ("on", "?") for r in given)
    return what.alone not in told and (bool(load_fails(given)) if what.alone else not told)


def minutes(reading: Reading, given: Sequence[Reading], costs: Weights) -> float:
    """Cost of taking `reading` after those given, as things stand then."""
    state, what = reading.state, reading.what
    last = given[-1].state if given else State()
    total = costs["base"]
    if state.key != last.key:
        total += costs["key"]
    if state.control != last.control:
        total += costs["control"]
    if state.neighbour_off and not last.neighbour_off:
        total += costs["neighbour off"]
    if state.plugged != last.plugged:
        total += costs["unplug"]
    if isinstance(what, At):
        total += _reach(what.place, given, costs)
    elif isinstance(what, Lamp):
        total += costs["test light"]
    elif isinstance(what, Working):
        total += costs["alone" if what.alone else "load"]
    elif what.driven:
        total += costs["bias"]
    elif what.aided:
        total += costs["substitute" if what.substitute else "jumper"]
    return total


def _reach(place: str, given: Sequence[Reading], costs: Weights) -> float:
    """Cost of getting at a place: once it is open, all behind it is."""
    there = BEHIND.get(place, place)
    been = {BEHIND.get(r.what.place, r.what.place) for r in given if isinstance(r.what, At)}
    found = costs["ground point" if there == "ground-point" else there]
    return min(found, costs["again"]) if there in been else found


def kind(reading: Reading) -> Kind:
    """What makes two readings the same test; a whisper makes no other of it."""
    what = reading.what
    if isinstance(what, At):
        return reading.state, what.place
    if isinstance(what, Lamp):
        return reading.state, f"{what.pole} {what.lead}"
    if isinstance(what, Working):
        return reading.state, "load alone" if what.alone else "load"
    if what.aided:
        return reading.state, f"jumper {what.jumper}" if what.jumper else "substitute"
    return reading.state, str(what.bias) if what.driven else "levels"


def _everything(last: State, means: Means) -> list[Reading]:
    blank = Levels((0.0, 0.0), ("whisper", "whisper") if means.whisper else (None, None))
    here = State(key=last.key)
    states = [replace(here, control=c) for c in ("off", "on", "other")]
    if last.key != "on":
        states += [replace(here, control=c, key="on") for c in ("off", "on")]
    if last.key != "off":
        states.append(replace(here, control="off", key="off"))
    states += [replace(here, control=c, neighbour_off=True) for c in ("off", "on")]
    out = [replace(here, control=c, plugged=False) for c in ("off", "on")]
    found = [Reading(s, blank) for s in states + out]
    found += [Reading(s, Working("works")) for s in states if s.control == "on" and not s.neighbour_off]
    found.append(Reading(out[0], Working("works", alone=True)))
    found.append(Reading(replace(out[0], neighbour_off=True), blank))
    for s in out:
        for lead in (1, 2):
            for pole in ("positive", "negative"):
                found.append(Reading(s, Lamp(pole, lead, "lit")))
            for way in ("up", "down"):
                found.append(Reading(s, Levels((0.0, 0.0), (way, None) if lead == 1 else (None, way))))
        found.append(Reading(s, Levels((0.0, 0.0), substitute=True)))
    for s in states[:2]:
        for lead in (1, 2):
            found += [
                Reading(s, Levels((0.0, 0.0), jumper=(pole, lead))) for pole in ("positive", "negative")
            ]
        # At rest nothing is lost between the switch's other terminal and what feeds or grounds it.
        places = ("source", *(p for p in PLACES if p != "switch-far" or s.control == "on"))
        found += [Reading(s, At(place, 0.0)) for place in places]
    return found
