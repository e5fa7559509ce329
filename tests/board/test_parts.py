"""The list of parts hangs together: every part once, every net reached, every value a standard one."""

from __future__ import annotations

import math
import re
from collections import defaultdict

import pytest

from tests.board.figures import BIAS, input_ohm, line, ohms
from tests.board.parts import FOLDER, design, parse

PINS_H = FOLDER.parent / "avr" / "pins.h"
NOT_CONNECTED = {"U2": {"6", "8", "10", "12"}}  # outputs of inverters that are not used


def series(per_decade: int) -> set[int]:
    """E96 in three digits, by the rule of IEC 60063: 100 * 10^(n/96), rounded (from memory)."""
    return {round(100 * 10 ** (n / per_decade)) for n in range(per_decade)}


# IEC 60063 (from memory): E24 does not quite follow the rule.
E24 = {10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91}


def test_every_net_joins_at_least_two_pins() -> None:
    lonely = {net: pins for net, pins in design().nets().items() if len(pins) < 2}
    assert not lonely


def test_every_net_is_reached_from_ground() -> None:
    """Through parts, as current would: nothing is left hanging."""
    neighbours: dict[str, set[str]] = defaultdict(set)
    for part in design().parts.values():
        for net in part.pins.values():
            neighbours[net] |= set(part.pins.values())
    reached, edge = {"GND"}, ["GND"]
    while edge:
        for net in neighbours[edge.pop()] - reached:
            reached.add(net)
            edge.append(net)
    assert reached == set(design().nets())


def test_both_leads_have_the_same_parts() -> None:
    one, two = ({p.ref[2:] for p in design().parts.values() if p.lead == n} for n in (1, 2))
    assert one == two


def test_resistors_and_capacitors_are_standard_values() -> None:
    for part in design().parts.values():
        if part.value is None:
            continue
        digits = part.value / 10 ** (math.floor(math.log10(part.value) + 1e-9) - 2)
        assert digits == pytest.approx(round(digits), abs=1e-6), part.ref
        whole = round(digits)
        assert whole in series(96) or (whole % 10 == 0 and whole // 10 in E24), f"{part.ref}: {part.value}"


def test_the_chip_is_wired_as_the_firmware_says() -> None:
    """pins.h is what the firmware does; the board must mean the same by every pin."""
    text = PINS_H.read_text()
    told = {
        **{m[0]: f"ADC{m[1]}" for m in re.findall(r"(PC\d)\s+ADC\d\s+analog in\s+lead (\d)", text)},
        **{
            pin: f"{what.upper()}{lead}"
            for pin, lead, what in re.findall(r"(PD\d)\s+out, high: on\s+lead (\d) (whisper|up|down)", text)
        },
        **{m[0]: f"STRAP{m[1]}" for m in re.findall(r"(PB\d)\s+in, pull-up\s+lead (\d) range strap", text)},
    }
    chip = design().parts["A1"].pins
    assert len(told) == 10
    assert {pin: net for pin, net in chip.items() if pin.startswith("P")} == told


def test_input_resistance_and_bias_are_what_the_host_reckons_with() -> None:
    """daq/bench_loads.py: 1.1 Mohm; daq/circuit.py and firmware/README.md: about 10 kohm."""
    ohm = ohms(design())
    assert input_ohm(ohm) == pytest.approx(1.1e6, rel=0.03)
    assert input_ohm(ohm) >= 1e6
    in_the_lead = ohm["R01"] + design().parts["F101"].kind["cold_ohm"]
    assert sum(ohm[r] for r in BIAS) + in_the_lead == pytest.approx(10e3, rel=0.01)


def test_spans_hold_the_nominal_ones_to_one_percent() -> None:
    """firmware/README.md: -8 to +40 V; near zero -1 to +5 V."""
    ohm = ohms(design())
    for near, nominal in ((False, (-8.0, 40.0)), (True, (-1.0, 5.0))):
        span = line(ohm, near, 5.0).span_v(5.0)
        assert span == pytest.approx(nominal, abs=0.01 * (nominal[1] - nominal[0]))


def test_a_reference_given_twice_is_refused() -> None:
    text = (FOLDER / "parts.toml").read_text()
    with pytest.raises(ValueError, match="R101 stands twice"):
        parse(text.replace("[common.R1]", "[common.R101]"))


def test_no_part_is_forgotten_in_the_dual_amplifier_and_inverter() -> None:
    for ref, pins in {"U1": 8, "U2": 14}.items():
        numbers = set(design().parts[ref].pins) | NOT_CONNECTED.get(ref, set())
        assert numbers == {str(n) for n in range(1, pins + 1)}
