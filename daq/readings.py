"""One thing read at the circuit, and the words in which a person gives it.

    READING  = "source" V
             | [ "key" ("off"|"on") ] [ "neighbour" "off" ] ("in"|"out") ("off"|"on"|"other"|"?") WHAT
    WHAT     = V V                                             lead 1, lead 2; "_" = not read
             | "lamp" ("positive"|"negative") "lead" ("1"|"2") ("lit"|"dim"|"dark")
             | "bias" ("up"|"down") "lead" ("1"|"2") V V
             | "jumper" ("positive"|"negative") "lead" ("1"|"2") V V
             | "substitute" V V                                 a 5 W lamp in place of the load
             | "source" V
             | "at" ("fuse"|"switch"|"switch-far"|"ground-point") V
             | "load" [ "alone" ] ("works"|"weak"|"dead"|"?")   what the load itself does; "?" = who knows;
                                                               alone: unplugged, fed straight from the battery

The live leads give the same records, with their own uncertainty and instrument.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar

from daq.errors import CommandError

PLACES = ("fuse", "switch", "switch-far", "ground-point")
MOST_V = 40.0  # 32 V nominal while it is charged: sixteen cells of 2.4 V
_FORM = "key off|on, neighbour off, in|out, off|on|other|?, then what was read, as in 'in off 12.6 12.6'"


@dataclass(frozen=True, slots=True)
class State:
    """How things stand: control "off", "on", "other" or "?", key "off", "on" or None (nobody said)."""

    plugged: bool = True
    control: str = "off"
    key: str | None = None
    neighbour_off: bool = False

    def __str__(self) -> str:
        words = [f"key {self.key}"] if self.key else []
        words += ["neighbour off"] if self.neighbour_off else []
        return " ".join([*words, "in" if self.plugged else "out", self.control])


@dataclass(frozen=True, slots=True)
class Levels:
    """Volts at lead 1 and lead 2; None where not read.

    `bias` is what stands on (lead 1, lead 2): None, "up", "down" or "whisper". `error_v` is the standard
    uncertainty of what was read itself, beyond what the reasoning allows for. `jumper` is a fused jumper,
    from battery "positive" or "negative" to the pin of lead 1 or 2; `substitute` a 5 W lamp across the two
    pins of the unplugged harness.
    """

    volts: tuple[float | None, float | None]
    bias: tuple[str | None, str | None] = (None, None)
    error_v: tuple[float, float] = (0.0, 0.0)
    jumper: tuple[str, int] | None = None
    substitute: bool = False

    @property
    def aided(self) -> bool:
        """Whether something was put on the circuit to read this: a jumper or a lamp."""
        return self.jumper is not None or self.substitute

    @property
    def driven(self) -> bool:
        """Whether a bias stands that could move more than a free lead: up or down."""
        return any(kind in ("up", "down") for kind in self.bias)

    @property
    def plain(self) -> bool:
        """Whether nothing drives the circuit and nothing was put on it; a whisper may stand."""
        return not self.driven and not self.aided

    def __str__(self) -> str:
        numbers = " ".join("_" if v is None else f"{v:g}" for v in self.volts)
        biased = [f"bias {kind} lead {n} " for n, kind in enumerate(self.bias, 1) if kind is not None]
        if self.jumper is not None:
            biased.append(f"jumper {self.jumper[0]} lead {self.jumper[1]} ")
        return "".join(biased) + ("substitute " if self.substitute else "") + numbers


@dataclass(frozen=True, slots=True)
class At:
    """Volts at one place: "source" (battery positive) or one of PLACES."""

    place: str
    volts: float

    def __str__(self) -> str:
        return f"source {self.volts:g}" if self.place == "source" else f"at {self.place} {self.volts:g}"


@dataclass(frozen=True, slots=True)
class Lamp:
    """A test light from a battery post to a lead's pin, and how it looked."""

    words: ClassVar = ("lit", "dim", "dark")
    pole: str  # "positive", "negative"
    lead: int
    word: str

    def __str__(self) -> str:
        return f"lamp {self.pole} lead {self.lead} {self.word}"


@dataclass(frozen=True, slots=True)
class Working:
    """What the load itself was seen or heard to do; weak is dim, slow, or not all the way. UNHEARD says
    nothing: nobody can tell. `alone`: unplugged, and fed straight from the battery."""

    words: ClassVar = ("works", "weak", "dead")
    word: str
    alone: bool = False

    def __str__(self) -> str:
        return f"load {'alone ' if self.alone else ''}{self.word}"

    @property
    def unheard(self) -> bool:
        return self.word == UNHEARD


UNHEARD = "?"
UNANSWERED = "|".join((*Working.words, UNHEARD))  # as it is proposed; left so, it tells nothing
Told = Lamp | Working  # in a word, no volts
What = Levels | At | Told


@dataclass(frozen=True, slots=True)
class Reading:
    """What was seen in a state. `logged` means by the logger's leads, else by hand meters."""

    state: State
    what: What
    logged: bool = False

    @property
    def is_of_battery(self) -> bool:
        """Whether it was taken at battery positive."""
        return isinstance(self.what, At) and self.what.place == "source"

    def __str__(self) -> str:
        if self.is_of_battery and self.state == State():
            return str(self.what)
        return f"{self.state} {self.what}"


def told_of_load(given: Iterable[Reading]) -> list[tuple[str, Working]]:
    """What was said of the load, or that nobody could say, where it should do something; with the control."""
    words = ((r.state.control, r.what) for r in given if isinstance(r.what, Working))
    return [(control, what) for control, what in words if what.alone or control != "off"]


def load_fails(given: Iterable[Reading]) -> str:
    """How the load fails, plugged in and switched on: "weak", "dead", or "" where it does not.

    Of each position of the control the last word counts: it may have been dead for the key alone.
    """
    heard = {control: w.word for control, w in told_of_load(given) if not (w.alone or w.unheard)}
    return next((word for word in ("dead", "weak") if word in heard.values()), "")


def heard_alone(given: Iterable[Reading]) -> list[str]:
    """What was heard of the load alone."""
    return [what.word for _, what in told_of_load(given) if what.alone and not what.unheard]


def parse(text: str) -> Reading:
    """The reading that `text` says.

    Raises:
        CommandError: with one sentence that names the word that is wrong and what could stand there.
    """
    words = _Words(text)
    if words.peek() == "source":
        reading = Reading(State(), _source(words))
    else:
        state = _state(words)
        reading = Reading(state, _what(words, state))
    words.end()
    return reading


def parse_all(texts: Iterable[str]) -> list[Reading]:
    return [parse(text) for text in texts]


class _Words:
    """The words of one reading, taken from the front."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._words = text.split()
        self._at = 0

    def peek(self) -> str:
        return self._words[self._at].lower() if self._at < len(self._words) else ""

    def take(self, *allowed: str) -> str:
        word = self.peek()
        if word not in allowed:
            self.fail(f"{self._found()}, where {_either(allowed)} should stand")
        self._at += 1
        return word

    def volts(self, blank: bool = False) -> float | None:
        word = self.peek()
        if blank and word == "_":
            self._at += 1
            return None
        try:
            value = float(word.lower().removesuffix("v").replace(",", "."))  # as many write them
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or "_" in word:
            also = " or _ (not read)" if blank else ""
            self.fail(f"{self._found()}, where volts{also} should stand, as in 12.6")
        if abs(value) > MOST_V:
            self.fail(f"has {value:g} V, which is beyond the DC circuits up to 32 V that this is for")
        self._at += 1
        return value

    def end(self) -> None:
        if self._at < len(self._words):
            self.fail(f"{self._found()} after the reading is complete")

    def fail(self, what: str) -> None:
        raise CommandError(f"READING {_quoted(self._text)} {what}. A reading is: {_FORM}.")

    def _found(self) -> str:
        return f"has {_quoted(self._words[self._at])}" if self._at < len(self._words) else "ends"


def _state(words: _Words) -> State:
    key: str | None = None
    if words.peek() == "key":
        words.take("key")
        key = words.take("off", "on")
    neighbour = words.peek() == "neighbour"
    if neighbour:
        words.take("neighbour")
        words.take("off")
    plugged = words.take("in", "out") == "in"
    return State(plugged, words.take("off", "on", "other", "?"), key, neighbour)


def _what(words: _Words, state: State) -> What:
    kind = words.peek()
    if kind == "load":
        return _working(words, state)
    if kind == "lamp":
        words.take("lamp")
        pole = words.take("positive", "negative")
        words.take("lead")
        lead = int(words.take("1", "2"))
        return Lamp(pole, lead, words.take(*Lamp.words))
    if kind == "bias":
        words.take("bias")
        direction = words.take("up", "down")
        words.take("lead")
        lead = int(words.take("1", "2"))
        bias = (direction, None) if lead == 1 else (None, direction)
        return Levels(_pair(words), bias)
    if kind == "jumper":
        words.take("jumper")
        pole = words.take("positive", "negative")
        words.take("lead")
        lead = int(words.take("1", "2"))
        return Levels(_pair(words), jumper=(pole, lead))
    if kind == "substitute":
        words.take("substitute")
        return Levels(_pair(words), substitute=True)
    if kind == "source":
        return _source(words)
    if kind == "at":
        words.take("at")
        place = words.take(*PLACES)
        return At(place, _one(words))
    return Levels(_pair(words))


def _working(words: _Words, state: State) -> Working:
    words.take("load")
    alone = words.peek() == "alone"
    if alone:
        words.take("alone")
    if alone == state.plugged:
        wrong = (
            "tries alone a load that is plugged in" if alone else "tells what the circuit does for no load"
        )
        words.fail(f"{wrong}: write 'in on load works', or 'out off load alone works' for one in hand")
    if words.peek() == UNANSWERED:
        words.take(UNANSWERED)
        return Working(UNHEARD, alone)
    return Working(words.take(*Working.words, UNHEARD), alone)


def _source(words: _Words) -> At:
    words.take("source")
    return At("source", _one(words))


def _one(words: _Words) -> float:
    value = words.volts()
    assert value is not None
    return value


def _pair(words: _Words) -> tuple[float | None, float | None]:
    pair = words.volts(blank=True), words.volts(blank=True)
    if pair == (None, None):
        words.fail("has neither lead read; give at least one in volts")
    return pair


def _either(allowed: tuple[str, ...]) -> str:
    return allowed[0] if len(allowed) == 1 else f"{', '.join(allowed[:-1])} or {allowed[-1]}"


def _quoted(text: str) -> str:
    shown = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return f"'{shown if len(shown) <= 60 else shown[:59] + '…'}'"
