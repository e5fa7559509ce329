"""A slice of the crash campaign in every run, all of it with --long; its table is in recordings/README.md."""

from __future__ import annotations

import threading
import time
from collections import deque
from pathlib import Path

import pytest

from tests.capture import crash_trials
from tests.capture.crash_campaign import BEGIN, END, HEADER, KINDS, PAGE, Kind, run
from tests.capture.test_damage import Timed

NAP_S = 0.02
WINDOW_S = 2.0
BUSY_S = 0.1  # what tasks that wait for a processor may add, once in a while

SLICE = {
    "killed_on_a_line": 3,
    "replugged": 1,
    "killed_in_haste": 1,
    "power_cut": 1,
    "disk_full": 2,
    "truncated": 12,
    "flipped": 25,
}


class Waiting(threading.Thread):
    """How long a task here waits for a processor: next to nothing on a machine with nothing else to do.

    `worst_s` is the most that short sleeps overslept within any two seconds. What a recorder has not been
    given a processor to save is no fault of its own.
    """

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self._stop_now = threading.Event()
        self._late: deque[tuple[float, float]] = deque()
        self.worst_s = 0.0

    def run(self) -> None:
        while not self._stop_now.is_set():
            begin = time.monotonic()
            time.sleep(NAP_S)
            now = time.monotonic()
            self._late.append((now, now - begin - NAP_S))
            while now - self._late[0][0] > WINDOW_S:
                self._late.popleft()
            self.worst_s = max(self.worst_s, sum(late for _, late in self._late))

    def stop(self) -> float:
        self._stop_now.set()
        self.join()
        return self.worst_s


def check(kind: Kind, count: int) -> None:
    """Nothing untrue (`run` raises), and no more lost than a second, or than the kind may cost."""
    lost: list[tuple[int, float, float]] = []
    outcomes = run(kind, count)
    for seed in range(count):
        waiting = Waiting()
        waiting.start()
        outcome = next(outcomes)
        waited = waiting.stop()
        may = kind.most_s + waited if kind.most_s else 0.0
        if outcome.lost_s > may:
            lost.append((seed, outcome.lost_s, may))
    assert lost == []


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.trial.__name__)
def test_a_slice_of_the_campaign(kind: Kind) -> None:
    check(kind, SLICE[kind.trial.__name__])


@pytest.mark.long
@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.trial.__name__)
def test_the_campaign(kind: Kind) -> None:
    check(kind, kind.count)


def test_the_table_is_of_this_campaign() -> None:
    """As many trials as the campaign has, each kind, nothing untrue, and within what it may cost.

    The page tells of a recorder that lost more on a machine with many tasks waiting for each processor.
    """
    table = PAGE.read_text().split(BEGIN)[1].split(END)[0].strip()
    assert table.startswith(HEADER.strip())
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in table.splitlines()[2:]]
    assert [row[0] for row in rows] == [kind.name for kind in KINDS]
    for kind, (_, trials, opened, lost, untrue) in zip(KINDS, rows, strict=True):
        count = int(trials.split()[0])
        assert count >= kind.count
        assert int(opened) <= count
        assert float(lost.split(", ")[1].removesuffix(" s")) <= kind.most_s + BUSY_S
        assert untrue == "0"
        if kind.most_s <= 1.0:
            assert int(opened) == count


def test_the_trials_notice_what_is_untrue(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every hundredth count was sent as another."""
    real = crash_trials.truth()
    counts = real.counts.copy()
    counts[::100, 0] += 1
    monkeypatch.setattr(crash_trials, "truth", lambda: Timed(real.moments, counts, real.layouts))
    with pytest.raises(AssertionError):
        crash_trials.flipped(tmp_path, 4)


def test_the_trials_notice_what_is_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A second that was sent and is not in the file."""
    before = crash_trials.truncated(tmp_path, 4)
    (tmp_path / "saved.whichside").unlink(missing_ok=True)  # there where it took a repair
    monkeypatch.setattr(crash_trials, "PAIRS", crash_trials.PAIRS + 4000)
    assert crash_trials.truncated(tmp_path, 4).lost_s == pytest.approx(before.lost_s + 1.0)
