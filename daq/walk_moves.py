"""What a person has to move to get from one state to another, in the order in which it is safe to do it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from daq.cautions import WORKING
from daq.readings import At, Lamp, Levels, Reading, State
from daq.reason_words import PLACE_WORDS

MOVES = "Keep clear of anything the load can move."
PROBE = "One probe at a time; it must not bridge two terminals. Never pierce insulation."
MOVED_LEAD = 1  # along the wire; the other stays on its pin and shows that nothing else changed


@dataclass(frozen=True, slots=True)
class Stand:
    """How things stand, as the person said: the state, where lead 1 is (None: on its pin), and whether the
    test light is still held to a pin."""

    state: State = field(default_factory=State)
    place: str | None = None
    light: bool = False


@dataclass(frozen=True, slots=True)
class Move:
    """One thing to do. `then` is how things stand once it is done; `asks`: nothing is done yet, leave is
    asked for it: "unplugging", which must be in the log first, or "bias", which the tool does by itself."""

    do: str
    then: Stand
    caution: str = ""
    asks: str = ""


def moves(now: Stand, wanted: Reading) -> tuple[Move, ...]:
    """Everything to be done before `wanted` can be read; empty when things stand as they should."""
    place = wanted.what.place if isinstance(wanted.what, At) else None
    found = _lead_back(now, place)
    at = found[-1].then if found else now
    if at.light and not isinstance(wanted.what, Lamp):
        at = replace(at, light=False)
        found.append(Move("Take the test light away from the pin.", at, PROBE))
    for part in (_plug, _key, _neighbour, _control):
        found += part(at, wanted.state)
        at = found[-1].then if found else at
    if place is not None and at.place != place:
        do = f"Take lead {MOVED_LEAD} off its pin and hold it on {PLACE_WORDS[place]}."
        found.append(Move(do, replace(at, place=place), PROBE))
    if isinstance(wanted.what, Levels) and wanted.what.driven:
        found.append(Move(_bias(wanted.what), at, asks="bias"))
    return tuple(found)


def _bias(what: Levels) -> str:
    lead = next(n for n, kind in enumerate(what.bias, 1) if kind in ("up", "down"))
    does = "puts 5 V on" if what.bias[lead - 1] == "up" else "grounds"
    return f"The logger {does} lead {lead} next, through 10 kΩ. Look what that wire can operate."


def _lead_back(at: Stand, place: str | None) -> list[Move]:
    if at.place is None or at.place == place:
        return []
    return [Move(f"Put lead {MOVED_LEAD} back on its pin.", replace(at, place=None), PROBE)]


def _plug(at: Stand, to: State) -> list[Move]:
    if at.state.plugged == to.plugged:
        return []
    found = []
    if at.state.control != "off":
        at = replace(at, state=replace(at.state, control="off"))
        found.append(Move("Switch the control off.", at))
    then = replace(at, state=replace(at.state, plugged=to.plugged))
    if to.plugged:
        return [*found, Move("Plug the load in again, and look that both leads are on their pins.", then)]
    ask = "The load is to be unplugged next. Look where its connector is and that nothing runs."
    pull = "Unplug the load. Both leads stay on the harness half, on the same pins."
    return [
        *found,
        Move(ask, at, WORKING["unplugging"], asks="unplugging"),
        Move(pull, then, WORKING["unplugging"]),
    ]


def _key(at: Stand, to: State) -> list[Move]:
    if to.key is None or at.state.key == to.key:
        return []
    caution = "The engine is not to be started. " + MOVES if to.key == "on" else ""
    return [Move(f"Turn the key {to.key}.", replace(at, state=replace(at.state, key=to.key)), caution)]


def _neighbour(at: Stand, to: State) -> list[Move]:
    if at.state.neighbour_off == to.neighbour_off:
        return []
    do = "Switch off whatever else shares this load's wires." if to.neighbour_off else _BACK_ON
    return [Move(do, replace(at, state=replace(at.state, neighbour_off=to.neighbour_off)))]


_BACK_ON = "Switch on again what shares this load's wires, as it was before."


def _control(at: Stand, to: State) -> list[Move]:
    if at.state.control == to.control:
        return []
    do, caution = {
        "off": ("Switch the control off.", ""),
        "on": ("Switch the control on, and leave it on.", MOVES),
        "other": ("Move the control to its other direction or speed, and leave it there.", MOVES),
    }[to.control]
    return [Move(do, replace(at, state=replace(at.state, control=to.control)), caution)]


def stands(stand: Stand) -> str:
    """'plugged in, control off, lead 1 at the fuse'."""
    state = stand.state
    words = ["plugged in" if state.plugged else "unplugged"]
    words += [f"key {state.key}"] if state.key else []
    words += ["neighbour off"] if state.neighbour_off else []
    words.append({"other": "control the other way"}.get(state.control, f"control {state.control}"))
    if stand.place:
        words.append(f"lead {MOVED_LEAD} at {stand.place.replace('-', ' ')}")
    return ", ".join(words)


def named(reading: Reading) -> str:
    """What was read, and in which state: 'in, on, bias up on lead 1'."""
    state, what = reading.state, reading.what
    words = [f"key {state.key}"] if state.key else []
    words += ["neighbour off"] if state.neighbour_off else []
    words += ["in" if state.plugged else "out", "other way" if state.control == "other" else state.control]
    if isinstance(what, At):
        words.append(f"at {'battery positive' if what.place == 'source' else what.place.replace('-', ' ')}")
    elif isinstance(what, Lamp):
        words.append(f"light from {what.pole} on lead {what.lead}")
    elif isinstance(what, Levels) and what.driven:
        lead = next(n for n, kind in enumerate(what.bias, 1) if kind in ("up", "down"))
        words.append(f"bias {what.bias[lead - 1]} on lead {lead}")
    return ", ".join(words)


def value(reading: Reading) -> str:
    """'12.58 V   0.02 V', '12.60 V', ' lit': volts under each other."""
    what = reading.what
    if isinstance(what, At):
        return _volts(what.volts)
    if isinstance(what, Lamp):
        return f" {what.word}"
    return "  ".join("not read" if v is None else _volts(v) for v in what.volts)


def _volts(v: float) -> str:
    return f"{v + 0.0:.2f} V".replace("-0.00", "0.00").replace("-", "−").rjust(7)
