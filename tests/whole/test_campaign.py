"""Circuits solved by ngspice to verdicts: thousands with --long, which writes the table; a slice in each run.

The circuits are drawn wide and know nothing of the analysis; the seed here was never used in tuning. The
table beside this file (campaign.md, .svg and .json) is what --long wrote last; the slice is its first
thirtieth, solved and judged anew, and must agree with it.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.physics import campaign, tables
from tests.physics.score import Score

ANALYSE = "tests.analysis.volts:analyse"
TABLE = Path(__file__).with_name("campaign")
SEED = 815
CIRCUITS = 2400


def judged(folder: Path, count: int) -> list[Score]:
    campaign.make(folder, SEED, count)
    return campaign.score_folder(folder, ANALYSE)


def shares(scores: list[Score]) -> tuple[float, float]:
    """(definite and right of the decidable, avoidably wrong and definite of all).

    Left out of the first: recordings where abstaining is as good an answer, and was given.
    """
    decidable = [s for s in scores if s.decidable and s.side != "allowed"]
    right = sum(s.definite and s.side == "right" for s in decidable)
    wrong = sum(s.wrong_definite and not s.unavoidable for s in scores)
    return right / len(decidable), wrong / len(scores)


def test_a_slice_of_the_campaign_agrees_with_the_table(tmp_path: Path) -> None:
    scores = judged(tmp_path / "slice", CIRCUITS // 30)
    table = json.loads(TABLE.with_suffix(".json").read_text())
    complaints = "\n".join(tables.complaints(scores))
    assert tables.outside(scores, table) == [], complaints
    assert shares(scores)[1] == 0, complaints


@pytest.mark.long
def test_the_campaign(tmp_path: Path) -> None:
    """Writes campaign.md, campaign.json and campaign.svg beside this file."""
    scores = judged(tmp_path / "long", CIRCUITS)
    tables.write(scores, TABLE)
    right, wrong = shares(scores)
    assert right >= 0.95
    assert wrong <= 0.005
