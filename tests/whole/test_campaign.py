"""Circuits solved by ngspice to verdicts: a slice in every run, thousands with --long.

The circuits are drawn wide and know nothing of the analysis; the seeds here were never used in tuning.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.physics import campaign, tables
from tests.physics.score import Score

ANALYSE = "tests.analysis.volts:analyse"


def judged(folder: Path, seed: int, count: int) -> list[Score]:
    campaign.make(folder, seed, count)
    return campaign.score_folder(folder, ANALYSE)


def shares(scores: list[Score]) -> tuple[float, float]:
    """(definite and right of the decidable, avoidably wrong and definite of all).

    Left out of the first: recordings where abstaining is as good an answer, and was given.
    """
    decidable = [s for s in scores if s.decidable and s.side != "allowed"]
    right = sum(s.definite and s.side == "right" for s in decidable)
    wrong = sum(s.wrong_definite and not s.unavoidable for s in scores)
    return right / len(decidable), wrong / len(scores)


def test_a_slice_of_the_campaign(tmp_path: Path) -> None:
    scores = judged(tmp_path / "slice", 4711, 96)
    right, wrong = shares(scores)
    complaints = "\n".join(tables.complaints(scores))
    assert right >= 0.9, complaints
    assert wrong <= 0.021, complaints


@pytest.mark.long
def test_the_campaign(tmp_path: Path) -> None:
    """Writes campaign.md, campaign.json and campaign.svg where it is run."""
    scores = judged(tmp_path / "long", 815, 2400)
    tables.write(scores, Path("campaign"))
    right, wrong = shares(scores)
    assert right >= 0.95
    assert wrong <= 0.005
