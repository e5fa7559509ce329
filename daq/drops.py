"""Voltage drops while the load is on: against limits and, with a current, as ohms and lengths of wire.

The feed-side drop needs source measured in the same state; from a source read at rest it would be "sag or
feed loss", and that is said. Without current there is no drop to judge.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from daq.copper import AWG_SIZES, METRIC_OHM_PER_KM, awg_ohm_per_km, length_m, metric_ohm_per_km
from daq.knowledge import Knowledge, Limit
from daq.readings import At, Levels, Reading

LEAST_LOAD_V = 1.0
LEAST_LOAD_SHARE = 0.25  # of source: with less across it the load may not be on at all
BELOW = 3.0  # standard uncertainties: what is so far below nothing is no drop


@dataclass(frozen=True, slots=True)
class Drop:
    """One side's drop.

    Attributes:
        side: "feed" or "ground".
        volts, error_v: with its standard uncertainty.
        doubtful: the source was read at rest, so that a sagging source is in it.
        over: names of the limits in knowledge.toml that it exceeds by more than its uncertainty.
        milliohm: with a current; None without.
    """

    side: str
    volts: float
    error_v: float
    doubtful: bool
    over: tuple[str, ...]
    milliohm: float | None


def drops(given: Sequence[Reading], knowledge: Knowledge, amperes: float | None = None) -> tuple[Drop, ...]:
    """Feed-side and ground-side drops of the last reading that was taken with the load on."""
    found: tuple[Drop, ...] = ()
    for reading in given:
        what, state = reading.what, reading.state
        if not isinstance(what, Levels) or not state.plugged or state.control in ("off", "?"):
            continue
        if None not in what.volts and what.bias == (None, None):
            pair = sorted(v for v in what.volts if v is not None)
            found = tuple(_of_pair(pair[1], pair[0], reading, given, knowledge, amperes)) or found
    return found


def _of_pair(
    feed: float,
    ground: float,
    reading: Reading,
    given: Sequence[Reading],
    knowledge: Knowledge,
    amperes: float | None,
) -> Iterator[Drop]:
    source, at_rest = _source(reading, given)
    full = feed if source is None else source
    if feed - ground < max(LEAST_LOAD_V, LEAST_LOAD_SHARE * full):
        return
    if ground < -BELOW * _error(ground, knowledge):
        return  # no circuit goes below battery negative: what was read is not told from there
    if source is not None:
        error = math.hypot(_error(source, knowledge), _error(feed, knowledge))
        if source - feed > -BELOW * error:  # else source rose since it was read
            yield _judged("feed", source - feed, error, at_rest, full, knowledge, amperes)
    yield _judged("ground", ground, _error(ground, knowledge), False, full, knowledge, amperes)


def _source(reading: Reading, given: Sequence[Reading]) -> tuple[float | None, bool]:
    """Battery positive in the reading's own state, else at rest (True); None where it was not read."""
    rest = None
    for other in given:
        if isinstance(other.what, At) and other.what.place == "source":
            if other.state == reading.state:
                return other.what.volts, False
            rest = other.what.volts
    return rest, True


def _error(volts: float, knowledge: Knowledge) -> float:
    k = knowledge.reading
    return math.hypot(k["zero_v"], k["gain"] * volts)


def _judged(
    side: str,
    volts: float,
    error: float,
    doubtful: bool,
    source: float,
    knowledge: Knowledge,
    amperes: float | None,
) -> Drop:
    over = tuple(
        name
        for name, limit in knowledge.limits.items()
        if (limit.share is not None or name == side) and volts - error > _volts(limit, source)
    )
    milliohm = None if not amperes else 1000 * max(volts, 0.0) / amperes
    return Drop(side, volts, error, doubtful, over, milliohm)


def _volts(limit: Limit, source: float) -> float:
    return limit.volts if limit.volts is not None else (limit.share or 0.0) * source


def as_wire(milliohm: float) -> dict[str, float]:
    """The same resistance as metres of wire, {"1.5 mm²": 7.5, "AWG 16": ...}, copper at 20 °C."""
    metric = {f"{s:g} mm²": length_m(milliohm, metric_ohm_per_km(s)) for s in METRIC_OHM_PER_KM}
    return metric | {f"AWG {size}": length_m(milliohm, awg_ohm_per_km(size)) for size in AWG_SIZES}


def to_json(found: Sequence[Drop], knowledge: Knowledge) -> list[dict[str, Any]]:
    return [
        {
            "side": d.side,
            "drop_v": round(d.volts, 3),
            "uncertainty_v": round(d.error_v, 3),
            "sag_not_excluded": d.doubtful,
            "over": [{"limit": name, "origin": knowledge.limits[name].origin} for name in d.over],
            "milliohm": None if d.milliohm is None else round(d.milliohm, 1),
            "as_wire_m": None
            if d.milliohm is None
            else {name: round(metres, 2) for name, metres in as_wire(d.milliohm).items()},
        }
        for d in found
    ]


def lines(found: Sequence[Drop], knowledge: Knowledge) -> list[str]:
    """'ground-side drop while on: 2.80 V ±0.06, too much (over 0.2 V: common practice ...)'."""
    out = []
    for d in found:
        text = f"{d.side}-side drop while on: {d.volts:.2f} V ±{d.error_v:.2f}".replace("-0.00 V", "0.00 V")
        if d.doubtful:
            text += ", or the source sags that much: read source in the same state"
        if d.milliohm is not None:
            wire = as_wire(d.milliohm)
            text += f"; {d.milliohm:.0f} mΩ, as much as {wire['1.5 mm²']:.1f} m of 1.5 mm² wire"
        out.append(text)
        out += [f"  too much: {_named(knowledge.limits[name])}" for name in d.over]
    return out


def _named(limit: Limit) -> str:
    least = f"{limit.volts:g} V" if limit.volts is not None else f"{limit.share:.0%} of source"
    return f"over {least} ({limit.origin})"
