"""Is this capture whole? Reads everything once and says what cannot be used."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from daq import capture_schema as schema
from daq.capture_rows import Damage
from daq.capture_store import CaptureStore, Lost
from daq.pyramid import LEVELS, bin_pairs
from daq.samples import Gap


@dataclass(frozen=True, slots=True)
class CheckReport:
    """What `check_capture` found. `pairs_missing` and `seconds_missing` are what damage cost."""

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
    damages: tuple[Damage, ...]

    @property
    def intact(self) -> bool:
        return not self.damages and not self.pairs_missing

    def to_json(self) -> dict[str, Any]:
        return {"schema": 1, "intact": self.intact, **asdict(self)}

    def sentence(self) -> str:
        """One sentence for the user."""
        state = "ended properly" if self.complete else "was cut off, or is still running"
        if self.intact:
            return f"{self.file} is intact: {self.duration_s:.1f} s of samples; the recording {state}."
        return (
            f"{self.file} is damaged in {len(self.damages)} places: {self.seconds_missing:.3f} s of "
            f"{self.duration_s:.1f} s cannot be read; the rest can be used. The recording {state}."
        )


def check_capture(path: Path | str) -> CheckReport:
    """Read every row of every table; raises InputError or WorkError only where nothing can be read at all."""
    store = CaptureStore(Path(path))
    try:
        pairs, missing, seconds = _read_samples(store)
        _read_pyramid(store)
        items = [entry.item for entry in store.entries(0)]
        notes, *_ = [sum(1 for _ in store.scan(table)) for table in (schema.NOTE, *schema.TABLES)]
        faults = [Damage("file", number, text) for number, text in enumerate(store.faults())]
        return CheckReport(
            file=str(path),
            complete=store.complete,
            pairs=pairs,
            duration_s=store.time_behind(store.end),
            segments=len(store.segments()),
            gaps=sum(isinstance(item, Gap) for item in items),
            changes=sum(not isinstance(item, Gap) for item in items),
            notes=notes,
            pairs_missing=missing,
            seconds_missing=seconds,
            damages=(*store.damages, *faults),
        )
    finally:
        store.close()


def _read_samples(store: CaptureStore) -> tuple[int, int, float]:
    """(pairs read, pairs missing, seconds missing)."""
    pairs = missing = 0
    seconds = 0.0
    for piece in store.pieces(store.first):
        if isinstance(piece, Lost):
            missing += piece.end - piece.first
            seconds += store.time_behind(piece.end) - store.time_behind(piece.first)
        else:
            pairs += len(piece.counts)
    return pairs, missing, seconds


def _read_pyramid(store: CaptureStore) -> None:
    for level in range(LEVELS):
        last_bin = store.end // bin_pairs(level)
        for _ in store.pyramid(level, 0, last_bin + 1):
            pass
