"""Where everything stands on the drawing, in units of 10 pixels: symbols, wires, names of nets.

The values come from parts.toml; here is geometry alone. `connected` reads the drawing back as a list of nets,
so that a wire that misses its pin is found by comparing with parts.toml. "#" is a lead's number.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from itertools import pairwise

from tests.board.parts import Design, Part

Point = tuple[float, float]

# Pins of each symbol, in units from its centre. `h` lies, `v` stands; "r" turns it round.
LYING: dict[str, Point] = {"1": (-2, 0), "2": (2, 0)}
STANDING: dict[str, Point] = {"1": (0, -2), "2": (0, 2)}
SHAPES: dict[str, dict[str, Point]] = {
    "h": LYING,
    "v": STANDING,
    "hr": {"1": (2, 0), "2": (-2, 0)},
    "vr": {"1": (0, 2), "2": (0, -2)},
    "clip": {"tip": (2, 0)},
    "npn": {"C": (0, -2), "E": (0, 2), "B": (-4, 0)},
    "pnp": {"E": (0, -2), "C": (0, 2), "B": (-4, 0)},
    "amplifier": {"PLUS#": (-4, -2), "MINUS#": (-4, 2), "OUT#": (4, 0)},
    "pole A": {"A": (-2, 0), "A-near": (2, 0)},
    "pole B": {"B": (-2, 0), "B-near": (2, 0)},
    "gate 1": {"1": (-3, 0), "2": (3, 0)},
    "gate 2": {"3": (-3, 0), "4": (3, 0)},
    "U1 supply": {"8": (0, -2), "4": (0, 2)},
    "U2 supply": {"14": (0, -4), "5": (-4, 4), "7": (-2, 4), "9": (0, 4), "11": (2, 4), "13": (4, 4)},
    "board": {
        **{pin: (8, n * 2 - 8) for n, pin in enumerate(("PC0", "PD2", "PD3", "PD4", "PB0"))},
        **{pin: (8, n * 2 + 2) for n, pin in enumerate(("PC1", "PD5", "PD6", "PD7", "PB1"))},
        "5V": (0, -12),
        "GND": (0, 12),
    },
}  # fmt: skip


@dataclass(frozen=True)
class Placed:
    """A symbol: `ref` as in parts.toml with its "#", centre, shape."""

    ref: str
    x: float
    y: float
    shape: str

    def pins(self) -> dict[str, Point]:
        return {pin: (self.x + dx, self.y + dy) for pin, (dx, dy) in SHAPES[self.shape].items()}


# "ref x y shape", one symbol a line.
SYMBOLS = """
J#01 6 10 clip | F#01 10 10 h | R#01 16 10 h | R#02 24 10 h | R#03 30 10 h | R#04 36 10 h
R#05 42 14 v | C#01 48 14 v | D#02 54 14 vr | D#01 54 6 vr | R#07 42 6 v | R#06 42 0 v
R#11 60 10 h | U1 70 12 amplifier | R#15 82 12 h | C#03 88 16 v
R#12 70 22 h | C#02 70 27 h | S#01 70 33 pole A | R#13 80 29 v | R#14 80 37 v | S#01 70 42 pole B
R#08 20 14 v | R#09 20 20 v | R#10 20 26 v
R#16 8 72 h | R#17 14 72 h | R#18 20 72 h | Z#01 26 76 v
Q#01 36 50 pnp | R#19 28 46 v | R#20 28 54 v | Q#02 28 60 npn | R#21 20 60 h | R#22 16 64 v
D#03 36 66 v | D#06 42 54 vr
Q#03 66 50 pnp | R#24 58 46 v | R#25 58 54 v | Q#04 58 60 npn | R#26 50 60 h | R#27 46 64 v
R#23 66 57 v | D#04 66 66 v
D#05 86 76 v | Q#05 86 84 npn | R#28 78 84 h | R#29 73 88 v | D#07 92 84 vr
J3 6 104 clip | F3 10 104 h | R1 16 104 h
R3 28 106 v | C4 34 106 v | C5 40 106 v | C6 46 106 v | U1 54 106 U1 supply | U2 64 106 U2 supply
U2 11 122 gate 1 | R2 11 117 hr | C1 6 126 v | U2 21 122 gate 2
C2 30 122 h | D1 36 126 v | D2 42 122 hr | C3 48 126 vr
A1 84 112 board
"""

# Each wire is a list of points.
WIRES = """
12 10, 14 10 | 18 10, 22 10 | 26 10, 28 10 | 32 10, 34 10 | 38 10, 42 10, 48 10, 54 10, 58 10 | 42 2, 42 4
42 8, 42 10, 42 12 | 48 10, 48 12 | 54 8, 54 10, 54 12 | 62 10, 66 10 | 74 12, 80 12
84 12, 92 12 | 88 12, 88 14
66 14, 64 14, 64 33, 68 33 | 64 22, 68 22 | 64 27, 68 27 | 72 22, 76 22 | 72 27, 76 27, 76 12
72 33, 80 33 | 80 31, 80 33, 80 35 | 64 42, 68 42
20 10, 20 12 | 20 16, 20 18 | 20 22, 20 24
4 72, 6 72 | 10 72, 12 72 | 16 72, 18 72 | 22 72, 86 72 | 26 72, 26 74
36 52, 36 64 | 36 68, 36 72 | 32 50, 28 50 | 28 48, 28 52 | 28 56, 28 58 | 22 60, 24 60 | 12 60, 18 60
16 60, 16 62 | 42 56, 42 58, 36 58
66 52, 66 55 | 66 59, 66 64 | 66 68, 66 72 | 62 50, 58 50 | 58 48, 58 52 | 58 56, 58 58 | 52 60, 54 60
42 60, 48 60 | 46 60, 46 62
86 72, 86 74 | 86 78, 86 82 | 92 82, 92 80, 86 80 | 80 84, 82 84 | 70 84, 76 84 | 73 84, 73 86
12 104, 14 104
14 122, 18 122 | 6 122, 8 122 | 6 117, 6 124 | 6 117, 9 117 | 13 117, 16 117, 16 122
24 122, 28 122 | 32 122, 40 122 | 36 122, 36 124 | 44 122, 52 122 | 48 122, 48 124
60 110, 68 110
"""

# Names of nets where they stand: "net x y".
NAMES = """
GND 42 16 | GND 48 16 | GND 54 16 | V5 54 4 | V5 42 -2 | GND 88 18 | ADC# 92 12 | V5 80 27 | GND 80 39
GND 72 42 | STRAP# 64 42 | NEG 20 28 | IN# 20 10 | IN# 4 72 | GND 26 78 | V5 36 48 | V5 28 44 | GND 28 62
UP# 12 60 | GND 16 66 | V5 42 52 | V5 66 48 | V5 58 44 | GND 58 62 | WHISPER# 42 60 | GND 46 66
GND 86 86 | DOWN# 70 84 | GND 73 90 | GND 92 86
GND 18 104 | V5 28 104 | GND 28 108 | V5 34 104 | GND 34 108 | V5 40 104 | GND 40 108 | V5 46 104
GND 46 108 | V5 54 104 | GND 54 108 | V5 64 102 | GND 64 110 | GND 6 128 | GND 36 128 | GND 48 128
NEG 52 122
ADC1 92 104 | WHISPER1 92 106 | UP1 92 108 | DOWN1 92 110 | STRAP1 92 112
ADC2 92 114 | WHISPER2 92 116 | UP2 92 118 | DOWN2 92 120 | STRAP2 92 122 | V5 84 100 | GND 84 124
"""


def _entries(text: str) -> list[list[str]]:
    return [entry.split() for row in text.strip().splitlines() for entry in row.split("|")]


def symbols() -> list[Placed]:
    return [Placed(e[0], float(e[1]), float(e[2]), " ".join(e[3:])) for e in _entries(SYMBOLS)]


def wires() -> list[list[Point]]:
    rows = [entry for row in WIRES.strip().splitlines() for entry in row.split("|")]
    return [[_point(p) for p in entry.split(",")] for entry in rows]


def _point(text: str) -> Point:
    x, y = text.split()
    return float(x), float(y)


def names() -> list[tuple[str, Point]]:
    return [(e[0], (float(e[1]), float(e[2]))) for e in _entries(NAMES)]


def of_lead(text: str, lead: int = 1) -> str:
    return text.replace("#", str(lead))


def pin_of(placed: Placed, pin: str, part: Part) -> str:
    """The part's own pin: the amplifier's are told by their nets, as they differ between the leads."""
    if placed.shape != "amplifier":
        return pin
    return next(own for own, net in part.pins.items() if net == of_lead(pin))


def connected(plan: Design) -> list[tuple[set[tuple[str, str]], set[str]]]:
    """What the drawing joins, read from its geometry: per group, (part, pin) and the names on it."""
    marks: list[tuple[Point, tuple[str, str] | str]] = []
    for placed in symbols():
        part = plan.parts[of_lead(placed.ref)]
        marks += [(at, (part.ref, pin_of(placed, pin, part))) for pin, at in placed.pins().items()]
    marks += [(at, of_lead(net)) for net, at in names()]
    group = {at: at for at, _ in marks} | {p: p for wire in wires() for p in wire}

    def root(p: Point) -> Point:
        while group[p] != p:
            p = group[p]
        return p

    for wire in wires():
        for a, b in pairwise(wire):
            for p in list(group):
                if _on(p, a, b):
                    group[root(p)] = root(a)
    pins: dict[Point, set[tuple[str, str]]] = defaultdict(set)
    named: dict[Point, set[str]] = defaultdict(set)
    for at, mark in marks:
        if isinstance(mark, str):
            named[root(at)].add(mark)
        else:
            pins[root(at)].add(mark)
    return [(pins[at], named[at]) for at in {*pins, *named}]


def _on(p: Point, a: Point, b: Point) -> bool:
    """Whether p lies on the upright or level wire from a to b."""
    within = min(a[0], b[0]) <= p[0] <= max(a[0], b[0]) and min(a[1], b[1]) <= p[1] <= max(a[1], b[1])
    return within and (a[0] == b[0] or a[1] == b[1])
