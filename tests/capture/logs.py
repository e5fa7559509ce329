"""Logs to record: drawn ones, an endless one, a small fixed one; and how to compare two of them."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from hypothesis import strategies as st

from daq.samples import (
    Bias,
    Block,
    BlockFlag,
    Change,
    ChangeKind,
    Counts,
    DeviceInfo,
    Gap,
    GapReason,
    Item,
    Layout,
    Origin,
    Scale,
)

INFO = DeviceInfo("bench: brake lamp", "0042", "1.3", "pty", {"boot": "7"})

CONVERTER = Scale(
    (48 / 4096, 48.1 / 4096),
    (-8.0, -8.02),
    (0.0, 1.25e-4),
    (0, 0),
    (4095, 4095),
    (0.01, 0.02),
    (1e-3, 2e-3),
    True,
)
TEXT_FILE = Scale((1e-6, 1e-6))  # microvolts, saturation unknown
LAYOUTS = (
    Layout(4000.0, CONVERTER),
    Layout(4000.0, CONVERTER, (Bias.WHISPER, Bias.OFF)),
    Layout(62.5, Scale((-0.0007, 0.0007)), ranges=(1, 2)),  # lead 1 inverted by the front end
    Layout(1e5 / 3, TEXT_FILE),
)


def memory_folder() -> tempfile.TemporaryDirectory[str]:
    """In memory where there is such a place: for the many small files of property tests."""
    memory = Path("/dev/shm")
    return tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None)


@dataclass
class Stretch:
    """Samples of one layout with nothing in between, however they were cut into blocks."""

    first: int
    layout: Layout
    flags: int  # what was lost before it
    counts: bytes


def normal(items: Iterable[Item]) -> list[Stretch | Gap | Change]:
    """The log with its blocks joined: two logs are the same when their normal forms are equal."""
    log: list[Stretch | Gap | Change] = []
    for item in items:
        if not isinstance(item, Block):
            log.append(item)
            continue
        assert item.counts.dtype == np.int32
        last = log[-1] if log else None
        if not len(item.counts):
            continue
        if isinstance(last, Stretch) and not item.flags and last.layout == item.layout:
            assert item.first == last.first + len(last.counts) // 8
            last.counts += item.counts.tobytes()
        else:
            log.append(Stretch(item.first, item.layout, int(item.flags), item.counts.tobytes()))
    return log


def noisy(seed: int, pairs: int, spread: float = 2.0, level: int = 1300) -> Counts:
    rng = np.random.RandomState(seed)  # its stream is frozen, and the released fixtures rest on it
    return np.rint(level + rng.normal(0, spread, (pairs, 2))).astype(np.int32)


@st.composite
def counts(draw: st.DrawFn, most: int = 300) -> Counts:
    pairs = draw(st.integers(1, most))
    seed = draw(st.integers(0, 2**32 - 1))
    kind = draw(st.sampled_from(["converter", "sums", "text", "anything", "steady"]))
    rng = np.random.default_rng(seed)
    if kind == "converter":
        return noisy(seed, pairs)
    if kind == "sums":
        return noisy(seed, pairs, 40.0, 40_000)
    if kind == "text":
        return rng.integers(-2560, 2560, (pairs, 2), dtype=np.int32) * 15_625
    if kind == "anything":
        return rng.integers(-(2**31), 2**31, (pairs, 2), dtype=np.int64).astype(np.int32)
    return np.full((pairs, 2), draw(st.integers(-(2**31), 2**31 - 1)), np.int32)


finite = st.floats(allow_nan=False, allow_infinity=False)
lasting = st.floats(0, 1e6)
words = st.text(max_size=12)

FLAGS = st.sampled_from([BlockFlag.NONE] * 4 + [BlockFlag.MISSED_TRIGGER, BlockFlag.OVERFLOW, BlockFlag(3)])


@st.composite
def logs(draw: st.DrawFn) -> list[Item]:
    """Any log that keeps the contract: dense blocks from any first index, gaps and changes anywhere."""
    at = draw(st.sampled_from([0, 0, 1, 255, 10**12]))
    items: list[Item] = []
    for what in draw(st.lists(st.sampled_from("bbbbbbgcce"), max_size=14)):
        if what == "b":
            block = Block(at, draw(counts()), draw(st.sampled_from(LAYOUTS)), draw(FLAGS))
            items.append(block)
            at = block.end
        elif what == "e":
            items.append(Block(at, np.zeros((0, 2), np.int32), LAYOUTS[0]))
        elif what == "g":
            pairs = draw(st.none() | st.integers(0, 2**40))
            reason = draw(st.sampled_from(GapReason))
            items.append(Gap(at, draw(lasting), draw(lasting), pairs, reason))
        else:
            sample = draw(st.sampled_from([at, at, at, 0, at + 7]))
            kind, origin = draw(st.sampled_from(ChangeKind)), draw(st.sampled_from(Origin))
            items.append(Change(sample, origin, kind, draw(words), draw(st.none() | finite)))
    return items


def endless(seed: int) -> Iterator[Item]:
    """A log like a logger's, for ever: frames of 32 pairs, sometimes a gap, a mark or a bias."""
    rng = np.random.default_rng(seed)
    at, layout = 0, LAYOUTS[0]
    while True:
        chance = rng.random()
        if chance < 0.01:
            yield Gap(at, 0.25, 0.0, 1000, GapReason.OVERFLOW)
        elif chance < 0.03:
            yield Change(at, Origin.USER, ChangeKind.MARK, "on", at / 4000)
        elif chance < 0.04:
            layout = LAYOUTS[int(rng.integers(0, 2))]
        yield Block(at, np.rint(rng.normal(1300, 2, (32, 2))).astype(np.int32), layout)
        at += 32


def small() -> list[Item]:
    """Half a minute with one of everything, for damaging and for looking at."""
    items: list[Item] = [
        Change(0, Origin.USER, ChangeKind.EXPECT, "switching"),
        Change(0, Origin.DEVICE, ChangeKind.DEVICE, "hello boot=7 cause=power"),
    ]
    at = 0
    for second in range(30):
        layout = LAYOUTS[1] if 10 <= second < 12 else LAYOUTS[0]
        flags = BlockFlag.MISSED_TRIGGER if second == 5 else BlockFlag.NONE
        if second == 20:
            items.append(Gap(at, 1.5, 0.002, None, GapReason.UNPLUGGED))
        if second % 7 == 3:
            items.append(Change(at, Origin.USER, ChangeKind.MARK, "on", second - 0.25))
        items.append(Block(at, noisy(second, 400), layout, flags))
        items.append(Block(at + 400, noisy(100 + second, 100, level=5), layout))
        at += 500
    items.append(Gap(at, 0.5, 0.0, 2000, GapReason.OVERFLOW))
    items.append(Change(at, Origin.USER, ChangeKind.NOTE, "worn wire — “brown”"))
    return items


def prefix(items: Iterable[Item], pairs: int, entries: int) -> list[Item]:
    """The shortest beginning of a log that has so many pairs and so many gaps and changes."""
    taken: list[Item] = []
    for item in items:
        if pairs <= 0 and entries <= 0:
            break
        taken.append(item)
        if isinstance(item, Block):
            pairs -= len(item.counts)
        else:
            entries -= 1
    assert (pairs, entries) == (0, 0)
    return taken


def sizes(items: Iterable[Item]) -> tuple[int, int]:
    """(pairs, gaps and changes)."""
    pairs = entries = 0
    for item in items:
        if isinstance(item, Block):
            pairs += len(item.counts)
        else:
            entries += 1
    return pairs, entries
