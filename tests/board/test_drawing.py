"""The drawing is read back and must say what parts.toml says."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections import Counter

import pytest

from tests.board import sheet
from tests.board.drawing import svg
from tests.board.parts import FOLDER, Design, design


def differences(plan: Design) -> list[str]:
    """Where the drawn connections are not those of parts.toml (of lead 1 and what exists once)."""
    wrong, drawn = [], Counter[tuple[str, str]]()
    groups_of: Counter[str] = Counter()
    named: Counter[str] = Counter()
    for pins, names in sheet.connected(plan):
        nets = {plan.parts[ref].pins[pin] for ref, pin in pins}
        drawn.update(pins)
        if len(nets | names) != 1:
            wrong.append(f"joined: {sorted(nets | names)}")
        for net in nets:
            groups_of[net] += 1
            named[net] += bool(names)
    wrong += [
        f"{net} falls in pieces" for net, count in groups_of.items() if count > 1 and named[net] < count
    ]
    expected = {(part.ref, pin) for part in plan.parts.values() if part.lead != 2 for pin in part.pins} - {
        ("U1", pin) for pin in "567"
    }  # the other lead's half of the amplifier
    wrong += [f"not drawn: {pin}" for pin in expected - set(drawn)]
    wrong += [f"drawn {count} times: {pin}" for pin, count in drawn.items() if count > 1]
    return wrong


def test_the_drawing_has_the_connections_of_the_parts() -> None:
    assert differences(design()) == []


def test_a_missed_wire_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheet, "WIRES", sheet.WIRES.replace("36 68, 36 72 |", ""))
    assert any("BIAS1" in line for line in differences(design()))


def test_a_wrong_name_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sheet, "NAMES", sheet.NAMES.replace("GND 42 16", "V5 42 16"))
    assert differences(design()) == ["joined: ['GND', 'V5']"]


def test_the_file_is_the_drawing() -> None:
    """`python -m tests.board.documents` writes it."""
    assert (FOLDER / "schematic.svg").read_text() == svg(design())


def test_values_stand_beside_the_symbols() -> None:
    text = {
        "".join(e.itertext()) for e in ET.fromstring(svg(design())).iter("{http://www.w3.org/2000/svg}text")
    }
    for shown in ("R#02", "392 kΩ", "732 kΩ", "100 nF", "3.32 kΩ", "R1", "C3", "U1"):
        assert shown in text
