"""What both leads show while a contact opens for a moment, from ngspice, behind the front end.

The load is on. The source is 1 V and everything is linear but a diode across the coil, scaled likewise; so
the curves are parts of the source. A contact in the feed or in the ground wire opens to a resistance that
leaves at least `depth` of the load voltage missing (1: to 10 Mohm).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from tests.physics.spice import Transient, UnsolvedError, transients

Array = npt.NDArray[np.float64]

LOADS = {
    "lamp": "Rload a b 6\n",
    "relay": "Rload a c 90\nLload c b 0.3\nDclamp b a clamp\n",
}
DEPTHS = (0.5, 0.75, 1.0)
BEFORE_S, AFTER_S = 0.002, 0.020
FINE_HZ = 100_000.0
LOAD_OHM = {"lamp": 6.0, "relay": 90.0}
WIRE = {"lamp": (0.05, 0.06), "relay": (0.5, 0.8)}  # feed and ground, ohm
# 0.7 V of a diode on 13.8 V, as a part of the source: is x n
FRONT_END = (  # of each lead: 1.1 Mohm, and a low-pass of 1 kHz
    "Ra a 0 1.1meg\nRb b 0 1.1meg\n"
    "Ea fa 0 a 0 1\nRfa fa pa 10k\nCfa pa 0 15.9n\n"
    "Eb fb 0 b 0 1\nRfb fb pb 10k\nCfb pb 0 15.9n"
)
DIODE = ".model clamp D(is=1e-9 n=0.1)\n"


@dataclass(frozen=True)
class Shape:
    """`parts` (n, 2): of the source, on the feed's and the ground's lead, FINE_HZ, from BEFORE_S on."""

    kind: str
    depth: float
    length_s: float
    parts: Array

    def at(self, since_gap_s: Array) -> Array:
        """(n, 2) at moments counted from the gap's begin; what lies outside is as at its ends."""
        fine = np.arange(len(self.parts)) / FINE_HZ - BEFORE_S
        return np.stack([np.interp(since_gap_s, fine, self.parts[:, lead]) for lead in (0, 1)], axis=1)


def _circuit(kind: str, load: str, depth: float, length_s: float) -> Transient:
    feed, ground = WIRE[load]
    bad = 10e6 if depth >= 1 else LOAD_OHM[load] * depth / (1 - depth)
    opens, closes = BEFORE_S, BEFORE_S + length_s
    if kind == "feed dropout":
        path = f"Sgap x a gap 0 contact\nRground b 0 {ground}\n"
    else:
        path = f"Rclosed x a 1m\nSgap b y gap 0 contact\nRground y 0 {ground}\n"
    net = (
        f"Vsource s 0 1\nRfeed s x {feed}\n{path}{LOADS[load]}{DIODE}"
        f".model contact sw(vt=0.5 vh=0.1 ron=1m roff={bad})\n"
        f"Vgap gap 0 pwl(0 1 {opens} 1 {opens + 5e-6} 0 {closes} 0 {closes + 5e-6} 1)\n{FRONT_END}"
    )
    return Transient(net, closes + AFTER_S, 5e-5, ("pa", "pb"))


@cache
def shapes(lengths_ms: tuple[float, ...]) -> dict[tuple[str, str, float], list[Shape]]:
    """By load, kind of gap and its length in ms: one for each depth."""
    wanted = [
        (kind, ms, load, depth)
        for kind in ("feed dropout", "ground dropout")
        for ms in lengths_ms
        for load in LOADS
        for depth in DEPTHS
    ]
    answers = transients([_circuit(kind, load, depth, ms / 1000) for kind, ms, load, depth in wanted])
    found: dict[tuple[str, str, float], list[Shape]] = {}
    for (kind, ms, load, depth), waves in zip(wanted, answers, strict=True):
        if isinstance(waves, UnsolvedError):
            raise waves
        fine = np.arange(0, BEFORE_S + ms / 1000 + AFTER_S, 1 / FINE_HZ)
        parts = np.stack([waves.at("pa", fine), waves.at("pb", fine)], axis=1)
        found.setdefault((load, kind, ms), []).append(Shape(kind, depth, ms / 1000, parts))
    return found
