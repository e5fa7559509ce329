"""kill -9 and power cuts: the file opens, and nothing that was acknowledged is missing.

What a power cut may do is taken from SQLite's documentation ("Atomic Commit In SQLite", section 3, hardware
assumptions): sectors written since the last sync may be there or not, in any combination; synced ones are.
"""

from __future__ import annotations

import random
import subprocess
import time
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import numpy as np
import pytest

from daq.capture import CaptureSource
from tests.capture.logs import INFO, endless, sizes
from tests.capture.test_writer import alone, assert_beginning, hasty, read, recorder

SECTOR = 512


def killed(path: Path, seed: int, after_s: float) -> int:
    """Record, kill -9 after a while; the pairs that were acknowledged."""
    process = recorder(path, seed)
    try:
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(after_s)
    finally:
        process.kill()
        said, _ = process.communicate()
    whole_lines = said[: said.rfind("\n") + 1].split()
    return int(whole_lines[-1]) if whole_lines else 0


def survives_a_kill(folder: Path, seed: int) -> None:
    path = folder / "killed.whichside"
    acknowledged = killed(path, seed, random.Random(seed).uniform(0, 0.4))
    with CaptureSource(path) as source:
        items = list(source)
        assert source.damages == ()
        assert not source.complete
    assert_beginning(items, seed)
    assert sizes(items)[0] >= acknowledged
    assert alone(path)


@pytest.mark.parametrize("seed", range(5))
def test_a_killed_recorder_loses_nothing_acknowledged(tmp_path: Path, seed: int) -> None:
    survives_a_kill(tmp_path, seed)


@pytest.mark.long
@pytest.mark.parametrize("seed", range(100, 300))
def test_a_killed_recorder_loses_nothing_acknowledged_often(tmp_path: Path, seed: int) -> None:
    survives_a_kill(tmp_path, seed)


def test_it_was_a_second_of_its_clock_at_most(tmp_path: Path) -> None:
    """The recorder never has more than a second of its log unsaved: 100 items of 32 pairs, and the marks."""
    with hasty(tmp_path / "lag.whichside") as writer:
        given = 0
        for item in islice(endless(9), 1000):
            writer.append(item)
            given += sizes([item])[0]
            assert given - writer.saved_end <= 100 * 32


Disk = dict[str, bytes]


def disk(path: Path, into: Path) -> Disk:
    """What is on the disk now, copied by another process: see capture_files on plain open()."""
    files = sorted(path.parent.glob(path.name + "*"))
    subprocess.run(["cp", *files, into], check=True)
    return {file.name: (into / file.name).read_bytes() for file in files if not file.name.endswith("-shm")}


def torn(before: bytes, after: bytes, chance: random.Random) -> bytes:
    """`before` overwritten with some of the sectors of `after`, perhaps not to its length."""
    length = chance.choice(
        [len(after), len(before), chance.randint(min(len(before), len(after)), len(after))]
    )
    kept = bytearray(before.ljust(length, b"\0")[:length])
    for at in range(0, length, SECTOR):
        if chance.random() < 0.5:
            kept[at : at + SECTOR] = after[at : at + SECTOR][: length - at]
    return bytes(kept)


def power_cuts(before: Disk, after: Disk, name: str, chance: random.Random) -> Iterator[Disk]:
    """States between two commits. The -wal is synced before the main file is touched, so first one is torn,
    then the other."""
    wal = f"{name}-wal"
    old_wal, new_wal = before.get(wal, b""), after[wal]
    yield {name: before[name], wal: torn(old_wal, new_wal, chance)}
    yield {name: torn(before[name], after[name], chance), wal: new_wal}


def survives_power_cuts(folder: Path, seed: int, seconds: int) -> int:
    """Record, and after every commit try what a power cut during it could have left; the number tried."""
    chance = random.Random(seed)
    (folder / "copy").mkdir()
    (folder / "cut").mkdir()
    path, tried = folder / "power.whichside", 0
    with hasty(path) as writer:
        log = endless(seed)
        before, safe = disk(path, folder / "copy"), writer.saved_end
        for _ in range(seconds):
            while writer.saved_end == safe:
                writer.append(next(log))
            after = disk(path, folder / "copy")
            for left in power_cuts(before, after, path.name, chance):
                for name, content in left.items():
                    (folder / "cut" / name).write_bytes(content)
                items = read(folder / "cut" / path.name)
                assert_beginning(items, seed)
                assert sizes(items)[0] >= safe
                tried += 1
                for file in (folder / "cut").iterdir():
                    file.unlink()
            before, safe = after, writer.saved_end
    return tried


def test_a_power_cut_loses_nothing_acknowledged(tmp_path: Path) -> None:
    """40 commits: the -wal wraps around and is folded into the file several times in between."""
    assert survives_power_cuts(tmp_path, 1, 40) == 80


@pytest.mark.long
@pytest.mark.parametrize("seed", range(2, 12))
def test_a_power_cut_loses_nothing_acknowledged_often(tmp_path: Path, seed: int) -> None:
    assert survives_power_cuts(tmp_path, seed, 120) == 240


def test_a_wal_cut_at_any_length_gives_a_beginning(tmp_path: Path) -> None:
    path = tmp_path / "wal.whichside"
    (tmp_path / "copy").mkdir()
    with hasty(path) as writer:
        for item in islice(endless(2), 1500):
            writer.append(item)
        left, acknowledged = disk(path, tmp_path / "copy"), writer.saved_end
    wal = left[f"{path.name}-wal"]
    cut = tmp_path / "cut.whichside"
    for length in (0, 1, 31, 32, len(wal) // 3, len(wal) // 2, len(wal) - 2072, len(wal) - 1, len(wal)):
        cut.write_bytes(left[path.name])
        cut.with_name("cut.whichside-wal").write_bytes(wal[:length])
        items = read(cut)
        assert_beginning(items, 2)
        cut.unlink()
    assert sizes(items)[0] == acknowledged


def test_a_crash_before_the_first_sample_leaves_an_empty_recording(tmp_path: Path) -> None:
    path = tmp_path / "early.whichside"
    (tmp_path / "copy").mkdir()
    with hasty(path):
        disk(path, tmp_path / "copy")
    with CaptureSource(tmp_path / "copy" / path.name) as source:
        assert list(source) == []
        assert source.info == INFO
        assert source.duration_s == 0
        assert np.isnan(source.overview(0, 100, 10).low).all()
