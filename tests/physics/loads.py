"""Two-pin loads as circuits: filament, LED string, coil, motor, heater, capacitor-input module.

Every load attaches itself between two nodes. Sources of the models:
- tungsten: resistivity follows T^1.21 within 3 % between 300 and 3000 K (CRC/Jones values 5.65, 24.93,
  56.67, 92.04 µohm cm at 300, 1000, 2000, 3000 K; from memory, recomputed); heat leaves as T^4;
- coils, motors: the textbook R-L and R-L-EMF circuits; a spinning mass is a capacitor of J/k^2;
- relay figures (85 ohm at 12 V, 255 ohm at 24 V): mini-relay datasheet values.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from tests.physics.netlist import LN_OPEN, Netlist

ROOM_KK = 0.3  # room temperature, kilokelvin
TUNGSTEN_EXPONENT = 1.21
THERMAL_VOLT = 0.02585
IRON_S = 1e-5  # L/R of a coil's iron losses: they damp the ringing, no more
EDDY_S = 2e-6  # the same of an armature
SPAN = -math.log(0.02) - LN_OPEN  # from open to 20 milliohm, in ln(conductance)
IDLE_TIMES = 30.0  # a beacon's own electronics draw a thirtieth of its lamp


class Load(Protocol):
    """What every load offers: a name, what a good reader may call it, and its circuit."""

    @property
    def kind(self) -> str: ...

    @property
    def called(self) -> tuple[str, ...]:
        """Load kinds of the findings vocabulary that count as right ("unknown" always may be said)."""
        ...

    @property
    def ohm(self) -> float:
        """About its settled resistance."""
        ...

    @property
    def fastest_hz(self) -> float:
        """The fastest thing it does by itself (commutation, chopping); 0 for nothing."""
        ...

    def attach(self, net: Netlist, plus: str, minus: str) -> None: ...


class Quiet:
    """A load that does nothing fast by itself."""

    fastest_hz = 0.0


@dataclass(frozen=True)
class Resistor(Quiet):
    """Heater, glow plug, test load."""

    ohm: float
    kind: str = "heater"
    called: tuple[str, ...] = ("resistive",)

    def attach(self, net: Netlist, plus: str, minus: str) -> None:
        net.resistor(plus, minus, self.ohm)


@dataclass(frozen=True)
class Lamp(Quiet):
    """A filament: rated watts at rated volts, hot at `hot_kk`, warming through `heat_s` of rated power."""

    rated_v: float
    rated_w: float
    hot_kk: float = 2.7
    heat_s: float = 0.08
    kind: str = "lamp"
    called: tuple[str, ...] = ("lamp",)

    @property
    def ohm(self) -> float:
        return self.rated_v**2 / self.rated_w

    @property
    def cold_ohm(self) -> float:
        return float(self.ohm / (self.hot_kk / ROOM_KK) ** TUNGSTEN_EXPONENT)

    def attach(self, net: Netlist, plus: str, minus: str) -> None:
        heat = net.fresh("heat")
        hot = f"min(max(v({heat}),0.2),4.5)"
        ohm = f"({self.cold_ohm:.6g}*({hot}/{ROOM_KK})^{TUNGSTEN_EXPONENT})"
        radiated = self.rated_w / (self.hot_kk**4 - ROOM_KK**4)
        net.current_of(plus, minus, f"v({plus},{minus})/{ohm}")
        net.current_of("0", heat, f"v({plus},{minus})^2/{ohm}-{radiated:.6g}*({hot}^4-{ROOM_KK**4:.6g})")
        net.capacitor(heat, "0", self.rated_w * self.heat_s / (self.hot_kk - ROOM_KK))
        net.resistor(heat, "0", 1e9)


@dataclass(frozen=True)
class Leds(Quiet):
    """`strings` parallel strings of `junctions` diodes and a resistor; `farad` across the terminals."""

    junctions: int
    forward_v: float
    string_a: float
    series_ohm: float
    strings: int = 1
    farad: float = 0.0
    kind: str = "LED"
    called: tuple[str, ...] = ("resistive",)

    @property
    def ohm(self) -> float:
        return (self.junctions * self.forward_v / self.string_a + self.series_ohm) / self.strings

    def attach(self, net: Netlist, plus: str, minus: str) -> None:
        emission = 2.0
        string = net.fresh("leds")
        total_a = self.string_a * self.strings
        saturation = total_a * math.exp(-self.forward_v / (emission * THERMAL_VOLT))
        at = string
        net.resistor(plus, string, self.series_ohm / self.strings)
        for number in range(self.junctions):
            below = minus if number == self.junctions - 1 else net.fresh("led")
            net.diode(at, below, saturation, emission, 1.0 / self.strings)
            at = below
        if self.farad:
            esr = net.fresh("esr")
            net.resistor(plus, esr, 0.3)
            net.capacitor(esr, minus, self.farad)


@dataclass(frozen=True)
class Coil(Quiet):
    """Relay, solenoid, injector. `clamp`: "none", "diode", "resistor" or "zener" across the coil."""

    ohm: float
    henry: float
    clamp: str = "none"
    clamp_ohm: float = 680.0
    clamp_v: float = 24.0
    winding_f: float = 1e-9
    kind: str = "coil"

    @property
    def called(self) -> tuple[str, ...]:
        return {
            "none": ("coil",),
            "resistor": ("coil", "coil with clamp"),
            "diode": ("coil with clamp",),
            "zener": ("coil with clamp", "coil"),
        }[self.clamp]

    def attach(self, net: Netlist, plus: str, minus: str) -> None:
        middle = net.fresh("coil")
        net.resistor(plus, middle, self.ohm)
        net.inductor(middle, minus, self.henry)
        net.resistor(middle, minus, self.henry / IRON_S)
        net.capacitor(plus, minus, self.winding_f)
        if self.clamp == "diode":
            net.diode(minus, plus)
        elif self.clamp == "resistor":
            net.resistor(plus, minus, self.clamp_ohm)
        elif self.clamp == "zener":
            back = net.fresh("zener")
            net.diode(minus, back)
            net.diode(plus, back, breakdown_v=self.clamp_v)


@dataclass(frozen=True)
class Motor:
    """Permanent-magnet motor. Speed is counted in volts of back-EMF; the mass is a capacitor.

    Attributes:
        armature_ohm, armature_h: winding.
        free_v: back-EMF at its running speed.
        friction_a: armature current that the friction needs at running speed.
        run_up_s: time constant of run-up, R J / k^2.
        dry: share of the friction that does not depend on speed.
        commutation_hz, ripple: commutation at running speed and its share of the back-EMF (0: none).
    """

    armature_ohm: float
    armature_h: float
    free_v: float
    friction_a: float
    run_up_s: float
    dry: float = 0.4
    commutation_hz: float = 0.0
    ripple: float = 0.0
    kind: str = "motor"
    called: tuple[str, ...] = ("motor",)

    @property
    def ohm(self) -> float:
        return self.free_v / self.friction_a + self.armature_ohm

    @property
    def fastest_hz(self) -> float:
        return self.commutation_hz if self.ripple else 0.0

    def attach(self, net: Netlist, plus: str, minus: str) -> None:
        speed, brush, after = net.fresh("speed"), net.fresh("brush"), net.fresh("brush")
        winding = net.fresh("arm")
        net.resistor(plus, winding, self.armature_ohm)
        net.inductor(winding, brush, self.armature_h)
        net.resistor(winding, brush, self.armature_h / EDDY_S)
        sense = net.volts(brush, after, 0.0)
        net.voltage_of(after, minus, self._back_emf(net, speed))
        net.repeat_current(sense, "0", speed)
        net.capacitor(speed, "0", self.run_up_s / self.armature_ohm)
        net.current_of(
            speed,
            "0",
            f"{self.friction_a:.6g}*({self.dry:.4g}*tanh(v({speed})/0.05)"
            f"+{1 - self.dry:.4g}*v({speed})/{self.free_v:.6g})",
        )
        suppressor = net.fresh("sup")
        net.resistor(plus, suppressor, 1.0)
        net.capacitor(suppressor, minus, 1e-8)

    def _back_emf(self, net: Netlist, speed: str) -> str:
        """Speed, with commutation at a steady frequency (a real one slows down with the motor)."""
        if not self.ripple:
            return f"v({speed})"
        turning = net.fresh("turning")
        net.sine(turning, "0", self.ripple, self.commutation_hz)
        return f"v({speed})*(1+v({turning}))"


@dataclass(frozen=True)
class Module(Quiet):
    """A control unit: reverse-polarity diode, reservoir capacitor, a regulator that draws steady power."""

    watts: float
    farad: float
    inrush_ohm: float = 0.5
    starts_v: float = 5.0
    kind: str = "module"
    called: tuple[str, ...] = ()

    @property
    def ohm(self) -> float:
        return 144.0 / self.watts

    def attach(self, net: Netlist, plus: str, minus: str) -> None:
        inner, rail = net.fresh("mod"), net.fresh("mod")
        net.diode(plus, inner)
        net.resistor(inner, rail, self.inrush_ohm)
        net.capacitor(rail, minus, self.farad)
        net.resistor(rail, minus, 20e3)
        inside = f"v({rail},{minus})"
        awake = f"(1/(1+exp(-({inside}-{self.starts_v:.4g})/0.2)))"
        net.current_of(rail, minus, f"{self.watts:.6g}/max({inside},{self.starts_v:.4g})*{awake}")


@dataclass(frozen=True)
class Together:
    """Several loads in parallel on the same two wires: two lamps, a coil with its tell-tale."""

    parts: tuple[Load, ...]

    @property
    def kind(self) -> str:
        return " with ".join(p.kind for p in self.parts)

    @property
    def called(self) -> tuple[str, ...]:
        kinds = {p.called for p in self.parts}
        return kinds.pop() if len(kinds) == 1 else ()

    @property
    def ohm(self) -> float:
        return 1 / sum(1 / p.ohm for p in self.parts)

    @property
    def fastest_hz(self) -> float:
        return max(p.fastest_hz for p in self.parts)

    def attach(self, net: Netlist, plus: str, minus: str) -> None:
        for part in self.parts:
            part.attach(net, plus, minus)


@dataclass(frozen=True)
class Beating:
    """A load that interrupts itself while it is fed (its contact rests closed): horn, buzzer, beacon."""

    inner: Load
    hertz: float
    share: float
    called: tuple[str, ...] = ()

    @property
    def kind(self) -> str:
        return f"self-interrupting {self.inner.kind}"

    @property
    def ohm(self) -> float:
        return self.inner.ohm / self.share

    @property
    def fastest_hz(self) -> float:
        return self.hertz

    def attach(self, net: Netlist, plus: str, minus: str) -> None:
        beat, inside, fed, level = (net.fresh(n) for n in ("beat", "inside", "fed", "level"))
        net.pulses(beat, "0", 1 / self.hertz, self.share / self.hertz, 0.0, 2e-5)
        net.voltage_of(level, "0", f"min(abs(v({plus},{minus}))/2,1)")
        net.resistor(level, fed, 1e3)
        net.capacitor(fed, "0", 1e-6)
        net.current_of(
            plus, inside, f"v({plus},{inside})*exp({LN_OPEN:.6g}+{SPAN:.6g}*(1-v({fed})*(1-v({beat}))))"
        )
        net.arc(plus, inside, 60.0)
        net.resistor(plus, minus, IDLE_TIMES * self.inner.ohm)
        self.inner.attach(net, inside, minus)
