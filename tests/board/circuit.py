"""The netlist of the board for ngspice, from parts.toml and generic part models of our own.

No maker's model is used: each is the simplest that shows what its kind of part does, with the figures that
matter here (leakage, capacitance, gain, saturation) at the poor end of what is sold. Nodes are the nets of
parts.toml in small letters; ngspice's node 0 is the vehicle's ground, the logger's own ground, GND, is `lg`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.board.parts import Design, Part, design

AMMETER_KINDS = ("quiet_diode", "signal_diode", "rectifier", "suppressor", "npn", "npn_high", "pnp_high")
PUMP_V, PUMP_OHM = -4.2, 10e3  # what `test_the_negative_supply` finds of the pump, for the other tests

MODELS = """
.model quiet_diode d(is=5e-12 n=1.45 rs=1 cjo=4p)
.model signal_diode d(is=2.5e-9 n=1.8 rs=0.6 cjo=4p)
.model rectifier d(is=7e-9 n=1.8 rs=0.05 cjo=20p tt=0.15u)
.model pin_diode d(is=1e-14 n=1 rs=20 cjo=2p)
.model npn npn(is=1e-14 bf=120 br=3 vaf=80 cje=10p cjc=5p rb=10 rc=1 tf=0.5n tr=50n)
.model npn_high npn(is=1e-14 bf=40 br=2 vaf=200 cje=40p cjc=6p rb=10 rc=5 tf=1n tr=200n)
.model pnp_high pnp(is=1e-14 bf=40 br=2 vaf=200 cje=40p cjc=8p rb=10 rc=5 tf=1n tr=200n)
"""

# Where ngspice begins to look: 0 V on the leads. Without it the gain of 8 takes seventeen times as long.
NODESET = ".nodeset v(v5)=5 " + " ".join(
    f"v({name}{mark})=0.84"
    for name, marks in {
        "x": "ab",
        "d": "ab",
        **dict.fromkeys(("out", "minus", "plus", "mid", "adc"), "12"),
    }.items()
    for mark in marks
)

BIASES = ("off", "whisper", "up", "down")
PORT_OF_BIAS = {"whisper": "whisper{}", "up": "up{}", "down": "down{}"}


@dataclass(frozen=True)
class State:
    """How the board is used.

    Attributes:
        bias: of lead 1 and lead 2.
        near: whether a lead's switch is in the near-zero range.
        supply_v: 5 V from USB; None: not powered, with nothing but the parts on the supply.
        pump: whether the oscillator runs as such, or a steady source stands for it (much faster).
        ammeters: whether currents of semiconductors can be probed, as i(v<ref>).
        ports: whether the chip's pins are wired; its supply always is.
    """

    bias: tuple[str, str] = ("off", "off")
    near: tuple[bool, bool] = (False, False)
    supply_v: float | None = 5.0
    pump: bool = False
    ammeters: bool = False
    ports: bool = True
    plan: Design = field(default_factory=design)


def node(net: str) -> str:
    """The node of a net: ngspice takes a node called GND for 0, which is the vehicle's ground here."""
    return "lg" if net == "GND" else net.lower()


def netlist(state: State) -> str:
    """The whole board; the caller adds what is connected to `tip1`, `tip2`, `tipr`."""
    lines = [MODELS.strip()]
    for part in state.plan.parts.values():
        lines += _part_lines(part, state)
    lines += _board_lines(state)
    if state.supply_v is not None:
        lines.append(NODESET)
    if state.supply_v is not None and not state.pump and "NEG" in state.plan.nets():
        lines += [f"vpump pumped lg {PUMP_V}", f"rpump pumped neg {PUMP_OHM}"]
    return "\n".join(lines)


def _part_lines(part: Part, state: State) -> list[str]:
    kind, ref = part.kind.name, part.ref.lower()
    nodes = {pin: node(net) for pin, net in part.pins.items()}
    if part.ref[0] in "RC":
        return [f"{ref} {nodes['1']} {nodes['2']} {part.ohm:.9g}"]
    if kind.startswith("fuse"):
        return [f"r{ref} {nodes['1']} {nodes['2']} {part.kind['cold_ohm']:.9g}"]
    if kind == "switch":
        closed = state.near[(part.lead or 1) - 1]
        ohm = "0.01" if closed else "1e12"
        return [f"r{ref}{pole} {nodes[pole]} {nodes[pole + '-near']} {ohm}" for pole in "AB"]
    if kind == "op_amp":
        return [*_amplifier("a", nodes["3"], nodes["2"], nodes["1"]), *_amplifier("b", *_second(nodes))]
    if kind == "inverter":
        return _inverters(nodes) if state.pump else [f"rrest{pin} {nodes[pin]} lg 50" for pin in "24"]
    if kind in ("clip", "board"):
        return []
    return _semiconductor(part, nodes, state)


def _second(nodes: dict[str, str]) -> tuple[str, str, str]:
    return nodes["5"], nodes["6"], nodes["7"]


def _semiconductor(part: Part, nodes: dict[str, str], state: State) -> list[str]:
    ref, kind = part.ref.lower(), part.kind.name
    first = "C" if "C" in nodes else "1"
    lines = []
    if state.ammeters and kind in AMMETER_KINDS:
        lines = [f"v{ref} {nodes[first]} {ref}_in 0"]
        nodes = {**nodes, first: f"{ref}_in"}
    if kind == "suppressor":
        level = part.kind["breakdown_v"]
        across = f"v({nodes['1']},{nodes['2']})"
        flow = f"(max({across}-{level},0)-max(-{level}-{across},0))/5+{across}*1e-9"
        return [
            *lines,
            f"b{ref} {nodes['1']} {nodes['2']} i={flow}",
            f"c{ref} {nodes['1']} {nodes['2']} 100p",
        ]
    if part.ref.startswith("D"):
        return [*lines, f"{ref} {nodes['1']} {nodes['2']} {kind}"]
    return [*lines, f"{ref} {nodes['C']} {nodes['B']} {nodes['E']} {kind}"]


def _amplifier(unit: str, plus: str, minus: str, out: str) -> list[str]:
    """One pole at 1 MHz, 0.5 V/us, 100 dB, 100 ohm, rail to rail less 0.2 %; input diodes, offset, noise.

    The offset is the source `voffset<unit>`; the noise of 40 nV/√Hz is that of a resistor of 97 kohm (4kTR).
    """
    x, inside, plus_in = f"x{unit}", f"in{unit}", f"p{unit}"
    pull = f"0.1*(max(v({x},lg)-v(v5,lg)-0.1,0)-max(-0.1-v({x},lg),0))"
    return [
        *(
            f"desd{unit}{n}u {pin} v5 pin_diode\ndesd{unit}{n}d lg {pin} pin_diode"
            for n, pin in enumerate((plus, minus))
        ),
        f"rnoise{unit} {plus} {plus_in} 97k",
        f"voffset{unit} {inside} {plus_in} 0",
        f"cin{unit}p {plus} lg 5p",
        f"cin{unit}m {minus} lg 5p",
        f"bgain{unit} lg {x} i=0.5m*tanh(12.57*v({inside},{minus}))",
        f"rgain{unit} {x} lg 15.9meg",
        f"cgain{unit} {x} lg 1n",
        f"bstop{unit} {x} lg i={pull}",
        f"bout{unit} d{unit} lg v=max(min(v({x},lg),0.998*v(v5,lg)),0.002*v(v5,lg))",
        f"rout{unit} d{unit} {out} 100",
    ]


def _inverters(nodes: dict[str, str]) -> list[str]:
    """Two gates: the threshold moves with the output, between 0.36 and 0.54 of the supply."""
    lines = []
    for gate, (into, out) in enumerate((("1", "2"), ("3", "4"))):
        threshold = f"(0.36*v(v5,lg)+0.18*v(g{gate},lg))"
        lines += [
            f"bg{gate} gi{gate} lg v=0.5*v(v5,lg)*(1-tanh(40*(v({nodes[into]},lg)-{threshold})))",
            f"rgi{gate} gi{gate} g{gate} 100",
            f"cg{gate} g{gate} lg 1n",
            f"rg{gate} g{gate} {nodes[out]} 50",
        ]
    return lines


def _board_lines(state: State) -> list[str]:
    """The chip: its supply, what drives its port pins, and the diodes that every pin has to both rails."""
    lines: list[str] = []
    chips = state.plan.of_kind("board")
    if state.supply_v is not None:
        lines += [f"vusb usb lg {state.supply_v}", "rusb usb v5 0.2"]
    wired = [pin for chip in chips for pin in chip.pins.items() if state.ports]
    for pin, net in wired:
        if not pin.startswith("P"):
            continue
        name = node(net)
        lines += [
            f"dpin{pin}u {name} v5 pin_diode",
            f"dpin{pin}d lg {name} pin_diode",
            f"cpin{pin} {name} lg 10p",
        ]
        if state.supply_v is None:
            continue
        if pin.startswith("PB"):
            lines.append(f"rpull{pin} v5 {name} 35k")
        elif pin.startswith("PD"):
            high = any(
                PORT_OF_BIAS.get(bias, "").format(lead) == name for lead, bias in enumerate(state.bias, 1)
            )
            lines += [f"vpin{pin} d{pin} lg {state.supply_v if high else 0.0}", f"rpin{pin} d{pin} {name} 25"]
    return lines
