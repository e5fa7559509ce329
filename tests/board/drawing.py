"""The schematic as SVG: symbols as IEC 60617 has them, values from parts.toml."""

from __future__ import annotations

from itertools import pairwise

from tests.board.parts import Design, Part, label
from tests.board.sheet import Placed, Point, names, of_lead, symbols, wires

UNIT = 10
LEFT, TOP, WIDTH, HEIGHT = 4, 8, 104, 142  # units: margins and size of the sheet

STYLE = (
    "text{font:9px sans-serif}.net{font-weight:bold}.big{font:bold 15px sans-serif}"
    "path,circle,rect{fill:none;stroke:#000;stroke-width:1.3}.full{fill:#000}"
)

# Drawn lying, centre at 0,0, pins at -20 and 20; SVG path data.
RESISTOR = "M-20 0H-12M12 0H20M-12 -5H12V5H-12Z"
CAPACITOR = "M-20 0H-3M3 0H20M-3 -9V9M3 -9V9"
DIODE = "M-20 0H20M-6 -7V7L6 0ZM6 -7V7"
SUPPRESSOR = "M-20 0H20M-12 -7V7L0 0ZM12 -7V7L0 0ZM-3 -9L0 -7V7L3 9"
FUSE = "M-20 0H20M-12 -5H12V5H-12Z"
CONTACT = "M-20 0H-8L8 -8M10 0H20"
CLIP = "M20 0H0M0 -4L-12 0L0 4Z"
NPN = "M-40 0H-10M-10 -12V12M-10 -5L0 -13V-20M-10 5L0 13V20M0 13L-5 12M0 13L-2 8"
PNP = "M-40 0H-10M-10 -12V12M-10 -5L0 -13V-20M-10 5L0 13V20M-10 -5L-5 -6M-10 -5L-8 -10"
AMPLIFIER = "M-40 -20H-24M-40 20H-24M24 0H40M-24 -32V32L24 0ZM-21 -20H-15M-18 -23V-17M-21 20H-15"
GATE = "M-30 0H-14M18 0H30M-14 -12V12L12 0ZM12 0a3 3 0 0 1 6 0a3 3 0 0 1 -6 0M-9 4H-4V-4H1"


def svg(plan: Design) -> str:
    """The whole drawing; "#" stands for the lead's number."""
    body = [_wire(points) for points in wires()]
    body += [_dot(at) for at in _junctions()]
    for placed in symbols():
        body += _symbol(placed, plan.parts[of_lead(placed.ref)])
    body += [line for net, at in names() for line in _name(net, at)]
    body += [
        _text(0, -5, "One lead (there are two: # is 1 or 2; amplifier pins of lead 2 in brackets)", "big"),
        _text(0, 43, "Bias", "big"),
        _text(0, 97, "Once", "big"),
        _text(
            0, 132, "From parts.toml by tests/board/documents.py. CERN-OHL-P-2.0. Not yet built in copper."
        ),
    ]
    size = f'width="{WIDTH * UNIT}" height="{HEIGHT * UNIT}"'
    box = f'viewBox="{-LEFT * UNIT} {-TOP * UNIT} {WIDTH * UNIT} {HEIGHT * UNIT}"'
    head = f'<svg xmlns="http://www.w3.org/2000/svg" {size} {box}><style>{STYLE}</style>'
    corner = f'x="{-LEFT * UNIT}" y="{-TOP * UNIT}"'
    sheet = f'<rect {corner} width="100%" height="100%" style="fill:#fff;stroke:none"/>'
    return "\n".join([head, sheet, *body, "</svg>", ""])


def _at(at: Point) -> str:
    return f"{at[0] * UNIT:g} {at[1] * UNIT:g}"


def _wire(points: list[Point]) -> str:
    return f'<path d="M{" L".join(_at(p) for p in points)}"/>'


def _junctions() -> list[Point]:
    """Points where three or more wire ends, or a wire end and another wire's middle, meet."""
    ends = [p for wire in wires() for p in (wire[0], wire[-1])]
    found = []
    for p in {*ends}:
        passing = sum(_passes(p, wire) for wire in wires())
        pins = sum(p == at for placed in symbols() for at in placed.pins().values())
        if ends.count(p) + 2 * passing + pins > 2:
            found.append(p)
    return sorted(found)


def _passes(p: Point, wire: list[Point]) -> bool:
    if p in (wire[0], wire[-1]):
        return False
    for a, b in pairwise(wire):
        if min(a[0], b[0]) <= p[0] <= max(a[0], b[0]) and min(a[1], b[1]) <= p[1] <= max(a[1], b[1]):
            return True
    return False


def _dot(at: Point) -> str:
    return f'<circle class="full" cx="{at[0] * UNIT:g}" cy="{at[1] * UNIT:g}" r="2.5"/>'


def _text(x: float, y: float, words: str, kind: str = "", anchor: str = "start") -> str:
    style = f' class="{kind}"' if kind else ""
    return f'<text{style} x="{x * UNIT:g}" y="{y * UNIT:g}" text-anchor="{anchor}">{words}</text>'


def _name(net: str, at: Point) -> list[str]:
    x, y = at
    if net == "GND":
        bars = f"M{_at(at)}v6m-8 0h16m-13 3h10m-7 3h4"
        return [f'<path d="{bars}"/>']
    if net == "V5":
        return [f'<path d="M{_at(at)}v-6m-6 0h12"/>', _text(x, y - 0.9, "5 V", "net", "middle")]
    anchor = "end" if net in ("UP#", "WHISPER#", "DOWN#", "STRAP#") else "start"
    shift = -0.4 if anchor == "end" else 0.4
    down = 1.4 if net == "NEG" else (-0.5 if net == "IN#" else 0.3)
    return [_dot(at), _text(x + shift, y + down, net, "net", anchor)]


def _symbol(placed: Placed, part: Part) -> list[str]:
    x, y = placed.x, placed.y
    shape = placed.shape
    if shape in ("board", "U1 supply", "U2 supply"):
        return _box(placed, part)
    turn = {"v": 90, "hr": 180, "vr": 270}.get(shape, 0)
    drawn = (
        f'<path transform="translate({x * UNIT:g} {y * UNIT:g}) rotate({turn})" d="{_path(placed, part)}"/>'
    )
    return [drawn, *_labels(placed, part)]


def _path(placed: Placed, part: Part) -> str:
    own = {"clip": CLIP, "npn": NPN, "pnp": PNP, "amplifier": AMPLIFIER, "pole A": CONTACT, "pole B": CONTACT}
    if placed.shape in own:
        return own[placed.shape]
    if placed.shape.startswith("gate"):
        return GATE
    return {"R": RESISTOR, "C": CAPACITOR, "D": DIODE, "Z": SUPPRESSOR, "F": FUSE}[part.ref[0]]


def _labels(placed: Placed, part: Part) -> list[str]:
    x, y, ref, value = placed.x, placed.y, placed.ref, label(part)
    if part.kind.name.startswith("fuse"):
        value = f"{part.kind['ampere'] * 1000:g} mA fast"
    shape = placed.shape
    if shape == "amplifier":
        return [
            _text(x + 0.5, y - 2.2, ref),
            _text(x - 2.6, y - 2.4, "3 (5)", anchor="end"),
            _text(x - 2.6, y + 3.2, "2 (6)", anchor="end"),
            _text(x + 3, y + 1.4, "1 (7)"),
        ]
    if shape.startswith("gate"):
        one, other = placed.pins()
        return [_text(x, y + 2.4, f"U2, {one} to {other}", anchor="middle")]
    if shape.startswith("pole"):
        return [
            _text(
                x,
                y + (1.6 if shape.endswith("A") else -1.3),
                f"{ref} {shape}, closed: near zero",
                anchor="middle",
            )
        ]
    if shape in ("v", "vr"):
        return [_text(x + 1.3, y - 0.1, ref), _text(x + 1.3, y + 1.0, value)]
    if shape in ("npn", "pnp"):
        return [_text(x + 0.6, y + 0.3, ref)]
    return [_text(x, y - 1.1, ref, anchor="middle"), _text(x, y + 1.7, value, anchor="middle")]


def _box(placed: Placed, part: Part) -> list[str]:
    pins = placed.pins()
    tall = {"board": 11.0, "U1 supply": 1.0, "U2 supply": 2.0}[placed.shape]
    wide = {"board": 5.0, "U1 supply": 1.5, "U2 supply": 5.6}[placed.shape]
    x, y = placed.x, placed.y
    corner = f'x="{(x - wide) * UNIT:g}" y="{(y - tall) * UNIT:g}"'
    out = [f'<rect {corner} width="{2 * wide * UNIT:g}" height="{2 * tall * UNIT:g}"/>']
    out.append(_text(x, y + 0.3, part.ref, anchor="middle"))
    for pin, (px, py) in pins.items():
        inner = (x + wide, py) if abs(px - x) > wide else (px, y + (tall if py > y else -tall))
        out.append(_wire([(px, py), inner]))
        if px - x > wide:
            out.append(_text(inner[0] - 0.3, py + 0.3, pin, anchor="end"))
        else:
            out.append(_text(px + 0.3, (py + inner[1]) / 2 + 0.3, pin))
    return out
