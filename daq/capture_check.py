"""Is this capture whole? Reads everything once and says what cannot be used."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from daq import capture_schema as schema
from daq.capture_rows import Damage
from daq.capture_store import CaptureStore, Lost
from daq.pyramid import Bins, PyramidBuilder, bin_pairs
from daq.samples import Block, Gap
from daq.words import count

MOST_LISTED = 20
_FLOAT32 = 1e-6  # relative: what a mean may differ by when its sum was put together otherwise


@dataclass(frozen=True, slots=True)
class LostTime:
    """A stretch of the recording whose `pairs` cannot be read, s from the first pair."""

    begin_s: float
    end_s: float
    pairs: int


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What `check_capture` found.

    `pairs_missing` and `seconds_missing` are what damage cost, `lost` is where; `entries_missing` are gaps
    and changes (marks, ...) that were numbered and are not there.
    """

    file: str
    complete: bool  # ended properly; False also while it is being recorded
    pairs: int
    duration_s: float
    segments: int
    gaps: int
    changes: int
    notes: int
    pairs_missing: int
    seconds_missing: float
    entries_missing: int
    lost: tuple[LostTime, ...]
    damages: tuple[Damage, ...]

    @property
    def intact(self) -> bool:
        return not self.damages and not self.pairs_missing and not self.entries_missing

    def to_json(self) -> dict[str, Any]:
        return {"schema": 1, "intact": self.intact, **asdict(self)}

    def sentence(self) -> str:
        """One sentence for the user."""
        state = "ended properly" if self.complete else "was cut off, or is still running"
        if self.intact:
            return f"{self.file} is intact: {self.duration_s:.1f} s of samples; the recording {state}."
        return (
            f"{self.file} is damaged in {count(len(self.damages), 'place')}: {self.seconds_missing:.3f} s "
            f"of {self.duration_s:.1f} s cannot be read; the rest can be used. The recording {state}."
        )

    def lines(self) -> Iterator[str]:
        """What is lost and what is damaged, place by place."""
        yield from lost_lines(self.lost)
        if self.entries_missing:
            yield f"lost: {self.entries_missing} marks or gaps"
        yield from _listed([f"damaged: {d.table}, row {d.row}: {d.why}" for d in self.damages])


def lost_lines(lost: tuple[LostTime, ...]) -> list[str]:
    """A line for each stretch, or for the first of many."""
    return _listed([f"lost: {one.begin_s:.3f} s to {one.end_s:.3f} s ({one.pairs} pairs)" for one in lost])


def _listed(lines: list[str]) -> list[str]:
    more = [f"and {len(lines) - MOST_LISTED} more"] if len(lines) > MOST_LISTED else []
    return lines[:MOST_LISTED] + more


def check_capture(path: Path | str) -> CheckReport:
    """Read every row of every table; raises InputError or WorkError only where nothing can be read at all.

    Every block is decoded, and the pyramid compared with one made anew from the blocks.
    """
    store = CaptureStore(Path(path))
    try:
        pairs, lost = _read_samples(store)
        items = list(store.entries(0))
        notes, *_ = [sum(1 for _ in store.scan(table)) for table in (schema.NOTE, *schema.TABLES)]
        faults = [Damage("file", number, text) for number, text in enumerate(store.faults())]
        return CheckReport(
            file=str(path),
            complete=store.complete,
            pairs=pairs,
            duration_s=store.time_behind(store.end),
            segments=len(store.segments()),
            gaps=sum(isinstance(entry.item, Gap) for entry in items),
            changes=sum(not isinstance(entry.item, Gap) for entry in items),
            notes=notes,
            pairs_missing=sum(stretch.pairs for stretch in lost),
            seconds_missing=sum(stretch.end_s - stretch.begin_s for stretch in lost),
            entries_missing=max((e.number for e in items), default=0) - len({e.number for e in items}),
            lost=tuple(lost),
            damages=(*store.damages, *faults),
        )
    finally:
        store.close()


def _read_samples(store: CaptureStore) -> tuple[int, list[LostTime]]:
    """(pairs read, what is missing); compares the pyramid on the way."""
    pairs = 0
    lost: list[LostTime] = []
    pyramid = _PyramidCheck(store)
    for piece in store.pieces(store.first):
        if isinstance(piece, Lost):
            begin_s, end_s = store.time_of(piece.first), store.time_behind(piece.end)
            lost.append(LostTime(begin_s, end_s, piece.end - piece.first))
        else:
            pairs += len(piece.counts)
            pyramid.push(piece)
    pyramid.finish()
    return pairs, lost


class _PyramidCheck:
    """Makes the pyramid anew, row by row, and compares what is stored of it.

    Bins that damaged samples went into cannot be made anew and are left alone; rows that are not stored are
    no damage, since whoever draws makes them from the level below.
    """

    def __init__(self, store: CaptureStore) -> None:
        self._store = store
        self._builder = PyramidBuilder()

    def push(self, block: Block) -> None:
        for level, bins in self._builder.push(block.first, block.counts, block.layout.scale):
            self._compare(level, bins)

    def finish(self) -> None:
        for level, bins in self._builder.finish():
            self._compare(level, bins)

    def _compare(self, level: int, made: Bins) -> None:
        begin, end = int(made.number[0]), int(made.number[-1]) + 1
        whole = made.pairs == self._pairs_of(level, made)
        for stored in self._store.pyramid(level, begin, end):
            at = np.searchsorted(made.number, stored.number)
            both = (at < len(made)) & (made.number[np.minimum(at, len(made) - 1)] == stored.number)
            at, both = at[both], np.flatnonzero(both)
            at, both = at[whole[at]], both[whole[at]]
            if not _agree(made, at, stored, both):
                row = int(stored.number[0])
                self._store.note_damage(
                    schema.PYRAMID, row, f"level {level} from bin {row} on does not agree with the samples"
                )

    def _pairs_of(self, level: int, bins: Bins) -> np.ndarray[Any, np.dtype[np.int64]]:
        """How many pairs each bin should have."""
        size = bin_pairs(level)
        end = np.minimum((bins.number + 1) * size, self._store.end)
        whole: np.ndarray[Any, np.dtype[np.int64]] = end - np.maximum(bins.number * size, self._store.first)
        return whole


def _agree(
    made: Bins,
    at: np.ndarray[Any, np.dtype[np.int64]],
    stored: Bins,
    there: np.ndarray[Any, np.dtype[np.int64]],
) -> bool:
    """Whether bins `at` of one are bins `there` of the other, as far as float32 tells."""
    return all(
        np.allclose(one[at], other[there], rtol=_FLOAT32, atol=_FLOAT32)
        for one, other in ((made.low, stored.low), (made.high, stored.high), (made.mean, stored.mean))
    )
