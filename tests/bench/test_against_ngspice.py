"""The bench's circuits against ngspice (https://ngspice.sourceforge.io), another program by other people.

The netlists are written by hand from the drawings, not made from the bench's parts, so that a wire on the
wrong pin shows. Compared is what the converter sees: each lead against the reference lead, behind the 1 kHz
filter, every 125 µs. Tolerances: one converter step, 47 mV, anywhere (a kick beyond the range is left out),
5 mV on average, except where a test states its own.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pytest

from daq.bench_catalog import find
from daq.bench_workbench import Workbench
from daq.samples import Bias
from tests.bench.hands import Script, filtered, levels, steady
from tests.physics.spice import Transient, operating_points, transient

Volts = npt.NDArray[np.float64]

WORST_V, AVERAGE_V = 0.047, 0.005

FRONT = """
rl1 lead1 lg 1.1meg
rl2 lead2 lg 1.1meg
cl1 lead1 lg 200p
cl2 lead2 lg 200p
rc1 pin1 lead1 0.1
rc2 pin2 lead2 0.1
rlg lg 0 0.05
clg lg 0 100p
e1 e1 0 lead1 lg 1
e2 e2 0 lead2 lg 1
rf1 e1 f1 1k
rf2 e2 f2 1k
cf1 f1 0 159.1549n
cf2 f2 0 159.1549n
rp1 pin1 load1 0.004
rp2 pin2 load2 0.004
.model rect d(is=1e-9 n=1.7 cjo=20p)
.options method=gear reltol=1e-4
"""


def battery(volt: float = 12.6) -> str:
    return f"vb post0 0 {volt}\nrb post0 post 0.015\n"


def switch(
    name: str, a: str, b: str, closed: Sequence[tuple[float, float]], on_ohm: float, off_ohm: float
) -> str:
    """A conductance that moves between two values on a logarithmic scale within 1 µs."""
    low, high = -np.log(off_ohm), -np.log(on_ohm)
    points = [(0.0, low)]
    for begin, end in closed:
        points += [(begin, low), (begin + 1e-6, high), (end, high), (end + 1e-6, low)]
    pwl = " ".join(f"{t:.9g} {v:.9g}" for t, v in points)
    return f"vk{name} k{name} 0 pwl({pwl})\nbk{name} {a} {b} i=v({a},{b})*exp(v(k{name}))\n"


def filament(name: str, a: str, b: str, volt: float, watt: float, joule_per_k: float) -> str:
    """Resistance by T^1.21, radiation by T^4, 2700 K when hot; the node's volts are kelvin."""
    cold = volt**2 / watt / 9.0**1.21
    radiation = watt / (2700.0**4 - 300.0**4)
    ohm = f"({cold:.9g}*pwr(v(t{name})/300,1.21))"
    power = f"v({a},{b})*v({a},{b})/{ohm}-{radiation:.9g}*(pwr(v(t{name}),4)-8.1e9)"
    return (
        f"bl{name} {a} {b} i=v({a},{b})/{ohm}\n"
        f"ct{name} t{name} 0 {joule_per_k}\nbt{name} 0 t{name} i={power}\n.ic v(t{name})=300\n"
        f".nodeset v(t{name})=300\n"
    )


def avalanche(name: str, a: str, b: str, volt: float, e_fold_v: float) -> str:
    """Breaks down from a to b: 1 mA at `volt`, e times as much per `e_fold_v`; a diode the other way."""
    times = e_fold_v / 0.025865
    card = f"d(is=3.06e-10 n={times:.6g} bv={volt} ibv=1m nbv={times:.6g} cjo=20p)"
    return f"dz{name} {b} {a} mz{name}\n.model mz{name} {card}\n"


def coil(a: str, b: str, ohm: float, henry: float, loss: float) -> str:
    return f"rw {a} w {ohm}\nlw w {b} {henry}\nrloss {a} {b} {loss}\ncw {a} {b} 300p\n"


RELAY = coil("load1", "load2", 85, 0.2, 15e3)

TRANSIENTS: dict[str, tuple[str, Script, str, float, float]] = {
    # circuit: (name, script, netlist, length s, worst V)
    "lamp inrush": (
        "trailer-lamp",
        [(0.01, "control", "on"), (0.4, "control", "off")],
        battery()
        + "rfeed post pin1 0.06\nrg pin2 drv 0.04\n"
        + switch("s", "drv", "0", [(0.01, 0.4)], 0.01, 1e9)
        + filament("l", "load1", "load2", 13.5, 21, 2.1e-3),
        0.5,
        WORST_V,
    ),
    "relay release, diode": (
        "fuse-box-relay",
        [(0.01, "control", "on"), (0.06, "control", "off")],
        battery()
        + "rfeed post pin1 0.06\ndf load2 load1 rect\n"
        + RELAY
        + switch("s", "pin2", "0", [(0.01, 0.06)], 0.3, 2e6)
        + avalanche("q", "pin2", "0", 45, 0.04),
        0.1,
        WORST_V,
    ),
    "relay release, resistor": (
        "shed-relay",
        [(0.01, "control", "on"), (0.06, "control", "off")],
        battery()
        + "rfuse post fuse 0.06\nrs load1 load2 680\nrg pin2 0 0.02\n"
        + RELAY
        + switch("s", "fuse", "pin1", [(0.01, 0.06)], 0.01, 1e9),
        0.1,
        WORST_V,
    ),
    "relay release, bare": (
        "horn-relay",
        [(0.01, "control", "on"), (0.06, "control", "off")],
        battery()
        + "rfeed post pin1 0.1\n"
        + RELAY
        + switch("s", "pin2", "0", [(0.01, 0.06)], 0.01, 1e9)
        + avalanche("g", "pin2", "0", 350, 3.5),
        0.1,
        0.25,  # after the kick has driven the filter into its clamp
    ),
    "solenoid release, avalanche": (
        "spray-valve",
        [(0.01, "control", "on"), (0.03, "control", "off")],
        battery()
        + "rfuse post fuse 0.05\nrg pin1 0 0.03\n"
        + coil("load2", "load1", 4.0, 0.006, 2e3)
        + switch("s", "fuse", "pin2", [(0.01, 0.03)], 0.05, 1e6)
        + avalanche("q", "fuse", "pin2", 40, 0.04),
        0.05,
        0.25,
    ),
    "motor coast-down": (
        "radiator-fan",
        [(0.01, "control", "on"), (1.0, "control", "off")],
        battery()
        + "rfeed post pin1 0.03\n"
        + "ra load1 br 0.3\nla br sh 3e-4\ncj sh load2 1.5\nrd sh load2 1.5\nriron load1 load2 300\n"
        + "bf sh load2 i=0.3*tanh(v(sh,load2)/0.02)\n"
        + switch("s", "pin2", "0", [(0.01, 1.0)], 0.01, 1e9)
        + avalanche("g", "pin2", "0", 20, 0.2),
        3.0,
        WORST_V,
    ),
    "shared ground lift": (
        "plate-lamp",
        [(0.01, "control", "on"), (0.2, "neighbour", "on"), (0.5, "control", "off")],
        battery()
        + "rfuse post fuse 0.06\nrsh pin1 splice 0.03\nrsg splice 0 0.15\nrbs post bs 0.05\n"
        + switch("s", "fuse", "pin2", [(0.01, 0.5)], 0.01, 1e9)
        + switch("n", "bs", "bl", [(0.2, 9.0)], 0.01, 1e9)
        + filament("p", "load2", "load1", 13.5, 10, 1.0e-3)
        + filament("b", "bl", "splice", 13.5, 42, 4.2e-3),
        0.6,
        WORST_V,
    ),
}


@pytest.mark.parametrize("case", TRANSIENTS)
def test_transient(case: str) -> None:
    name, script, netlist, length_s, worst_v = TRANSIENTS[case]
    waves = transient(Transient(FRONT + netlist, length_s, 2e-5, ("f1", "f2")))
    times_s = np.arange(0.002, length_s, 125e-6)
    ours = filtered(steady(name), script, times_s)
    theirs = np.stack([waves.at(probe, times_s) for probe in ("f1", "f2")], axis=1)
    apart = compared(ours, theirs)
    assert np.nanmax(apart) < worst_v
    assert np.nanmean(apart) < AVERAGE_V


def compared(ours: Volts, theirs: Volts) -> Volts:
    """Absolute differences; NaN from where theirs leaves the converter's span (ours is clamped) for 2 ms."""
    apart = np.abs(ours - theirs)
    outside = ((theirs < -8.6) | (theirs > 40.6)).any(axis=1)
    for at in np.flatnonzero(outside):
        apart[at : at + 16] = np.nan
    return apart


def test_pulses_that_repeat() -> None:
    """The pump at 400 Hz: ngspice calculates every period, the bench reads its last one again and again."""
    netlist = (
        battery()
        + "rfuse post fuse 0.02\nrg pin2 0 0.02\ndf 0 pin1 rect\n"
        + "ra load1 br 0.6\nla br sh 5e-4\ncj sh load2 0.02\nrd sh load2 2.5\nriron load1 load2 300\n"
        + "bf sh load2 i=0.4*tanh(v(sh,load2)/0.02)\n"
        + "vpulse p 0 pulse(0 1 0.01 1u 1u 1749u 2500u)\n"
        + f"bs fuse pin1 i=v(fuse,pin1)*exp({-np.log(1e6):.9g}+{np.log(1e8):.9g}*v(p))\n"
    )
    waves = transient(Transient(FRONT + netlist, 0.4, 2e-5, ("f1", "f2")))
    times_s = np.arange(0.002, 0.4, 125e-6)
    bench = Workbench(find("coolant-pump"), 1)
    bench.operate("control", "on", 10_000)
    bench.run(400_000)
    assert bench.repeats
    ours = np.stack([bench.volts(lead, times_s * 1e6) for lead in (0, 1)], axis=1)
    apart = np.abs(ours - np.stack([waves.at(probe, times_s) for probe in ("f1", "f2")], axis=1))
    assert apart.max() < 0.06  # two fast edges a period; ngspice's take 1 µs
    assert apart.mean() < AVERAGE_V


LEVELS = (
    FRONT
    + battery()
    + """
rout1 lead1 post 1e12
rbat1 lead1 0 1e12
vw1 w1 lg 5
vw2 w2 lg 5
rw1 w1 lead1 1e12
rw2 w2 lead2 1e12
ru1 w1 u1 1e12
ru2 w2 u2 1e12
du1 u1 lead1 signal
du2 u2 lead2 signal
rd1 x1 lg 1e12
rd2 x2 lg 1e12
dd1 lead1 x1 signal
dd2 lead2 x2 signal
.model signal d(is=2.5e-9 n=1.75)
"""
)
UP = Bias.UP
OFF, WHISPER, DOWN = Bias.OFF, Bias.WHISPER, Bias.DOWN
OUT = {"rp1": 1e12, "rp2": 1e12}

# circuit: (name, netlist of everything but stand and leads)
LOW = ("trailer-lamp", "rfeed post pin1 0.06\nrl load1 load2 0.61\nrs pin2 0 1e9\n")
HIGH = ("work-lamp", "rs post pin2 1e9\nrl load1 load2 0.61\nrg pin1 0 0.02\n")
LEDS = (
    "step-light",
    "rfeed post pin2 0.06\nrl load2 st 150\ndl st load1 led\nrs pin1 0 3e6\n.model led d(is=3.2e-19 n=8)\n",
)
MODULE = ("boat-relay", "ru post pin1 1e9\nrl load1 load2 85\ndf load2 load1 rect\nrs pin2 0 1e9\n")
LAMP = (LOW[0], LOW[1] + "rsub pin1 pin2 3\n")  # cold: no current flows into the leads to speak of


@pytest.mark.parametrize(
    ("circuit", "moves", "bias", "changed"),
    [
        pytest.param(LOW, [], (OFF, OFF), {}, id="low, in"),
        pytest.param(LOW, [("plug", "out")], (OFF, OFF), OUT, id="low, out"),
        pytest.param(
            LOW, [("plug", "out")], (WHISPER, WHISPER), OUT | {"rw1": 1e6, "rw2": 1e6}, id="low, out, whisper"
        ),
        pytest.param(LOW, [("plug", "out")], (UP, UP), OUT | {"ru1": 1e4, "ru2": 1e4}, id="low, out, up"),
        pytest.param(
            LOW, [("plug", "out")], (DOWN, DOWN), OUT | {"rd1": 1e4, "rd2": 1e4}, id="low, out, down"
        ),
        pytest.param(LOW, [("lead 2", "off pin")], (OFF, OFF), {"rc2": 1e12}, id="low, lead 2 free"),
        pytest.param(
            LOW, [("lead 2", "off pin")], (OFF, WHISPER), {"rc2": 1e12, "rw2": 1e6}, id="free, whisper"
        ),
        pytest.param(LOW, [("lead 2", "off pin")], (OFF, UP), {"rc2": 1e12, "ru2": 1e4}, id="free, up"),
        pytest.param(LOW, [], (WHISPER, WHISPER), {"rw1": 1e6, "rw2": 1e6}, id="low, in, whisper"),
        pytest.param(
            LOW, [("lead 1", "on negative")], (OFF, OFF), {"rc1": 1e12, "rbat1": 0.1}, id="lead 1 on negative"
        ),
        pytest.param(
            HIGH,
            [("lead 1", "on positive")],
            (OFF, OFF),
            {"rc1": 1e12, "rout1": 0.1},
            id="lead 1 on positive",
        ),
        pytest.param(HIGH, [("plug", "out")], (UP, UP), OUT | {"ru1": 1e4, "ru2": 1e4}, id="high, out, up"),
        pytest.param(
            HIGH,
            [("control", "on"), ("plug", "out"), ("reference", "off")],
            (OFF, OFF),
            OUT | {"rs": 0.07, "rlg": 1e10},
            id="reference lost, one lead at source",
        ),
        pytest.param(LEDS, [], (OFF, OFF), {}, id="LED rest level"),
        pytest.param(LEDS, [], (WHISPER, OFF), {"rw1": 1e6}, id="LED rest level, whisper"),
        pytest.param(MODULE, [], (OFF, OFF), {}, id="both ends float"),
        pytest.param(MODULE, [], (WHISPER, OFF), {"rw1": 1e6}, id="both ends float, whisper"),
        pytest.param(MODULE, [("jumper", "positive pin 1")], (OFF, OFF), {"ru": 0.05}, id="jumper to feed"),
        pytest.param(MODULE, [("jumper", "negative pin 2")], (OFF, OFF), {"rs": 0.05}, id="jumper to ground"),
        pytest.param(
            LAMP, [("plug", "out"), ("5 W lamp", "across the pins")], (OFF, OFF), OUT, id="5 W lamp"
        ),
    ],
)
def test_resting_levels(
    circuit: tuple[str, str],
    moves: list[tuple[str, str]],
    bias: tuple[Bias, Bias],
    changed: dict[str, float],
) -> None:
    """Dividers with 1.1 MΩ leads, to 10 mV."""
    name, netlist = circuit
    theirs = operating_points(LEVELS + netlist, ("e1", "e2"), [changed])[0]
    assert levels(steady(name), moves, bias) == pytest.approx(tuple(theirs.tolist()), abs=0.01)


LIGHTS: dict[str, tuple[str, Sequence[tuple[str, str]], str, str]] = {
    # what is shown: (name, moves, netlist with the test light between its post and a pin, how it looks)
    "a bad ground still lights it": (
        "van-lamp",
        [("plug", "out"), ("light", "positive pin 1")],
        "rs post pin2 1e9\nrbad pin1 0 2.0\nrt1 post bulb 0.05\nrt2 tip pin1 0.1\n",
        "lit",
    ),
    "an open ground does not": (
        "fog-lamp",
        [("plug", "out"), ("light", "positive pin 1")],
        "rs post pin2 1e9\nrbad pin1 0 1e10\nrt1 post bulb 0.05\nrt2 tip pin1 0.1\n",
        "dark",
    ),
    "through a relay's coil it glows": (
        "horn-relay",
        [("light", "negative pin 2")],
        "rfeed post pin1 0.1\nrw load1 load2 84.52\nrs pin2 0 1e9\nrt1 0 bulb 0.05\nrt2 tip pin2 0.1\n",
        "dim",
    ),
}


@pytest.mark.parametrize("case", LIGHTS)
def test_the_test_light(case: str) -> None:
    """Levels to 10 mV and the filament to 10 K, after three seconds. That a test light draws little, and so
    lights through a ground too bad for the load, is common practice of the trade, no source."""
    name, moves, netlist, looks = LIGHTS[case]
    out = ("plug", "out") in moves
    front = FRONT.replace("load1 0.004", "load1 1e12").replace("load2 0.004", "load2 1e12") if out else FRONT
    light = filament("t", "bulb", "tip", 13.5, 3, 3e-4)
    waves = transient(Transient(front + battery() + netlist + light, 3.0, 1e-2, ("f1", "f2", "tt")))
    bench = Workbench(steady(name), 1)
    assert bench.light == ""
    for what, to in moves:
        bench.operate(what, to, 0)
    bench.run(3_000_000)
    last = np.array([3e6 - 1])
    one, two, kelvin = (waves.at(probe, np.array([2.999]))[0] for probe in waves.probes)
    ours = [bench.volts(0, last)[0], bench.volts(1, last)[0]]
    assert ours == pytest.approx([one, two], abs=0.01)
    assert bench.bulb_k == pytest.approx(kelvin, abs=10)
    assert bench.light == looks
