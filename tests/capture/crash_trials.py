"""One mishap at a time, on the real recorder or a real file, and what it cost.

Each trial is a function of a folder and a seed. It raises AssertionError where anything in the file is not
bit for bit what was sent, and tells how much is missing of what was.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from itertools import islice
from pathlib import Path

import numpy as np

from daq.capture import CaptureSource, check_capture, salvage_capture
from daq.errors import InputError
from daq.samples import Block, Counts, Gap, GapReason, Item
from tests.capture.hasty import HastyWriter
from tests.capture.logs import endless, memory_folder, sizes
from tests.capture.test_crash import killed, survives_power_cuts
from tests.capture.test_damage import Timed, assert_pairs_of, timed
from tests.capture.test_writer import assert_beginning, recorder
from tests.wire.fake_logger import FakeLogger
from tests.wire.pty_logger import PtyLogger
from tests.wire.talk import check_dense, check_one_run, pairs_in

ROOT = Path(__file__).parents[2]
RATE_HZ = 4000.0
PATIENCE_S = 30.0
TELLING = 32  # so many pairs in a row are only once among the first thousand


@dataclass(frozen=True)
class Outcome:
    """What a trial found; `lost_s` is of samples that were sent and are not there, `trials` what it tried."""

    lost_s: float
    opened: bool  # by any reader at once, else by `check --repair`
    trials: int = 1


Trial = Callable[[Path, int], Outcome]


# The recorder itself, on a line


def lamp(first: int, count: int) -> Counts:
    """What pairs read: a load on the ground side, switched every two seconds; noise tells them apart."""
    index = np.arange(first, first + count, dtype=np.int64)
    noise = np.stack([index * 2654435761 >> 13, index * 2246822519 >> 11], axis=1) % 3
    on = index // 8000 % 2 > 0
    levels = np.stack([np.full(count, 438), np.where(on, 172, 439)], axis=1)
    counts: Counts = (levels + noise).astype(np.int32)
    return counts


class Recorder:
    """`whichside record` in a process of its own, at a logger on a pseudo-terminal."""

    def __init__(self, folder: Path, logger: PtyLogger) -> None:
        self.path = folder / "drive.whichside"
        self.logger = logger
        command = [sys.executable, "-m", "daq", "record", "--port", logger.port, "--out", str(self.path)]
        self.process = subprocess.Popen(
            command,
            cwd=ROOT,
            env={**os.environ, "XDG_CONFIG_HOME": str(folder)},
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert self.process.stdout is not None
        while "recording to" not in (line := self.process.stdout.readline()):
            assert line, "the recorder did not start"

    def runs_for(self, seconds: float) -> None:
        time.sleep(seconds)
        assert self.process.poll() is None


@contextmanager
def recording(folder: Path) -> Iterator[Recorder]:
    with PtyLogger(folder, FakeLogger(counts=lamp)) as logger:
        running = Recorder(folder, logger)
        try:
            yield running
        finally:
            running.process.kill()
            running.process.communicate()


def read(path: Path) -> list[Item]:
    with CaptureSource(path) as source:
        items = list(source)
        assert source.damages == ()
    check_dense(items)
    return items


def killed_on_a_line(folder: Path, seed: int) -> Outcome:
    """SIGKILL at a random moment; sent is what had left the logger at that moment."""
    with recording(folder) as running:
        running.runs_for(random.Random(seed).uniform(0.0, 3.5))
        sent = running.logger.logger.pairs
        running.process.kill()
        running.process.wait()
    items = read(running.path)
    first = _first_pair(items)
    assert check_one_run(items, first, lamp) <= sent + RATE_HZ  # what was on its way when it was counted
    lost = sent - first - _pairs_and_gaps(items)
    return Outcome(max(0, lost) / RATE_HZ, opened=True)


def replugged(folder: Path, seed: int) -> Outcome:
    """The plug pulled and put in again; sent is what had left the logger when it was pulled."""
    chance = random.Random(seed)
    with recording(folder) as running:
        running.runs_for(chance.uniform(0.3, 2.0))
        running.logger.unplug()
        sent, away_s = running.logger.logger.pairs, chance.uniform(0.05, 1.5)
        running.runs_for(away_s)
        running.logger.plug_in()
        running.runs_for(chance.uniform(1.5, 2.5))
        running.process.send_signal(signal.SIGTERM)
        running.process.wait(PATIENCE_S)
    items = read(running.path)
    pulled = next(n for n, i in enumerate(items) if isinstance(i, Gap) and i.reason is GapReason.UNPLUGGED)
    before, gap, behind = items[:pulled], items[pulled], items[pulled + 1 :]
    assert isinstance(gap, Gap)
    assert away_s - 0.2 <= gap.seconds <= away_s + 4.0
    first = _first_pair(before)
    check_one_run(before, first, lamp)
    assert pairs_in(behind) > 0
    check_one_run(behind, _first_pair(behind), lamp)
    with CaptureSource(running.path) as source:
        assert source.complete
    return Outcome(max(0, sent - first - _pairs_and_gaps(before)) / RATE_HZ, opened=True)


def _first_pair(items: list[Item]) -> int:
    """Which pair of its run a log begins with, by what its first pairs read; 0 where it has none."""
    block = next((i for i in items if isinstance(i, Block) and len(i.counts) >= TELLING), None)
    if block is None:
        return 0
    head = block.counts[:TELLING]
    return next(first for first in range(1024) if (lamp(first, TELLING) == head).all())


def _pairs_and_gaps(items: list[Item]) -> int:
    return pairs_in(items) + sum(i.pairs or 0 for i in items if isinstance(i, Gap))


# The recorder in haste: a second of its log goes by in far less


def killed_in_haste(folder: Path, seed: int) -> Outcome:
    """SIGKILL while a commit a few milliseconds apart follows the other; nothing acknowledged is missing."""
    path = folder / "killed.whichside"
    acknowledged = killed(path, seed, random.Random(seed).uniform(0, 0.4))
    items = read(path)
    assert_beginning(items, seed)
    return Outcome(max(0, acknowledged - sizes(items)[0]) / RATE_HZ, opened=True)


def power_cut(folder: Path, seed: int) -> Outcome:
    """Ten commits, twice each with some of the unsynced sectors written and others not."""
    return Outcome(0.0, opened=True, trials=survives_power_cuts(folder, seed, 10))


def disk_full(folder: Path, seed: int) -> Outcome:
    """The system refuses to let the file grow over a random size; nothing acknowledged is missing."""
    path = folder / "full.whichside"
    largest = random.Random(seed).randrange(60_000, 400_000)
    process = recorder(path, seed, "--largest", str(largest))
    said, _ = process.communicate(timeout=PATIENCE_S)
    *saved, sentence = said.splitlines()
    assert process.returncode == 1
    assert "is kept; make room" in sentence
    items = read(path)
    assert_beginning(items, seed)
    return Outcome(max(0, int(saved[-1]) - sizes(items)[0]) / RATE_HZ, opened=True)


# A finished file, damaged: twenty seconds and more, with gaps, marks and changes of bias

LOG: list[Item] = list(islice(endless(1), 2500))
PAIRS = sizes(LOG)[0]


@cache
def drive() -> bytes:
    """The file that a recorder made of LOG, commit by commit."""
    with memory_folder() as folder:
        path = Path(folder) / "drive.whichside"
        with HastyWriter(path) as writer:
            for item in LOG:
                writer.append(item)
        return path.read_bytes()


@cache
def truth() -> Timed:
    return timed(LOG)


def truncated(folder: Path, seed: int) -> Outcome:
    content = drive()
    return _read_or_saved(folder, content[: random.Random(seed).randrange(len(content))])


def flipped(folder: Path, seed: int) -> Outcome:
    """One to eight bits anywhere."""
    chance, content = random.Random(seed), bytearray(drive())
    for _ in range(chance.randint(1, 8)):
        content[chance.randrange(len(content))] ^= 1 << chance.randrange(8)
    return _read_or_saved(folder, bytes(content))


def _read_or_saved(folder: Path, content: bytes) -> Outcome:
    """What the damage cost once `check --repair` was asked; nothing read or saved may be untrue."""
    path, out = folder / "bad.whichside", folder / "saved.whichside"
    path.write_bytes(content)
    try:
        with CaptureSource(path) as source:
            assert_pairs_of(truth(), source)
        opened = True
    except InputError:
        opened = False
    try:
        salvage_capture(path, out)
    except InputError:
        return Outcome(PAIRS / RATE_HZ, opened)
    assert check_capture(out).intact
    items = read(out)
    assert_pairs_of(truth(), items)
    return Outcome((PAIRS - pairs_in(items)) / RATE_HZ, opened)
