"""No pin beyond its absolute maximum, no part beyond its rating, whatever is done to the leads."""

from __future__ import annotations

import re

import pytest

from tests.board.circuit import State, netlist
from tests.board.parts import FOLDER, Design, design, parse
from tests.board.stresses import PULSES, STEADY, Stress
from tests.board.survival import cases, circuit_of, pulse_shares, steady_shares
from tests.physics.spice import Transient, UnsolvedError, operating_points, transients

TOML = (FOLDER / "parts.toml").read_text()
# IEC 60127-2, fast 5 x 20 mm fuses (from memory): open within 0.1 s at 4 times the rating, 20 ms at 10 times.
OPENS_WITHIN_S = ((10.0, 0.02), (4.0, 0.1))
BREAKS_A = 35.0


def over(plan: Design, stresses: tuple[Stress, ...] = PULSES) -> list[str]:
    """What is beyond its rating, in words."""
    return [
        f"{case.stress.name}, {case.name}: {s.part} {s.rating} {s.value:.3g} of {s.limit:.3g}"
        for case, found in pulse_shares(plan, stresses)
        for s in found
        if s.used > 1
    ]


def test_what_lasts() -> None:
    found = steady_shares(design())
    assert len(found) == 5 * len(STEADY)
    wrong = [(c.stress.name, c.name, s) for c, shares in found for s in shares if s.used > 1]
    assert not wrong


@pytest.mark.parametrize("stress", PULSES, ids=lambda s: s.name)
def test_pulses(stress: Stress) -> None:
    assert not over(design(), (stress,))


def test_stresses_reach_the_leads() -> None:
    """The peak that the table promises stands at the tip, or the proof proves nothing."""
    first = [cases((s,), design())[0] for s in PULSES]
    runs = [Transient(circuit_of(c), c.stress.stop_s, c.stress.stop_s / 200, ("tip1",)) for c in first]
    for case, waves in zip(first, transients(runs), strict=True):
        assert not isinstance(waves, UnsolvedError)
        number = case.stress.level.split()[0]
        told = float(number) * (1e3 if "kV" in case.stress.level else 1)
        seen = waves["tip1"]
        peak = float(seen[abs(seen).argmax()])
        assert peak * told > 0, case.stress.name
        assert abs(peak) > 0.8 * abs(told), case.stress.name
    assert len(runs) == 15


@pytest.mark.parametrize(("found", "put", "by"), [
    ("breakdown_v = 220", "breakdown_v = 400", "pulse 1, 24 V"),  # a wrong suppressor: transistors break down
    ('pins = ["GND", "PULL#"]', 'pins = ["GND", "GND"]', "solenoid 4 Ω"),  # D#07 forgotten
])  # fmt: skip
def test_a_wrong_part_is_found_out(found: str, put: str, by: str) -> None:
    assert TOML.count(found) == 1
    assert over(parse(TOML.replace(found, put)), tuple(s for s in PULSES if s.name.startswith(by)))


@pytest.mark.long
@pytest.mark.parametrize("breakdown", [209, 231])
@pytest.mark.parametrize("scale", [0.95, 1.05])
def test_pulses_over_tolerance(breakdown: int, scale: float) -> None:
    """The suppressor at both ends of its band, all film resistors together 5 % off."""
    text = TOML.replace("breakdown_v = 220", f"breakdown_v = {breakdown}")
    text = re.sub(r"(?m)^ohm = (\S+)$", lambda m: f"ohm = {float(m[1]) * scale!r}", text)
    assert not over(parse(text))


def faulty(volts: float, extra: str) -> float:
    """Current, A, that a battery of `volts` drives until a fuse opens."""
    net = f"{netlist(State())}\nvbattery post 0 {volts}\n{extra}\nrtip2 tip2 0 0.1"
    return abs(float(operating_points(net, ["i(vbattery)"], [{}])[0, 0]))


def check_fuse(ampere: float, fuse: str, resistor: str) -> None:
    kinds = {ref: design().parts[ref].kind for ref in (fuse, resistor)}
    times = ampere / kinds[fuse]["ampere"]
    within_s = next(limit for least, limit in OPENS_WITHIN_S if times >= least)
    assert ampere < BREAKS_A
    assert ampere**2 * design().parts[resistor].ohm * within_s < kinds[resistor]["pulse_j"]


@pytest.mark.parametrize("volts", [12.6, 14.4, 28.8, 32.0])
def test_reference_on_positive_with_an_earthed_computer_blows_only_the_fuse(volts: float) -> None:
    """USB ties the logger's ground to the vehicle's ground (0.1 ohm of cable)."""
    check_fuse(faulty(volts, "rref post tipr 0.01\nrtip1 tip1 0 0.1\nrusbshield lg 0 0.1"), "F3", "R1")


@pytest.mark.parametrize("volts", [24.0, 28.8, 32.0])
def test_a_chafed_lead_blows_only_its_fuse(volts: float) -> None:
    """The lead's cable on bare metal, behind fuse and R101."""
    check_fuse(faulty(volts, "rlead post tip1 0.01\nrchafed in1 0 0.1\nrref tipr 0 0.1"), "F101", "R101")


def test_a_chafed_lead_at_12_v_harms_nothing_even_if_the_fuse_is_slow() -> None:
    """0.27 A is 2.7 times the fuse: it may take seconds; R101 bears 6.25 times its power for five."""
    ampere = faulty(14.4, "rlead post tip1 0.01\nrchafed in1 0 0.1\nrref tipr 0 0.1")
    part = design().parts["R101"]
    assert ampere**2 * part.ohm < 6.25 * part.kind["power_w"]
    assert ampere > 2 * design().parts["F101"].kind["ampere"]


def test_live_leads_do_not_power_the_board() -> None:
    """Without USB, both leads at 36 V: the supply stays below what any chip starts with (1.8 V)."""
    net = f"{netlist(State(supply_v=None))}\nv1 tip1 0 36\nv2 tip2 0 36\nrref tipr 0 0.1"
    supply, ground = operating_points(net, ["v5", "lg"], [{}])[0]
    assert 0 < supply - ground < 1.0
