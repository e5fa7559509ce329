"""The circuit that each explanation is: healthy ones of its side, with its fault put in."""

from __future__ import annotations

from dataclasses import fields
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from daq.circuit import NOTHING_S, Circuits
from daq.hypotheses import Fault, Hypothesis
from daq.knowledge import Knowledge, Spread
from daq.short_circuits import Shorted, blow_fuses
from daq.unknowns import Array, Draws

RETRY = 40.0  # a protected driver's mean resistance into a short, of the load's
SHORTS = ("short to ground", "short to power", "load shorted")


@cache
def _circuit_fields() -> tuple[str, ...]:
    return tuple(f.name for f in fields(Circuits))


def circuits(chosen: tuple[Hypothesis, ...], draws: Draws, knowledge: Knowledge) -> Circuits:
    """The circuits of these explanations, one row each, with the draws as columns."""
    return _Builder(chosen, draws, knowledge).built()


class _Builder:
    """Starts from healthy circuits of each side and puts each explanation's fault in."""

    def __init__(self, chosen: tuple[Hypothesis, ...], draws: Draws, knowledge: Knowledge) -> None:
        self._chosen = chosen
        self._draws = draws
        self._knowledge = knowledge
        self._shape = (len(chosen), draws.count)
        self._spreads: dict[tuple[str, str], Array] = {}
        self._load_ohm = self._spread("load_ohm", "load") * (draws.emf_v / 13.0)
        self._open = self._spread("open_ohm", "open")
        self._short = self._spread("short_ohm", "short")
        self._leak = self._spread("leak_ohm", "short")
        self._fault = self._spread("fault", "fault") * self._load_ohm
        self._second = self._spread("fault", "second fault") * self._load_ohm
        self._values: dict[str, Any] = {}

    def built(self) -> Circuits:
        self._healthy()
        self._switches()
        self._drivers()
        for row, hypothesis in enumerate(self._chosen):
            self._condition(row, hypothesis)
            self._put(row, hypothesis.fault, self._fault)
            if hypothesis.second is not None:
                self._put(row, hypothesis.second, self._second)
        made = Circuits(**{name: self._values[name] for name in _circuit_fields()})
        self._blow_fuses(made)
        return made

    def _spread(self, name: str, dial: str) -> Array:
        if (name, dial) not in self._spreads:
            s: Spread = self._knowledge.spread[name]
            self._spreads[name, dial] = s.median * np.exp(np.log(s.factor) * self._draws.dials[dial])
        return self._spreads[name, dial]

    def _contact(self, dial: str) -> Array:
        """A healthy contact or wire: a share of the load's ohms, but for small loads none thinner is made."""
        share, thinnest = self._knowledge.spread["contact"].median, self._spread("contact_ohm", dial)
        return thinnest / (1.0 + self._knowledge.spread["contact_ohm"].median / (share * self._load_ohm))

    def _full(self, values: npt.NDArray[Any] | float, kind: type = np.float64) -> npt.NDArray[Any]:
        return np.array(np.broadcast_to(values, self._shape), dtype=kind)

    def _is(self, choice: str, kind: str) -> npt.NDArray[np.bool_]:
        code = list(self._knowledge.choices[choice]).index(kind)
        mask: npt.NDArray[np.bool_] = self._draws.choices[choice] == code
        return mask

    def _rows(self, *sides: str) -> npt.NDArray[np.intp]:
        return np.flatnonzero([h.side in sides for h in self._chosen])

    def _healthy(self) -> None:
        d, v = self._draws, self._values
        v["emf"] = d.emf_v
        v["moved"] = np.where(self._is("source", "moved"), self._spread("source_moved", "source_moved"), 1.0)
        for name in ("fuse", "feed", "high_wire", "pin", "low_wire", "ground_wire", "ground_point"):
            dial = "contact " + name.replace("high_", "high ").replace("low_", "low ").replace(
                "ground_", "ground "
            )
            v[name] = self._full(self._contact(dial))
        led, filament = self._is("load", "LED string"), self._is("load", "filament")
        self._led_v = np.where(led, np.minimum(self._spread("led_forward", "led"), 0.93) * d.emf_v, 0.0)
        self._amperes = d.emf_v / self._load_ohm
        v["led_v"], v["led_a"] = self._full(self._led_v), self._amperes
        series = np.where(led, self._amperes / np.maximum(d.emf_v - self._led_v, 0.1), 1.0 / self._load_ohm)
        v["load_s"] = self._full(np.where(filament, 1e3 / self._load_ohm, series))
        v["filament_s"] = self._full(np.where(filament, 1.0 / self._load_ohm, 0.0))
        for name in ("short_feed", "high_ground", "high_power", "low_ground", "low_power"):
            v[name] = self._full(0.0)
        v["neighbour_feed"], v["neighbour_ground"] = self._full(0.0), self._full(0.0)
        v["keyed"] = self._full(self._is("key", "through"), np.bool_)
        v["asleep"] = self._full(False, np.bool_)
        v["tip_feed"], v["tip_ground"] = self._full(0.1), self._full(0.1)
        v["reference"] = self._full(0.01)
        v["duty"] = self._full(1.0)
        v["light_led"] = self._is("test_light", "LED")
        nominal = d.emf_v / 1.055
        v["system_v"] = nominal
        low = np.array([[h.side == "low"] for h in self._chosen])
        v["switch_low"] = self._full(low, np.bool_)
        v["fuse_a"] = self._spread("fuse_a", "fuse") * 12.0 / nominal
        v["bias_ohm"] = np.full_like(d.emf_v, self._knowledge.spread["bias_ohm"].median)

    def _switches(self) -> None:
        closed = self._contact("contact switch")
        gap = 1.0 / NOTHING_S
        off = self._open
        v = self._values
        for branch in ("high", "low", "cross_high", "cross_low"):
            wire = closed if branch in ("high", "low") else gap
            for state in ("off", "on", "other"):
                v[f"{branch}_{state}"] = self._full(wire)
        low, high = self._rows("low", "both ends"), self._rows("high", "both ends")
        v["low_off"][low] = _of(off, low)
        v["high_off"][high] = _of(off, high)
        plain = self._rows("low", "unswitched")
        for state in ("off", "on", "other"):
            v[f"high_{state}"][plain] = 1e-3
        plain = self._rows("high", "unswitched")
        for state in ("off", "on", "other"):
            v[f"low_{state}"][plain] = 1e-3
        bridges = self._rows("reversing")
        to_ground, to_source = self._is("bridge_rest", "ground"), self._is("bridge_rest", "source")
        v["high_off"][bridges] = v["cross_high_off"][bridges] = _of(np.where(to_source, closed, off), bridges)
        v["low_off"][bridges] = v["cross_low_off"][bridges] = _of(np.where(to_ground, closed, off), bridges)
        v["cross_high_on"][bridges] = v["cross_low_on"][bridges] = _of(off, bridges)
        v["high_other"][bridges] = v["low_other"][bridges] = _of(off, bridges)
        v["cross_high_other"][bridges] = v["cross_low_other"][bridges] = _of(closed, bridges)

    def _drivers(self) -> None:
        """Electronic drivers: what they let through while off, and what some hold when on."""
        v = self._values
        electronic = ~self._is("switch", "contact")
        current = 1.0 / self._spread("test_current_ohm", "test_current")
        low, high = self._rows("low", "both ends"), self._rows("high", "both ends")
        for name in ("up", "down", "logic"):
            some = np.where(electronic & self._is("test_current", name), current, 0.0)
            v[f"high_{name}"], v[f"low_{name}"] = self._full(0.0), self._full(0.0)
            v[f"high_{name}"][high] = _of(some, high)
            v[f"low_{name}"][low] = _of(some, low)
        saturated = self._is("switch", "saturated")
        v["saturation_v"] = np.where(saturated, self._spread("saturation_v", "saturation"), 0.0)
        v["saturation_a"] = self._amperes
        v["high_saturated"], v["low_saturated"] = self._full(False, np.bool_), self._full(False, np.bool_)
        v["high_saturated"][high] = _of(saturated, high)
        v["low_saturated"][low] = _of(saturated, low)

    def _condition(self, row: int, h: Hypothesis) -> None:
        v = self._values
        if h.condition == "asleep":
            v["keyed"][row] = v["asleep"][row] = True
        elif h.condition == "averaged":
            low, high = self._knowledge.duty
            v["duty"][row] = _of(low + (high - low) * _share(self._draws.dials["duty"]), row)
        elif h.condition == "stepped":
            step = self._spread("step", "step") * self._load_ohm
            branch = "low" if h.side == "low" else "high"
            v[f"{branch}_on"][row] += _of(step, row)
            if h.side == "reversing":
                v["cross_high_other"][row] += _of(step, row)
        elif h.condition == "shared feed":
            v["neighbour_feed"][row] = _of(self._neighbour(), row)
        elif h.condition == "shared ground":
            v["neighbour_ground"][row] = _of(self._neighbour(), row)
            v["ground_point"][row] = _of(self._spread("shared_contact_ohm", "shared_contact"), row)

    def _neighbour(self) -> Array:
        """Its conductance, S."""
        lit = 1.0 / self._spread("neighbour_ohm", "neighbour")
        found: Array = np.where(self._is("neighbour", "lit"), lit, 0.0) * (13.0 / self._draws.emf_v)
        return found

    def _put(self, row: int, fault: Fault, bad: Array) -> None:
        kind = fault.fault
        if kind == "open":
            self._series(row, fault, self._open, replace=True)
        elif kind == "high resistance":
            self._series(row, fault, bad, replace=False)
        elif kind == "stuck on" or kind == "stuck off":
            self._stuck(row, fault)
        elif fault.leaking:
            self._leaking(row, fault)
        elif kind in SHORTS:
            self._shorted(row, fault)
        elif kind == "lost":
            name = "reference" if fault.place == "reference lead" else f"tip_{fault.pin}"
            self._values[name][row] = 1.0 / NOTHING_S

    def _series(self, row: int, fault: Fault, ohm: Array, replace: bool) -> None:
        for name in self._branches(row, fault):
            if name == "load":
                self._values["load_s"][row] = _of(1.0 / ohm, row)
            elif replace:
                self._values[name][row] = _of(ohm, row)
            else:
                self._values[name][row] += _of(ohm, row)
        saturated = {"high_on": "high_saturated", "low_on": "low_saturated"}
        for name in self._branches(row, fault):
            if name in saturated:  # a worn contact is no transistor
                self._values[saturated[name]][row] = False

    def _branches(self, row: int, fault: Fault) -> tuple[str, ...]:
        """The resistances in series that a place stands for."""
        side, place, pin = self._chosen[row].side, fault.place, fault.pin
        high = side == "high" or pin == "feed"
        if place == "control wire":
            return ("high_wire",) if high else ("low_wire",)
        if place == "switch":
            if side == "reversing":
                return ("high_on", "cross_low_other") if high else ("low_on", "cross_high_other")
            return ("high_on", "high_other") if high else ("low_on", "low_other")
        if place == "ground wire":
            return ("low_wire",) if side in ("high", "unswitched") else ("ground_wire",)
        names = {"fuse": "fuse", "feed wire": "feed", "connector pin": "pin", "load": "load"}
        return (names.get(str(place), "ground_point"),)

    def _stuck(self, row: int, fault: Fault) -> None:
        v, side = self._values, self._chosen[row].side
        high = side == "high" or fault.pin == "feed"
        if side == "reversing":
            self._stuck_bridge(row, fault, high)
            return
        branch = "high" if high else "low"
        v[f"{branch}_saturated"][row] = False
        if fault.fault == "stuck on":
            v[f"{branch}_off"][row] = v[f"{branch}_on"][row]
        else:
            v[f"{branch}_on"][row] = v[f"{branch}_other"][row] = v[f"{branch}_off"][row]

    def _stuck_bridge(self, row: int, fault: Fault, high: bool) -> None:
        """Stuck off: it rests whatever is asked. Stuck on: one output stays at source."""
        v = self._values
        if fault.fault == "stuck off":
            for name in ("high", "low", "cross_high", "cross_low"):
                for state in ("on", "other"):
                    v[f"{name}_{state}"][row] = v[f"{name}_off"][row]
            return
        closed = v["high_on"][row].copy()
        up, down = ("high", "cross_low") if high else ("cross_high", "low")
        for state in ("off", "on", "other"):
            v[f"{up}_{state}"][row] = closed
            v[f"{down}_{state}"][row] = _of(self._open, row)

    def _shorted(self, row: int, fault: Fault) -> None:
        v, side = self._values, self._chosen[row].side
        high = side == "high" or fault.pin == "feed"
        short = _of(1.0 / self._short, row)
        if fault.fault == "load shorted":
            v["load_s"][row] = short
            v["filament_s"][row] = 0.0
            v["led_v"][row] = 0.0
        elif fault.place == "feed wire":
            v["short_feed"][row] = short
        else:
            end = "ground" if fault.fault == "short to ground" else "power"
            v[f"{'high' if high else 'low'}_{end}"][row] = short
            if end == "power":
                self._unfused(row, "cross_low" if high else "low")

    def _leaking(self, row: int, fault: Fault) -> None:
        """Past the switch while it is open, or from the control wire to a battery post."""
        v, wire = self._values, self._chosen[row].side
        leak = _of(1.0 / self._leak, row)
        if fault.place == "switch":
            v[f"{wire}_off"][row] = 1.0 / (1.0 / v[f"{wire}_off"][row] + leak)
        else:
            v[f"{wire}_{'ground' if fault.fault == 'short to ground' else 'power'}"][row] = leak

    def _unfused(self, row: int, branch: str) -> None:
        """No fuse ends a short to power through a switch to ground: its driver does, or it burns."""
        for state in ("off", "on", "other"):
            values = self._values[f"{branch}_{state}"]
            values[row] = np.maximum(values[row], RETRY * _of(self._load_ohm, row))
        if branch == "low":
            self._values["low_saturated"][row] = False

    def _blow_fuses(self, made: Circuits) -> None:
        rows = np.flatnonzero([h.fault.fault in SHORTS and not h.fault.leaking for h in self._chosen])
        if not len(rows):
            return
        sides = [self._chosen[row].side for row in rows]
        electronic = np.broadcast_to(~self._is("switch", "contact"), self._shape)[rows]
        limited = RETRY * np.broadcast_to(self._load_ohm, self._shape)[rows]
        blow_fuses(made, Shorted(rows, sides, electronic, limited, self._full(self._open)[rows]))


def _of(values: npt.NDArray[Any], rows: Any) -> npt.NDArray[Any]:
    """The draws of one explanation, or of some; draws may be shared by all."""
    chosen: npt.NDArray[Any] = values[rows] if values.shape[0] > 1 else values[0]
    return chosen


def _share(dial: Array) -> Array:
    """A standard normal number as a share of 1, to 0.01 (a logistic curve)."""
    share: Array = 1.0 / (1.0 + np.exp(-1.702 * dial))
    return share
