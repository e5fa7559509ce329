"""The circuit that each explanation is: healthy ones of its side, with its fault put in."""

from __future__ import annotations

from dataclasses import fields
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from daq.circuit import NOTHING_S, Circuits
from daq.hypotheses import SEIZED, Fault, Hypothesis
from daq.knowledge import Knowledge, Spread
from daq.short_circuits import BLOWN, Shorted, blow_fuses
from daq.unknowns import Array, Draws

RETRY = 40.0  # a protected driver's mean resistance into a short, of the load's
MOST_WORN = 0.6  # what a seized load does of its work, evenly from nothing to this: dead, or weak
PLAIN_OHM = 1e-3  # of what is no switch
NONE, ALWAYS, GAP = np.zeros((1, 1)), np.ones((1, 1)), np.full((1, 1), 1.0 / NOTHING_S)
NEVER = np.zeros((1, 1), dtype=np.bool_)
TIP, REFERENCE = np.full((1, 1), 0.1), np.full((1, 1), 0.01)  # ohm, of good leads
Rows = int | npt.NDArray[np.intp]
STATES = ("off", "on", "other")
SHORTS = ("short to ground", "short to power", "load shorted")


@cache
def _circuit_fields() -> tuple[str, ...]:
    return tuple(f.name for f in fields(Circuits))


def circuits(
    chosen: tuple[Hypothesis, ...], draws: Draws, knowledge: Knowledge, fuses_as_first: bool = False
) -> Circuits:
    """The circuits of these explanations, one row each, with the draws as columns.

    `fuses_as_first`: what a short does to fuse and driver is as in the first draw.
    """
    return _Builder(chosen, draws, knowledge).built(fuses_as_first)


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
        self._values: dict[str, npt.NDArray[Any]] = {}
        self._owned: set[str] = set()

    def built(self, fuses_as_first: bool) -> Circuits:
        self._healthy()
        self._switches()
        self._drivers()
        for hypothesis, rows in self._rows_of_each():
            self._condition(rows, hypothesis)
            self._put(rows, hypothesis.side, hypothesis.fault, self._fault)
            if hypothesis.second is not None:
                self._put(rows, hypothesis.side, hypothesis.second, self._second)
        shorted = np.flatnonzero([h.fault.fault in SHORTS and not h.fault.leaking for h in self._chosen])
        for name in BLOWN if len(shorted) else ():
            self._own(name)
        made = Circuits(**{name: self._values[name] for name in _circuit_fields()})
        if len(shorted):
            self._blow_fuses(made, shorted, fuses_as_first)
        return made

    def _rows_of_each(self) -> list[tuple[Hypothesis, Rows]]:
        """Every explanation once, with its row, or all of them where it comes more than once."""
        found: dict[Hypothesis, list[int]] = {}
        for row, hypothesis in enumerate(self._chosen):
            found.setdefault(hypothesis, []).append(row)
        return [(h, rows[0] if len(rows) == 1 else np.array(rows)) for h, rows in found.items()]

    def _spread(self, name: str, dial: str) -> Array:
        if (name, dial) not in self._spreads:
            s: Spread = self._knowledge.spread[name]
            self._spreads[name, dial] = s.median * np.exp(np.log(s.factor) * self._draws.dials[dial])
        return self._spreads[name, dial]

    def _contact(self, dial: str) -> Array:
        """A healthy contact or wire: a share of the load's ohms, but for small loads none thinner is made."""
        share, thinnest = self._knowledge.spread["contact"].median, self._spread("contact_ohm", dial)
        return thinnest / (1.0 + self._knowledge.spread["contact_ohm"].median / (share * self._load_ohm))

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
            v[name] = self._contact("contact " + name.replace("_", " "))
        led, filament = self._is("load", "LED string"), self._is("load", "filament")
        self._led_v = np.where(led, np.minimum(self._spread("led_forward", "led"), 0.93) * d.emf_v, 0.0)
        self._amperes = d.emf_v / self._load_ohm
        v["led_v"], v["led_a"] = self._led_v, self._amperes
        series = np.where(led, self._amperes / np.maximum(d.emf_v - self._led_v, 0.1), 1.0 / self._load_ohm)
        v["load_s"] = np.where(filament, 1e3 / self._load_ohm, series)
        v["filament_s"] = np.where(filament, 1.0 / self._load_ohm, 0.0)
        v["load_does"], v["weak_on_purpose"] = ALWAYS, NEVER
        for name in ("short_feed", "high_ground", "high_power", "low_ground", "low_power"):
            v[name] = NONE
        v["neighbour_feed"], v["neighbour_ground"] = NONE, NONE
        v["keyed"], v["asleep"] = self._is("key", "through"), NEVER
        v["tip_feed"], v["tip_ground"] = TIP, TIP
        v["reference"] = REFERENCE
        v["duty"] = ALWAYS
        v["light_led"] = self._is("test_light", "LED")
        nominal = d.emf_v / 1.055
        v["system_v"] = nominal
        v["switch_low"] = np.array([[h.side == "low"] for h in self._chosen])
        v["fuse_a"] = self._spread("fuse_a", "fuse") * 12.0 / nominal
        v["bias_ohm"] = np.full((1, 1), self._knowledge.spread["bias_ohm"].median)

    def _switches(self) -> None:
        closed, off = self._contact("contact switch"), self._open
        for branch in ("high", "low"):
            for state in STATES:
                self._values[f"{branch}_{state}"] = closed
                self._values[f"cross_{branch}_{state}"] = GAP
        self._set("low_off", self._rows("low", "both ends"), off)
        self._set("high_off", self._rows("high", "both ends"), off)
        for state in STATES:
            self._set(f"high_{state}", self._rows("low", "unswitched"), PLAIN_OHM)
            self._set(f"low_{state}", self._rows("high", "unswitched"), PLAIN_OHM)
        bridges = self._rows("reversing")
        to_ground, to_source = self._is("bridge_rest", "ground"), self._is("bridge_rest", "source")
        for name in ("high_off", "cross_high_off"):
            self._set(name, bridges, np.where(to_source, closed, off))
        for name in ("low_off", "cross_low_off"):
            self._set(name, bridges, np.where(to_ground, closed, off))
        for name in ("cross_high_on", "cross_low_on", "high_other", "low_other"):
            self._set(name, bridges, off)
        for name in ("cross_high_other", "cross_low_other"):
            self._set(name, bridges, closed)

    def _drivers(self) -> None:
        """Electronic drivers: what they let through while off, and what some hold when on."""
        v = self._values
        electronic = ~self._is("switch", "contact")
        current = 1.0 / self._spread("test_current_ohm", "test_current")
        saturated = self._is("switch", "saturated")
        v["saturation_v"] = np.where(saturated, self._spread("saturation_v", "saturation"), 0.0)
        v["saturation_a"] = self._amperes
        for branch in ("high", "low"):
            mine = self._rows(branch, "both ends")
            for name in ("up", "down", "logic"):
                v[f"{branch}_{name}"] = NONE
                some = electronic & self._is("test_current", name)
                self._set(f"{branch}_{name}", mine, np.where(some, current, 0.0))
            v[f"{branch}_saturated"] = NEVER
            self._set(f"{branch}_saturated", mine, saturated)

    def _condition(self, rows: Rows, h: Hypothesis) -> None:
        if h.condition == "asleep":
            self._set("keyed", rows, True)
            self._set("asleep", rows, True)
        elif h.condition == SEIZED:
            self._set("load_does", rows, MOST_WORN * _share(self._draws.dials["fault"]))
        elif h.condition == "averaged":
            self._set("weak_on_purpose", rows, True)
            low, high = self._knowledge.duty
            self._set("duty", rows, low + (high - low) * _share(self._draws.dials["duty"]))
        elif h.condition == "stepped":
            self._set("weak_on_purpose", rows, True)
            step = self._spread("step", "step") * self._load_ohm
            self._add("low_on" if h.side == "low" else "high_on", rows, step)
            if h.side == "reversing":
                self._add("cross_high_other", rows, step)
        elif h.condition == "shared feed":
            self._set("neighbour_feed", rows, self._neighbour())
        elif h.condition == "shared ground":
            self._set("neighbour_ground", rows, self._neighbour())
            self._set("ground_point", rows, self._spread("shared_contact_ohm", "shared_contact"))

    def _neighbour(self) -> Array:
        """Its conductance, S."""
        lit = 1.0 / self._spread("neighbour_ohm", "neighbour")
        found: Array = np.where(self._is("neighbour", "lit"), lit, 0.0) * (13.0 / self._draws.emf_v)
        return found

    def _put(self, rows: Rows, side: str, fault: Fault, bad: Array) -> None:
        kind = fault.fault
        if kind == "open":
            self._series(rows, side, fault, self._open, replace=True)
        elif kind == "high resistance":
            self._series(rows, side, fault, bad, replace=False)
        elif kind == "stuck on" or kind == "stuck off":
            self._stuck(rows, side, fault)
        elif fault.leaking:
            self._leaking(rows, side, fault)
        elif kind in SHORTS:
            self._shorted(rows, side, fault)
        elif kind == "lost":
            name = "reference" if fault.place == "reference lead" else f"tip_{fault.pin}"
            self._set(name, rows, 1.0 / NOTHING_S)

    def _series(self, rows: Rows, side: str, fault: Fault, ohm: Array, replace: bool) -> None:
        for name in _branches(side, fault):
            if name == "load":
                self._set("load_s", rows, 1.0 / ohm)
                self._set("load_does", rows, 0.0)
            elif replace:
                self._set(name, rows, ohm)
            else:
                self._add(name, rows, ohm)
        saturated = {"high_on": "high_saturated", "low_on": "low_saturated"}
        for name in _branches(side, fault):
            if name in saturated:  # a worn contact is no transistor
                self._set(saturated[name], rows, False)

    def _stuck(self, rows: Rows, side: str, fault: Fault) -> None:
        high = side == "high" or fault.pin == "feed"
        if side == "reversing":
            self._stuck_bridge(rows, fault, high)
            return
        v, branch = self._values, "high" if high else "low"
        self._set(f"{branch}_saturated", rows, False)
        if fault.fault == "stuck on":
            self._set(f"{branch}_off", rows, v[f"{branch}_on"])
        else:
            self._set(f"{branch}_other", rows, v[f"{branch}_off"])
            self._set(f"{branch}_on", rows, v[f"{branch}_off"])

    def _stuck_bridge(self, rows: Rows, fault: Fault, high: bool) -> None:
        """Stuck off: it rests whatever is asked, or one way. Stuck on: one output stays at source."""
        v = self._values
        if fault.fault == "stuck off":
            dead = {None: ("on", "other"), "feed": ("on",), "ground": ("other",)}[fault.pin]
            for name in ("high", "low", "cross_high", "cross_low"):
                for state in dead:
                    self._set(f"{name}_{state}", rows, v[f"{name}_off"])
            return
        closed = v["high_on"].copy()
        up, down = ("high", "cross_low") if high else ("cross_high", "low")
        for state in STATES:
            self._set(f"{up}_{state}", rows, closed)
            self._set(f"{down}_{state}", rows, self._open)

    def _shorted(self, rows: Rows, side: str, fault: Fault) -> None:
        high, short = side == "high" or fault.pin == "feed", 1.0 / self._short
        if fault.fault == "load shorted":
            self._set("load_does", rows, 0.0)
            self._set("load_s", rows, short)
            self._set("filament_s", rows, 0.0)
            self._set("led_v", rows, 0.0)
        elif fault.place == "feed wire":
            self._set("short_feed", rows, short)
        else:
            end = "ground" if fault.fault == "short to ground" else "power"
            self._set(f"{'high' if high else 'low'}_{end}", rows, short)
            if end == "power":
                self._unfused(rows, "cross_low" if high else "low")

    def _leaking(self, rows: Rows, side: str, fault: Fault) -> None:
        """Past the switch while it is open, or from the control wire to a battery post."""
        if fault.place == "switch":
            self._set(f"{side}_off", rows, 1.0 / (1.0 / self._values[f"{side}_off"] + 1.0 / self._leak))
        else:
            end = "ground" if fault.fault == "short to ground" else "power"
            self._set(f"{side}_{end}", rows, 1.0 / self._leak)

    def _unfused(self, rows: Rows, branch: str) -> None:
        """No fuse ends a short to power through a switch to ground: its driver does, or it burns."""
        for state in STATES:
            name = f"{branch}_{state}"
            self._set(name, rows, np.maximum(self._values[name], RETRY * self._load_ohm))
        if branch == "low":
            self._set("low_saturated", rows, False)

    def _set(self, name: str, rows: Rows, values: npt.NDArray[Any] | float) -> None:
        """Of these explanations; `values` are of all."""
        if np.size(rows):
            self._own(name)[rows] = _of(values, rows) if isinstance(values, np.ndarray) else values

    def _add(self, name: str, rows: Rows, values: Array) -> None:
        self._own(name)[rows] += _of(values, rows)

    def _own(self, name: str) -> npt.NDArray[Any]:
        """One array for every explanation, which nothing else has: most quantities are alike in all."""
        if name not in self._owned:
            self._values[name] = np.array(np.broadcast_to(self._values[name], self._shape))
            self._owned.add(name)
        found: npt.NDArray[Any] = self._values[name]
        return found

    def _blow_fuses(self, made: Circuits, rows: npt.NDArray[np.intp], as_first: bool) -> None:
        sides = [self._chosen[row].side for row in rows]
        electronic = np.broadcast_to(~self._is("switch", "contact"), self._shape)[rows]
        limited = RETRY * np.broadcast_to(self._load_ohm, self._shape)[rows]
        opened = np.broadcast_to(self._open, self._shape)[rows]
        blow_fuses(made, Shorted(rows, sides, electronic, limited, opened), as_first)


def _branches(side: str, fault: Fault) -> tuple[str, ...]:
    """The resistances in series that a place stands for."""
    place, pin = fault.place, fault.pin
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


def _of(values: npt.NDArray[Any], rows: Any) -> npt.NDArray[Any]:
    """The draws of one explanation, or of some; draws may be shared by all."""
    chosen: npt.NDArray[Any] = values[rows] if values.shape[0] > 1 else values[0]
    return chosen


def _share(dial: Array) -> Array:
    """A standard normal number as a share of 1, to 0.01 (a logistic curve)."""
    share: Array = 1.0 / (1.0 + np.exp(-1.702 * dial))
    return share
