"""The build guide followed line by line: every part once, every check computed, every check able to fail."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace

import pytest

from tests.board.build import Check, page, reading, shown, so_far, steps, without
from tests.board.parts import FOLDER, Design, design

PLAN = design()
# No steady voltage tells whether these are there: they work at speed, or only while something goes wrong.
SILENT_OF_LEAD = ("C01", "C02", "C03", "D01", "D02", "D06", "D07", "Z01", "R19", "R22", "R24", "R27", "R29")
SILENT = {f"{ref[0]}1{ref[1:]}" for ref in SILENT_OF_LEAD} | {"C4", "C5", "C6"}
ELSEWHERE = {"U1", "J101", "J3"}  # the amplifier shows in the next step, clips when a lead is used
PUMP = "Negative supply"


def test_every_part_is_placed_once() -> None:
    placed = Counter(ref for step in steps() for ref in step.refs)
    assert set(placed) == set(PLAN.parts)
    assert set(placed.values()) == {1}


def test_both_leads_are_built_alike() -> None:
    one, two = ([s.title[:-1] for s in steps() if s.lead == lead] for lead in (1, 2))
    assert one == two


def test_every_step_has_a_check() -> None:
    assert all(step.checks for step in steps())


def test_checks_name_what_is_there() -> None:
    """No check asks for a net that nothing placed so far reaches."""
    for step, board in so_far(PLAN):
        nets = set(board.nets())
        for check in step.checks:
            asked = {*check.nets, *(net for j in check.joins for net in (j.a, j.b))}
            assert asked <= nets, f"{step.title}: {asked - nets}"


def unseen(title: str) -> set[str]:
    """Parts of that step (of all but the pump's, if empty) that can be forgotten with no check telling."""
    found = set()
    for step, board in so_far(PLAN):
        if step.lead == 2 or (step.title != title if title else step.title == PUMP):
            continue
        right = [(check, reading(check, board)) for check in step.checks]
        for ref in set(step.refs) - SILENT:
            if not any(abs(reading(c, without(board, ref)) - value) > c.band for c, value in right):
                found.add(ref)
    return found


def test_a_forgotten_part_is_found_by_the_check_of_its_step() -> None:
    assert unseen("") == ELSEWHERE


@pytest.mark.long
def test_a_forgotten_part_of_the_negative_supply_is_found() -> None:
    assert unseen(PUMP) == set()


def reversed_part(board: Design, ref: str) -> Design:
    part = board.parts[ref]
    turned = replace(part, pins={"1": part.pins["2"], "2": part.pins["1"]})
    return replace(board, parts={**board.parts, ref: turned})


def bridged(board: Design, ref: str) -> Design:
    """A drop of solder across a two-pin part."""
    solder = replace(board.parts[ref], ref="R99", kind=PLAN.parts["R3"].kind, value=0.01)
    return replace(board, parts={**without(board, ref).parts, "R99": solder})


# What the "if not" column says of a fault: (words of the check, what is done, part, V or ohm then read).
FAULTS = [
    ("Ohms from the reference clip", bridged, "R1", 2.0),
    ("Ohms from IN1 to MID1", bridged, "R103", 784e3),
    ("Volts at MID1, nothing", without, "R105", 4.7),
    ("Volts at MID1, nothing", without, "R106", 0.0),
    ("Volts at IN1, nothing else", without, "R109", 0.82),
    ("Volts at IN1, nothing else", bridged, "R109", -0.3),
    ("Volts at MID1, a 9 V", reversed_part, "D101", 4.4),
    ("Volts at MID1, a 9 V", reversed_part, "D102", 0.5),
    ("Volts at ADC1, IN1", without, "R112", 0.0),
    ("Volts at ADC1, a 1.5 V", without, "S101", 1.0),
    ("Volts at ADC1, a 1.5 V", without, "R113", 5.0),
    ("Volts at ADC1, a 1.5 V", without, "R114", 0.0),
    ("Volts at IN1, nothing on it", reversed_part, "D106", 4.4),
    ("Volts at IN1, UP1 joined to 5 V", bridged, "D103", 4.94),
    ("Volts at IN1, UP1 joined to 5 V, 1", bridged, "R117", 0.58),
    ("Volts at IN1, UP1 free", bridged, "D103", 7.2),
    ("Volts at IN1, UP1 free", bridged, "Z101", 4.5),
    ("Volts at IN1, WHISPER1 joined", bridged, "R123", 4.64),
    ("Volts at IN1, DOWN1 joined", reversed_part, "D105", 8.9),
    ("The same with DOWN1 free", reversed_part, "D107", 5.0),
    ("The same with the battery turned", reversed_part, "D105", -5.0),
    ("Ohms from the probe's tip", bridged, "R101", 5.0),
]


@pytest.mark.parametrize(("words", "harm", "ref", "expected"), FAULTS)
def test_a_fault_reads_as_the_guide_says(
    words: str, harm: Callable[[Design, str], Design], ref: str, expected: float
) -> None:
    board, check = next(
        (board, check)
        for step, board in so_far(PLAN)
        for check in step.checks
        if ref in step.refs and check.say.startswith(words)
    )
    assert reading(check, harm(board, ref)) == pytest.approx(expected, rel=0.03, abs=0.1)


def test_the_page_is_the_guide() -> None:
    """`python -m tests.board.documents` writes it."""
    assert (FOLDER / "BUILD.md").read_text() == page(PLAN)


@pytest.mark.parametrize(("value", "unit", "expected"), [
    (4.987, "V", "4.99 ± 0.25 V"), (1.176e6, "Ω", "1.176 ± 0.000 MΩ"), (52.0, "Ω", "52 ± 0 Ω"),
])  # fmt: skip
def test_readings_as_shown(value: float, unit: str, expected: str) -> None:
    check = Check("", unit, ("a", "b"), (), False, True, False, 0.25, "")
    assert shown(value, check) == expected
