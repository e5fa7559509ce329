"""Recordings to survey, and workers that die, to be imported by the workers themselves."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from daq import survey_runs
from daq.capture import write_capture
from daq.samples import Block, Change, ChangeKind, Layout, Origin, Scale
from daq.survey import Task
from tests.analysis.waves import HIGH, LOW, levels
from tests.capture.logs import INFO

MICROVOLTS = Layout(4000.0, Scale((1e-6, 1e-6)))


def recording(path: Path, high: bool) -> Path:
    """A load switched a few times, on the positive or the ground side."""
    counts = (levels(HIGH if high else LOW) * 1e6).round().astype("int32")
    expected = Change(0, Origin.USER, ChangeKind.EXPECT, "switching")
    write_capture(path, [expected, Block(0, counts, MICROVOLTS)], INFO)
    return path


def deadly_batch(batch: Sequence[Task], expectation: str | None) -> survey_runs.Answer:
    """As `survey_batch`, but files of that name kill whoever opens them."""
    if any("deadly" in task.path for task in batch):
        os._exit(9)
    return survey_runs.survey_batch(batch, expectation)
