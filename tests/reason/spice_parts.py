"""The values of one circuit's parts as numbers, drawn as knowledge.toml states them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from daq.knowledge import Knowledge
from daq.unknowns import Draws


@dataclass(frozen=True)
class Parts:
    """One draw of everything, as numbers."""

    emf: float
    moved: float
    load: float
    kind: str
    led_v: float
    contact: dict[str, float]
    bad: tuple[float, float]
    short: float
    leak: float
    open: float
    neighbour: float
    lit: bool
    shared_contact: float
    switch: str
    saturation: float
    test: str
    test_ohm: float
    step: float
    fuse_a: float
    duty: float
    rest: str
    through_key: bool
    led_light: bool

    @property
    def rated(self) -> float:
        return self.emf / 1.055


def parts(draws: Draws, n: int, k: Knowledge) -> Parts:
    """Draw number `n`, from the distributions as knowledge.toml states them."""

    def drawn(name: str, dial: str) -> float:
        s = k.spread[name]
        return float(s.median * s.factor ** draws.dials[dial][0, n])

    def which(choice: str) -> str:
        return list(k.choices[choice])[int(draws.choices[choice][0, n])]

    emf = float(draws.emf_v[0, n])
    load = drawn("load_ohm", "load") * emf / 13.0
    kind = which("load")
    places = ("fuse", "feed", "high wire", "pin", "low wire", "ground wire", "ground point", "switch")
    low, high = k.duty
    return Parts(
        emf,
        drawn("source_moved", "source_moved") if which("source") == "moved" else 1.0,
        load,
        kind,
        min(drawn("led_forward", "led"), 0.93) * emf if kind == "LED string" else 0.0,
        {
            p: 1.0
            / (1.0 / (drawn("contact", f"contact {p}") * load) + 1.0 / drawn("contact_ohm", f"contact {p}"))
            for p in places
        },
        (drawn("fault", "fault") * load, drawn("fault", "second fault") * load),
        drawn("short_ohm", "short"),
        drawn("leak_ohm", "short"),
        drawn("open_ohm", "open"),
        drawn("neighbour_ohm", "neighbour") * emf / 13.0,
        which("neighbour") == "lit",
        drawn("shared_contact_ohm", "shared_contact"),
        which("switch"),
        drawn("saturation_v", "saturation"),
        which("test_current"),
        drawn("test_current_ohm", "test_current"),
        drawn("step", "step") * load,
        drawn("fuse_a", "fuse") * 12.0 / (emf / 1.055),
        low + (high - low) / (1 + math.exp(-1.702 * float(draws.dials["duty"][0, n]))),
        which("bridge_rest"),
        which("key") == "through",
        which("test_light") == "LED",
    )
