"""What a person has to move to get from one state to another, in the order in which it is safe to do it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from daq.cautions import WORKING
from daq.offered_tests import aids_of, needs
from daq.readings import UNHEARD, At, Lamp, Levels, Reading, State, Told, Working
from daq.reason_words import JUMPER, PLACE_NAMES, PLACE_WORDS, SUBSTITUTE

MOVES = "Keep clear of anything the load can move."
PROBE = "One probe at a time; it must not bridge two terminals. Never pierce insulation."
MOVED_LEAD = 1  # along the wire; the other stays on its pin and shows that nothing else changed


Aid = tuple[str, ...]
"""What is held to the circuit: `LIGHT`, `LAMP`, ("jumper", pole, lead on the pin); () for nothing."""
LIGHT: Aid = ("light",)
LAMP: Aid = ("lamp",)
_OFF = {
    "light": "Take the test light away from the pin.",
    "jumper": "Take the jumper off, its battery end first.",
    "lamp": "Take the 5 W lamp off the two pins.",
}


@dataclass(frozen=True, slots=True)
class Stand:
    """How things stand, as the person said: the state, where lead 1 is (None: on its pin), and what else is
    held to the circuit."""

    state: State = field(default_factory=State)
    place: str | None = None
    aid: Aid = ()


@dataclass(frozen=True, slots=True)
class Move:
    """One thing to do. `then` is how things stand once it is done; `asks`: nothing is done yet, leave is
    asked for it: "unplugging", which must be in the log first, or "bias", which the tool does by itself.
    `undoes`: it only takes back, so that there is no going back to it."""

    do: str
    then: Stand
    caution: str = ""
    asks: str = ""
    undoes: bool = False

    def brings_back(self, now: Stand) -> bool:
        """Whether lead 1 or a jumper goes back: what was read with it away tells nothing of the switching."""
        back = now.place and not self.then.place
        return bool(back or (now.aid[:1] == ("jumper",) and not self.then.aid))

    def switches_off(self, now: Stand) -> bool:
        """Whether it ends with a control off that was on, or is the last word before the plug is pulled: the
        leads on their pins can tell whether it is."""
        off = self.then.state.control == "off"
        on_pins = self.then.place is None and not self.then.aid and not now.aid
        same_plug = self.then.state.plugged == now.state.plugged
        return off and on_pins and same_plug and (now.state.control != "off" or self.asks == "unplugging")


_PROBING = "Key off to fit the probes, one insulated back-probe after the other; the pins must never touch."
BEGIN = Move(
    "Load plugged in, control off, lead 1 and lead 2 each on its pin of the load.", Stand(), _PROBING
)
REPAIR = Move(
    "Repair what was found. Then: load plugged in, control off, key as at first, both leads on their pins, "
    "nothing else held to the circuit.",
    Stand(),
    _PROBING,
)


def moves(now: Stand, wanted: Reading) -> tuple[Move, ...]:
    """Everything to be done before `wanted` can be read; empty when things stand as they should."""
    place = wanted.what.place if isinstance(wanted.what, At) else None
    found = moves_to(now, Stand(wanted.state, place, aid_for(wanted)))
    if isinstance(wanted.what, Levels) and wanted.what.driven:
        found = (*found, Move(_bias(wanted.what), found[-1].then if found else now, asks="bias"))
    return found


def moves_to(now: Stand, to: Stand) -> tuple[Move, ...]:
    """Everything to be done to get from one stand to another; a test light is held where it is asked for."""
    found: list[Move] = []
    for part in (_aid_off, _lead_back, _plug, _key, _neighbour, _aid_on, _control, _lead_away):
        found += part(found[-1].then if found else now, to)
    return tuple(found)


def in_the_way(move: Move | None, stand: Stand, wanted: Reading) -> frozenset[str]:
    """What a move that cannot be done would have made possible; with one bias or light, all of them."""
    what = wanted.what
    if move is None or (move.then == stand and not move.asks):
        light, bias = isinstance(what, Lamp), isinstance(what, Levels) and what.driven
        return frozenset({"test light"} if light else {"bias"} if bias else aids_of(what))
    if move.asks:
        return frozenset({move.asks})
    there = move.then.place or move.then.aid
    then = Reading(move.then.state, what if there else Levels((0.0, 0.0)))
    return needs(then, stand.state)


def aid_for(wanted: Reading) -> Aid:
    """What is held to the circuit while it is read."""
    what = wanted.what
    if isinstance(what, Lamp):
        return LIGHT
    if isinstance(what, Levels) and what.jumper is not None:
        return ("jumper", what.jumper[0], str(what.jumper[1]))
    return LAMP if isinstance(what, Levels) and what.substitute else ()


def take_off(aid: Aid) -> str:
    """'Take the test light away from the pin.'; "" where nothing is held."""
    return _OFF[aid[0]] if aid else ""


def _aid_off(at: Stand, to: Stand) -> list[Move]:
    if not at.aid or at.aid == to.aid:
        return []
    caution = JUMPER if at.aid[0] == "jumper" else PROBE
    return [Move(take_off(at.aid), replace(at, aid=()), caution)]


def _aid_on(at: Stand, to: Stand) -> list[Move]:
    """With the control off: what it starts, it starts with the hands away."""
    if at.aid == to.aid or to.aid in ((), LIGHT):
        return []
    found = []
    if at.state.control != "off":
        found = _control(at, replace(to, state=replace(to.state, control="off")))
        at = found[-1].then
    then = replace(at, aid=to.aid)
    if to.aid == LAMP:
        do = "Put a 5 W lamp across the two pins, in place of the load, and leave it there."
        return [*found, Move(do, then, f"{SUBSTITUTE} {WORKING['never on']}")]
    _, pole, lead = to.aid
    do = (
        f"Bridge battery {pole} to lead {lead}'s pin with a jumper fused at 15 A, its end at the pin first, "
        "and leave it there."
    )
    return [*found, Move(do, then, f"{JUMPER} {WORKING['never on']}")]


def _bias(what: Levels) -> str:
    lead = next(n for n, kind in enumerate(what.bias, 1) if kind in ("up", "down"))
    does = "puts 5 V on" if what.bias[lead - 1] == "up" else "grounds"
    return f"The logger {does} lead {lead} next, through 10 kΩ. Look what that wire can operate."


def _lead_back(at: Stand, to: Stand) -> list[Move]:
    if at.place is None or at.place == to.place:
        return []
    return [Move(f"Put lead {MOVED_LEAD} back on its pin.", replace(at, place=None), PROBE)]


def _lead_away(at: Stand, to: Stand) -> list[Move]:
    if to.place is None or at.place == to.place:
        return []
    do = f"Take lead {MOVED_LEAD} off its pin and hold it on {PLACE_WORDS[to.place]}."
    return [Move(do, replace(at, place=to.place), PROBE)]


def _plug(at: Stand, to: Stand) -> list[Move]:
    if at.state.plugged == to.state.plugged:
        return []
    found = []
    if at.state.control != "off":
        at = replace(at, state=replace(at.state, control="off"))
        found.append(Move("Switch the control off.", at))
    then = replace(at, state=replace(at.state, plugged=to.state.plugged))
    if to.state.plugged:
        return [*found, Move("Plug the load in again, and look that both leads are on their pins.", then)]
    ask = "The load is to be unplugged next. Look where its connector is and that nothing runs."
    pull = "Unplug the load. Both leads stay on the harness half, on the same pins."
    return [
        *found,
        Move(ask, at, WORKING["unplugging"], asks="unplugging"),
        Move(pull, then, WORKING["unplugging"]),
    ]


def _key(at: Stand, to: Stand) -> list[Move]:
    key = to.state.key
    if at.state.key == key:
        return []
    do = "Turn the key back to where it was at first." if key is None else f"Turn the key {key}."
    caution = "The engine is not to be started. " + MOVES if key == "on" else ""
    return [Move(do, replace(at, state=replace(at.state, key=key)), caution)]


def _neighbour(at: Stand, to: Stand) -> list[Move]:
    off = to.state.neighbour_off
    if at.state.neighbour_off == off:
        return []
    do = "Switch off whatever else shares this load's wires." if off else _BACK_ON
    return [Move(do, replace(at, state=replace(at.state, neighbour_off=off)))]


_BACK_ON = "Switch on again what shares this load's wires, as it was before."


def _control(at: Stand, to: Stand) -> list[Move]:
    control = to.state.control
    if at.state.control == control:
        return []
    do, caution = {
        "off": ("Switch the control off.", ""),
        "on": ("Switch the control on, and leave it on.", MOVES),
        "other": (
            "If the control has another direction or speed, move it there and leave it; else pass this over.",
            MOVES,
        ),
    }[control]
    return [Move(do, replace(at, state=replace(at.state, control=control)), caution)]


def stands(stand: Stand) -> str:
    """'plugged in, control off, lead 1 at the fuse'."""
    state = stand.state
    words = ["plugged in" if state.plugged else "unplugged"]
    words += [f"key {state.key}"] if state.key else []
    words += ["neighbour off"] if state.neighbour_off else []
    words.append({"other": "control the other way"}.get(state.control, f"control {state.control}"))
    if stand.place:
        words.append(f"lead {MOVED_LEAD} at {PLACE_NAMES[stand.place]}")
    if stand.aid:
        words.append({"light": "test light held", "jumper": "jumper on", "lamp": "5 W lamp on"}[stand.aid[0]])
    return ", ".join(words)


def named(reading: Reading) -> str:
    """What was read, and in which state: 'in, on, bias up on lead 1'."""
    state, what = reading.state, reading.what
    words = [f"key {state.key}"] if state.key else []
    words += ["neighbour off"] if state.neighbour_off else []
    words += ["in" if state.plugged else "out", "other way" if state.control == "other" else state.control]
    if isinstance(what, At):
        words.append(f"at {PLACE_NAMES[what.place]}")
    elif isinstance(what, Working):
        words.append(f"what the load does{' alone' if what.alone else ''}")
    elif isinstance(what, Lamp):
        words.append(f"light from {what.pole} on lead {what.lead}")
    elif isinstance(what, Levels) and what.driven:
        lead = next(n for n, kind in enumerate(what.bias, 1) if kind in ("up", "down"))
        words.append(f"bias {what.bias[lead - 1]} on lead {lead}")
    elif isinstance(what, Levels) and what.jumper is not None:
        words.append(f"jumper from {what.jumper[0]} on lead {what.jumper[1]}")
    elif isinstance(what, Levels) and what.substitute:
        words.append("5 W lamp")
    return ", ".join(words)


def value(reading: Reading) -> str:
    """'12.58 V   0.02 V', '12.60 V', ' lit': volts under each other."""
    what = reading.what
    if isinstance(what, At):
        return _volts(what.volts)
    if isinstance(what, Told):
        return " nobody can tell" if what.word == UNHEARD else f" {what.word}"
    return "  ".join("not read" if v is None else _volts(v) for v in what.volts)


def _volts(v: float) -> str:
    return f"{v + 0.0:.2f} V".replace("-0.00", "0.00").replace("-", "−").rjust(7)
