"""Parquet of a capture: one table of all pairs, with units, and what else is known as metadata.

Columns time_s (seconds from the first pair; a jump is a gap), lead1_v and lead2_v (volts), segment (grows by
one behind every gap and where the sampling changes). The key "whichside" of the file's key-value metadata is
a JSON document: rate and calibration of each segment, gaps, changes, notes, wall time of the first pair.

Needs pyarrow, the optional extra `parquet`; it is imported here alone.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from daq.capture_reader import CaptureSource
from daq.errors import WorkError
from daq.export import Exported, Teller, timed
from daq.new_file import appearing
from daq.samples import Block, Gap, Layout
from daq.wall_facts import wall_facts

ROW_GROUP = 1 << 20
"""Pairs in a row group: large enough to pack well, small beside any computer's memory."""

UNITS = {"time_s": "s", "lead1_v": "V", "lead2_v": "V", "segment": "1"}


def pyarrow() -> ModuleType:
    """The package, or a WorkError that says how to get it."""
    try:
        import pyarrow.parquet
    except ImportError:
        raise WorkError(
            "Parquet needs the package pyarrow: run  .venv/bin/pip install '.[parquet]'  where whichside was "
            "installed from (on Windows .venv\\Scripts\\pip), or export to CSV."
        ) from None
    found: ModuleType = pyarrow
    return found


def export_parquet(path: Path | str, out: Path, anonymous: bool = False) -> Exported:
    """Write a capture to `out`. Raises as reading and `new_file` do; WorkError without pyarrow."""
    pa = pyarrow()
    with CaptureSource(path) as source, appearing(out) as aside:
        teller = Teller(source, anonymous)
        table = _Table(pa, source)
        with pa.parquet.ParquetWriter(
            aside, table.schema, compression="zstd", use_dictionary=["lead1_v", "lead2_v", "segment"],
            use_byte_stream_split=["time_s"],
        ) as writer:  # fmt: skip
            for time_s, item in timed(source):
                if isinstance(item, Block):
                    teller.saw(item)
                    for rows in table.add(item, time_s):
                        writer.write_table(rows, row_group_size=ROW_GROUP)
                    continue
                teller.tell(item, time_s)
                if isinstance(item, Gap):
                    table.end_segment()
            for rows in table.rest():
                writer.write_table(rows, row_group_size=ROW_GROUP)
            document = {**_about(source, anonymous), **table.about(), "log": _log(teller)}
            writer.add_key_value_metadata({"whichside": json.dumps(document)})
        return Exported((out,), table.pairs, tuple(teller.remarks()), source.damage_count)


class _Table:
    """Gathers pairs into tables of ROW_GROUP rows."""

    def __init__(self, pa: ModuleType, source: CaptureSource) -> None:
        kinds = (pa.float64(), pa.float64(), pa.float64(), pa.int32())
        fields = [
            pa.field(name, kind, nullable=False, metadata={"unit": unit})
            for (name, unit), kind in zip(UNITS.items(), kinds, strict=True)
        ]
        self.schema = pa.schema(fields)
        self.pairs = 0
        self._pa = pa
        self._waiting: list[list[Any]] = [[] for _ in UNITS]
        self._waiting_pairs = 0
        self._segments: list[dict[str, Any]] = []
        self._layout: Layout | None = None
        self._begin = 0.0, 0  # of the segment: moment and row
        self._after_gap = True

    def add(self, block: Block, time_s: float) -> Iterator[Any]:
        """Take in a block; yields a table where one is full."""
        count, layout = len(block.counts), block.layout
        if layout != self._layout or self._after_gap:
            self._layout, self._after_gap = layout, False
            self._begin = time_s, self.pairs
            self._segments.append(_segment(layout, self.pairs, time_s))
        volts = layout.scale.volts(block.counts)
        begin_s, begin = self._begin
        times = begin_s + np.arange(self.pairs - begin, self.pairs - begin + count) / layout.rate_hz
        columns = (times, volts[:, 0], volts[:, 1])
        for waiting, column in zip(self._waiting, columns, strict=False):
            waiting.append(column)
        self._waiting[3].append(np.full(count, len(self._segments), np.int32))
        self._waiting_pairs += count
        self.pairs += count
        if self._waiting_pairs >= ROW_GROUP:
            yield from self.rest()

    def end_segment(self) -> None:
        """What comes next comes after a gap."""
        self._after_gap = True

    def rest(self) -> Iterator[Any]:
        """What waits, as a table."""
        if self._waiting_pairs:
            columns = [np.concatenate(waiting) for waiting in self._waiting]
            self._waiting, self._waiting_pairs = [[] for _ in UNITS], 0
            yield self._pa.table(columns, schema=self.schema)

    def about(self) -> dict[str, Any]:
        return {"pairs": self.pairs, "segments": self._segments}


def _segment(layout: Layout, first: int, time_s: float) -> dict[str, Any]:
    scale = layout.scale
    return {
        "first_row": first,
        "begin_s": time_s,
        "rate_hz": layout.rate_hz,
        "calibrated": scale.calibrated,
        "volts_per_count": scale.volts_per_count,
        "offset_v": scale.offset_v,
        "skew_s": scale.skew_s,
        "offset_error_v": scale.offset_error_v,
        "gain_error": scale.gain_error,
        "bias": [bias.name.lower() for bias in layout.bias],
    }


def _about(source: CaptureSource, anonymous: bool) -> dict[str, Any]:
    about = {
        "schema": 1,
        "about": "two-lead voltage recording: lead 1 and lead 2 against battery negative, DC",
        "units": UNITS,
        **wall_facts(source, source.wall_clock()),
        "complete": source.complete,
    }
    if anonymous:
        return about
    device = {"name": source.info.name, "serial_number": source.info.serial_number}
    return {**about, "file": source.path.name, "device": {**device, "firmware": source.info.firmware}}


def _log(teller: Teller) -> list[dict[str, Any]]:
    return [
        {"time_s": h.time_s, "what": h.what, "origin": h.origin, "value": h.value, "lasted_s": h.lasted_s}
        for h in teller.happenings()
    ]
