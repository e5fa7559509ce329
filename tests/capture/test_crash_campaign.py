"""A slice of the crash campaign in every run, all of it with --long; its table is in recordings/README.md."""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.samples import Block
from tests.capture import crash_trials
from tests.capture.crash_campaign import KINDS, Kind, run
from tests.capture.logs import small

SLICE = {
    "killed_on_a_line": 3,
    "replugged": 1,
    "killed_in_haste": 1,
    "power_cut": 1,
    "disk_full": 2,
    "truncated": 12,
    "flipped": 25,
}


def check(kind: Kind, count: int) -> None:
    """Nothing untrue (`run` raises), and no more lost than a second, or than the kind may cost."""
    outcomes = list(run(kind, count))
    assert len(outcomes) == count
    assert [seed for seed, outcome in enumerate(outcomes) if outcome.lost_s > kind.most_s] == []


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.trial.__name__)
def test_a_slice_of_the_campaign(kind: Kind) -> None:
    check(kind, SLICE[kind.trial.__name__])


@pytest.mark.long
@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.trial.__name__)
def test_the_campaign(kind: Kind) -> None:
    check(kind, kind.count)


def test_the_trials_notice_what_is_untrue(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A recorder that changes one count in the file of `small`."""
    changed = small()
    block = next(item for item in changed if isinstance(item, Block))
    block.counts[0, 0] += 1
    monkeypatch.setattr(crash_trials, "small", lambda: changed)
    with pytest.raises(AssertionError):
        crash_trials.flipped(tmp_path, 4)


def test_the_trials_notice_what_is_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A recorder that leaves the last second away."""
    monkeypatch.setattr(crash_trials, "small", lambda: small()[:-10])
    assert crash_trials.truncated(tmp_path, 4).lost_s > 0.5
