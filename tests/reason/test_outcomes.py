"""What a test is said to tell beforehand: outcomes that are to be expected, and that read differently."""

from __future__ import annotations

import re

import pytest

from daq.readings import parse
from daq.reason_report import lines
from daq.reasoning import Answer, reason

CASES = {
    "a feed with a drop": ("source 12.6", "in off 0 0", "in on 8.93 0.07"),
    "reversing": ("source 12.5", "in off 0.02 0.02", "in on 12.3 0.1"),
    "no source seen yet": ("in off 0 0", "in on 0 0"),
    "nothing read": (),
    "both at source": ("source 12.6", "in ? 12.6 12.6"),
    "unplugged": ("source 12.6", "in off 12.6 12.6", "in on 12.6 12.6", "out on 12.6 0.8"),
    "a bad ground": ("source 12.5", "in off 0.1 0", "in on 12.1 3.4"),
    "24 V": ("source 25.2", "in off 25.2 25.2", "in on 25.1 6"),
}


def answered(case: str) -> Answer:
    return reason([parse(text) for text in CASES[case]])


def outcomes(answer: Answer) -> list[list[str]]:
    tests = answer.next_test.and_otherwise if answer.next_test else ()
    return [[meaning.partition(": ")[0] for meaning in test.splits.split("; ")] for test in tests]


@pytest.mark.parametrize("case", CASES)
def test_what_is_told_beforehand_is_little_and_reads_differently(case: str) -> None:
    answer = answered(case)
    assert answer.next_test is not None
    for told in outcomes(answer):
        assert 2 <= len(told) <= 5
        assert len(set(told)) == len(told)


@pytest.mark.parametrize("case", ["a feed with a drop", "reversing", "unplugged", "24 V"])
def test_no_voltage_is_told_that_is_far_beyond_those_seen(case: str) -> None:
    highest = max(float(v) for text in CASES[case] for v in re.findall(r"\d+\.?\d*", text))
    for told in outcomes(answered(case)):
        for volts in re.findall(r"[\d.]+(?= V)", " ".join(told)):
            assert float(volts) <= 1.1 * highest + 0.05


def test_a_source_that_was_not_seen_yet_may_come() -> None:
    assert any(
        float(v) > 10
        for told in outcomes(answered("no source seen yet"))
        for v in re.findall(r"[\d.]+(?= V)", " ".join(told))
    )


@pytest.mark.parametrize("case", CASES)
def test_what_outcomes_mean_fits_eighty_columns(case: str) -> None:
    said = lines(answered(case))
    begins = [n + 1 for n, line in enumerate(said) if line == "what it would mean:"]
    assert begins
    for begin in begins:
        meanings = said[begin : next(n for n in range(begin, len(said)) if said[n].startswith("then add"))]
        assert all(line.startswith("  ") and len(line) < 80 for line in meanings)
        assert not any(line.strip().startswith("%") for line in meanings), "no number without its sign"


@pytest.mark.parametrize("case", CASES)
def test_what_nobody_would_tell_apart_is_one_outcome(case: str) -> None:
    """Before, '3.4 V' and '3.6 V' at a bad ground point, which both mean that it is bad."""
    answer = answered(case)
    for test in answer.next_test.and_otherwise if answer.next_test else ():
        told = [meaning.partition(": ") for meaning in test.splits.split("; ")]
        seen = [
            ([float(v) for v in re.findall(r"[\d.]+(?= V)", volts)], means[:40]) for volts, _, means in told
        ]
        for n, (volts, means) in enumerate(seen):
            for others, same in seen[:n]:
                apart = max((abs(a - b) for a, b in zip(volts, others, strict=False)), default=1.0)
                assert means != same or apart > 0.25, told
