"""The crash campaign: every kind of mishap many times, and its table in recordings/README.md.

    python -m tests.capture.crash_campaign [--write] [--share 0.05]

Seeds are counted from 0 for each kind, so any trial can be repeated. `--write` puts the table into the page.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tests.capture import crash_trials as trials
from tests.capture.crash_trials import Outcome, Trial
from tests.capture.logs import memory_folder

PAGE = Path(__file__).parents[2] / "recordings" / "README.md"
BEGIN, END = "<!-- crash campaign -->", "<!-- end of the crash campaign -->"
HEADER = (
    "| what happened | trials (seeds from 0) | opened at once | lost of what was sent: mean, worst "
    "| untrue |\n"
    "|---|---|---|---|---|\n"
)


@dataclass(frozen=True)
class Kind:
    """A kind of mishap, how often it is tried, and the most that it may cost, s."""

    name: str
    trial: Trial
    count: int
    most_s: float
    in_memory: bool = False  # nothing there hangs on how a disk behaves


FILE_S = trials.PAIRS / trials.RATE_HZ

KINDS = (
    Kind("recorder on a serial line killed (SIGKILL)", trials.killed_on_a_line, 200, 1.0),
    Kind("cable pulled and put in again, on a serial line", trials.replugged, 50, 1.0),
    Kind("recorder in haste killed: what it had acknowledged", trials.killed_in_haste, 200, 0.0),
    Kind("power cut: unsynced sectors written or not, at random", trials.power_cut, 50, 0.0),
    Kind("disk full: what it had acknowledged", trials.disk_full, 50, 0.0),
    Kind(f"finished file of {FILE_S:.0f} s cut off anywhere", trials.truncated, 250, FILE_S, True),
    Kind(f"finished file of {FILE_S:.0f} s, 1 to 8 bits flipped", trials.flipped, 500, FILE_S, True),
)


def run(kind: Kind, count: int) -> Iterator[Outcome]:
    """Outcomes of seeds 0 .. count - 1; AssertionError where something is untrue."""
    for seed in range(count):
        with memory_folder() if kind.in_memory else tempfile.TemporaryDirectory() as folder:
            yield kind.trial(Path(folder), seed)


def line(kind: Kind, outcomes: list[Outcome]) -> str:
    tried = sum(o.trials for o in outcomes)
    opened = sum(o.trials for o in outcomes if o.opened)
    lost = [o.lost_s for o in outcomes]
    seeds = f"{tried}" if tried == len(outcomes) else f"{tried} ({len(outcomes)} recordings)"
    return f"| {kind.name} | {seeds} | {opened} | {statistics.mean(lost):.3f} s, {max(lost):.3f} s | 0 |\n"


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--share", type=float, default=1.0)
    options = parser.parse_args()
    table = HEADER
    for kind in KINDS:
        outcomes = list(run(kind, max(1, round(kind.count * options.share))))
        table += line(kind, outcomes)
        print(line(kind, outcomes), end="", flush=True)
        late = [seed for seed, outcome in enumerate(outcomes) if outcome.lost_s > kind.most_s]
        if late:
            print(f"  more than {kind.most_s} s lost at seeds {late}", flush=True)
    if options.write:
        text = PAGE.read_text()
        head, tail = text.split(BEGIN)[0], text.split(END)[1]
        PAGE.write_text(f"{head}{BEGIN}\n{table}{END}{tail}")


if __name__ == "__main__":
    main()
