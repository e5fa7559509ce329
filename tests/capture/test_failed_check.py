"""A recording that begins after a failed lead check says so: no side is told from leads seen to be bad."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from pathlib import Path

import numpy as np
import pytest

from daq.backlog import Backlog
from daq.capture import CaptureSource, trim_capture, write_capture
from daq.findings import Side
from daq.lead_check import FAILED
from daq.pipeline import Pipeline
from daq.samples import Block, Change, ChangeKind, Item, Origin
from tests.analysis.volts import blocks
from tests.analysis.waves import LOW, Volts, levels
from tests.capture.logs import INFO

RATE_HZ = 4000.0
LEAD_1 = levels([(0.4, 0.0, 0.0), (0.8, 12.6, 0.0), (0.3, 0.0, 0.0)])
LEAD_2 = levels([(0.8, 0.0, 12.6)])
HELD = levels([(3.6, 0.0, 12.6)])
DIPS = np.concatenate([HELD, levels([(0.01, 0.0, 6.0), (0.1, 0.0, 12.6)])])
Told = tuple[ChangeKind, str]
START, WIGGLED, SKIP = ((ChangeKind.LEAD_CHECK, value) for value in ("start", "wiggled", "skip"))
SEATED = (ChangeKind.CLEAR, "")


def log(*parts: Volts | Told) -> list[Item]:
    items: list[Item] = []
    at = 0
    for part in parts:
        if isinstance(part, tuple):
            items.append(Change(at, Origin.USER, *part))
        else:
            items += blocks(part, RATE_HZ, range(400, len(part), 400), first=at)
            at += len(part)
    return items


FAILS = (START, LEAD_1, LEAD_2, DIPS, SEATED)
PASSES = (START, LEAD_1, LEAD_2, HELD, WIGGLED, HELD, SEATED)
SKIPS = (START, SKIP, SKIP, SKIP, SEATED)
LOW_VOLTS = levels(LOW)
EMPTY = levels([(0.5, 0.0, 0.0)])


def judged(items: Sequence[Item]) -> Pipeline:
    pipeline = Pipeline()
    for item in items:
        pipeline.push(item)
    pipeline.finish()
    return pipeline


def part(folder: Path, items: list[Item], from_s: float) -> list[Item]:
    folder.mkdir(exist_ok=True)
    write_capture(folder / "a.whichside", items, INFO)
    trim_capture(folder / "a.whichside", folder / "b.whichside", from_s)
    with CaptureSource(folder / "b.whichside") as source:
        return list(source)


def kept(items: list[Item], from_s: float) -> list[Item]:
    """What a recording begun at `from_s` holds, after one that took everything before."""
    backlog, ends = Backlog(), [i.end if isinstance(i, Block) else 0 for i in items]
    for item, end in zip(items, accumulate(ends, max), strict=True):
        backlog.append(item)
        if end <= from_s * RATE_HZ:
            backlog.forget_all()
    return list(backlog.items())


def seconds(*parts: Volts | Told) -> float:
    return sum(len(p) for p in parts if not isinstance(p, tuple)) / RATE_HZ


def restated(items: list[Item], how: str, folder: Path, from_s: float) -> list[str]:
    """What the part begins with of a lead check."""
    cut = part(folder, items, from_s) if how == "trim" else kept(items, from_s)
    first = [i for i in cut if isinstance(i, Change) and i.kind is ChangeKind.LEAD_CHECK and i.sample == 0]
    return [change.value for change in first]


def refused(items: list[Item], how: str, folder: Path, from_s: float) -> bool:
    pipeline = judged(part(folder, items, from_s) if how == "trim" else kept(items, from_s))
    now = pipeline.snapshot()
    assert not now.reference_proven
    assert now.lead_check.refuted == (now.judgement.side is Side.UNDETERMINED)
    assert now.judgement.leaning is Side.LOW
    return now.lead_check.refuted


@pytest.mark.parametrize("how", ["trim", "backlog"])
@pytest.mark.parametrize(
    ("before", "failed"),
    [
        (FAILS, True),
        (PASSES, False),
        (SKIPS, False),
        ((*PASSES, EMPTY, *FAILS), True),
        ((*FAILS, EMPTY, *PASSES), False),
        ((*FAILS, EMPTY, *SKIPS), True),
        (((ChangeKind.LEAD_CHECK, FAILED), EMPTY, *SKIPS), True),
    ],
)
def test_a_part_after_a_failed_check_says_so(
    tmp_path: Path, how: str, before: tuple[Volts | Told, ...], failed: bool
) -> None:
    items = log(*before, EMPTY, LOW_VOLTS)
    assert restated(items, how, tmp_path, seconds(*before) + 0.3) == [FAILED] * failed
    assert judged(items).snapshot().lead_check.refuted == failed
    assert refused(items, how, tmp_path / "again", seconds(*before) + 0.3) == failed


@pytest.mark.parametrize("how", ["trim", "backlog"])
def test_a_check_under_way_goes_on_at_its_step(tmp_path: Path, how: str) -> None:
    items = log(*FAILS, EMPTY, *PASSES[:4], EMPTY, SEATED, LOW_VOLTS)
    from_s = seconds(*FAILS, EMPTY, *PASSES[:3]) + 1.0
    assert restated(items, how, tmp_path, from_s) == [FAILED, "start", "skip", "skip"]


@pytest.mark.parametrize("how", ["trim", "backlog"])
def test_a_check_that_is_passed_in_the_part_mends_it(tmp_path: Path, how: str) -> None:
    items = log(*FAILS, EMPTY, *PASSES, LOW_VOLTS)
    from_s = seconds(*FAILS) + 0.3
    now = judged(part(tmp_path, items, from_s) if how == "trim" else kept(items, from_s)).snapshot()
    assert (now.judgement.side, now.reference_proven) == (Side.LOW, True)


def test_a_check_cut_in_two_that_fails_in_the_part_has_failed(tmp_path: Path) -> None:
    """Lead 2 reads low beside lead 1, whose touch the part does not hold."""
    low = levels([(0.8, 0.0, 9.8)])
    items = log(START, LEAD_1, low, HELD, WIGGLED, HELD, SEATED, EMPTY, LOW_VOLTS)
    assert restated(items, "trim", tmp_path, seconds(LEAD_1) - 0.1) == [FAILED, "start", "skip"]
    assert refused(items, "trim", tmp_path / "again", seconds(LEAD_1) - 0.1)
