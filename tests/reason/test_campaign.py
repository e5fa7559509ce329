"""Circuits at large, the program choosing its tests: --long writes the table, each run takes a slice of two.

The circuits are drawn apart from the program's own knowledge and solved by ngspice; the seeds were never used
in tuning. One circuit in twenty has a control wire that leaks. The table beside this file (campaign.md, .json
and .svg) is what was measured last; goals that it misses stand in it. The slice is the first circuit of each
seed, worked anew, and must agree with it.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.reason import campaign, campaign_table

TABLE = Path(__file__).with_name("campaign")
SEEDS = (721110, 728010, 734846)  # digits of the roots of 52, 53 and 54
CIRCUITS = 80  # of each seed
FIXED = 8


def test_a_slice_of_the_campaign_agrees_with_the_table() -> None:
    outcomes = [campaign.work(seed * 100_000) for seed in SEEDS]
    table = json.loads(TABLE.with_suffix(".json").read_text())
    complaints = "\n".join(campaign_table.complaints(outcomes))
    assert campaign_table.outside(outcomes, table) == [], complaints
    assert not any(o.lost or (o.wrong_side >= 0.9 and campaign.apart(o)) for o in outcomes), complaints


@pytest.mark.long
def test_the_campaign() -> None:
    """Writes campaign.md, campaign.json and campaign.svg beside this file."""
    own = [o for seed in SEEDS for o in campaign.run(seed, CIRCUITS)]
    fixed = [o for seed in SEEDS for o in campaign.run(seed, FIXED, campaign.fixed_order)]
    campaign_table.write(own, fixed, TABLE)
    assert sum(o.wrong_side >= 0.9 and campaign.apart(o) for o in own) <= 0.005 * len(own)
    assert not any(o.lost for o in own)
