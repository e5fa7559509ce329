"""The sample captures that ship: each a short story played on the bench.

    python -m tests.whole.sample_captures FOLDER

They are made once and kept in recordings/; the tests check that they still say what their story says.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from daq.bench import BenchSource
from daq.capture import write_capture
from daq.samples import Block, Change, ChangeKind, Item, Origin
from daq.source import Operate

ON_OFF = (("on", 0.9), ("off", 0.7))


@dataclass(frozen=True)
class Story:
    """`steps` are (what, to, seconds it is held); `changes` what the user told, (s, kind, value)."""

    name: str
    circuit: str
    steps: tuple[tuple[str, str, float], ...]
    changes: tuple[tuple[float, ChangeKind, str], ...] = ()
    seed: int = 1
    whisper: bool = False  # as the first captures were made


def cycles(
    n: int, *, what: str = "control", on: float = 0.9, off: float = 0.7
) -> tuple[tuple[str, str, float], ...]:
    return ((what, "on", on), (what, "off", off)) * n


STORIES = (
    Story("trailer-lamp", "trailer-lamp", cycles(3), ((0.0, ChangeKind.PLUG, "in"),)),
    Story("mower-work-lamp", "work-lamp", cycles(3), ((0.0, ChangeKind.PLUG, "in"),)),
    Story("cabin-blower", "cabin-blower", cycles(2, on=1.5)),
    Story(
        "window-motor",
        "window-motor",
        (("control", "on", 0.8), ("control", "off", 0.6), ("control", "other", 0.8), ("control", "off", 0.6)),
    ),
    Story("chattering-pump-relay", "pump-relay", cycles(2, on=2.5), seed=5),
    Story("cargo-lamp-dead", "cargo-lamp", cycles(2), ((0.7, ChangeKind.MARK, "on"),)),
    Story("fog-lamp-dark", "fog-lamp", cycles(2), ((0.7, ChangeKind.MARK, "on"),)),
    Story(
        "hay-rake-lamp",
        "rake-lamp",
        cycles(3),
        ((0.0, ChangeKind.NOTE, "reference clip on a painted bracket"),),
        seed=3,
    ),
    Story("windlass-relay", "boat-relay", cycles(3), whisper=True),
)


def items(story: Story) -> Iterator[Item]:
    """The ordered log of a story."""
    at, script = 0.6, []
    for what, to, held in story.steps:
        script.append((at, Operate(what, to)))
        at += held
    source = BenchSource(
        story.circuit,
        speed=None,
        seed=story.seed,
        script=script,
        duration_s=at + 0.3,
        whisper=story.whisper,
    )
    told = sorted(story.changes, key=lambda c: c[0])
    yield Change(0, Origin.USER, ChangeKind.EXPECT, "switching")
    for item in source:
        while isinstance(item, Block) and told and item.first >= told[0][0] * item.layout.rate_hz:
            when, kind, value = told.pop(0)
            yield Change(item.first, Origin.USER, kind, value, when if kind is ChangeKind.MARK else None)
        yield item


def make(folder: Path) -> list[Path]:
    """Write every sample capture into `folder`; none may exist there."""
    paths = []
    for story in STORIES:
        path = folder / f"{story.name}.whichside"
        write_capture(path, items(story), BenchSource(story.circuit, speed=None, duration_s=0.1).info)
        paths.append(path)
    return paths


if __name__ == "__main__":
    print(*make(Path(sys.argv[1])), sep="\n")
