"""Whatever is recorded, a reader made from the words of recordings/README.md reads the same."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings

from daq.capture import CaptureSource, add_note, keep_findings, write_capture
from daq.samples import Block, Gap, Item
from tests.capture.by_the_page import bins_of, log_of, pairs_of, rows_with_wrong_checksum
from tests.capture.hasty import HastyWriter
from tests.capture.logs import INFO, endless, logs, memory_folder, small


def log_as_told(items: list[Item]) -> list[tuple[Any, ...]]:
    log: list[tuple[Any, ...]] = []
    for item in items:
        if isinstance(item, Block):
            log += [("pair", *pair) for pair in item.counts.tolist()]
        elif isinstance(item, Gap):
            log.append(("gap", item.reason.value, item.seconds, item.pairs))
        else:
            value = item.value.encode("utf-8", "replace").decode()
            log.append(("change", item.kind.value, value, item.origin.value))
    return log


@settings(max_examples=80, deadline=None)
@given(logs())
def test_any_log_reads_the_same(items: list[Item]) -> None:
    with memory_folder() as folder:
        path = Path(folder) / "any.whichside"
        write_capture(path, items, INFO)
        assert log_of(path) == log_as_told(items)
        assert rows_with_wrong_checksum(path) == []
        with CaptureSource(path) as source:
            for pair in list(pairs_of(path))[::17]:
                assert pair.time_s == pytest.approx(source.time_of(pair.number), rel=1e-12)


def test_volts_and_bins_are_those_of_the_page(tmp_path: Path) -> None:
    path = tmp_path / "a.whichside"
    write_capture(path, small(), INFO)
    volts = np.array([pair.volts for pair in pairs_of(path)])
    with CaptureSource(path) as source:
        wanted = [block.layout.scale.volts(block.counts) for block in source.samples(0, source.end)]
    assert np.array_equal(volts, np.concatenate(wanted))
    for level, size in ((0, 256), (1, 2048)):
        for lead in (1, 2):
            bins = bins_of(path, level, lead)
            assert sorted(bins) == list(range(-(-len(volts) // size)))
            for number, (least, greatest, mean) in bins.items():
                inside = volts[number * size : (number + 1) * size, lead - 1]
                found = (inside.min(), inside.max(), inside.mean())
                assert (least, greatest, mean) == pytest.approx(found, rel=1e-6)


def test_checksums_of_everything_that_is_ever_written(tmp_path: Path) -> None:
    """Clocks, copies of layouts and segments, notes and findings too."""
    path = tmp_path / "a.whichside"
    with HastyWriter(path) as writer:
        for item, _ in zip(endless(4), range(600), strict=False):
            writer.append(item)
    add_note(path, "wet", -0.0)
    keep_findings(path, 1, "expect=switching", {"side": "low"})
    assert rows_with_wrong_checksum(path) == []


def test_a_changed_row_has_a_wrong_checksum(tmp_path: Path) -> None:
    """The check can fail."""
    path = tmp_path / "a.whichside"
    write_capture(path, small(), INFO)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE change SET value = 'off' WHERE value = 'on'")
        connection.commit()
    assert {table for table, _ in rows_with_wrong_checksum(path)} == {"change"}
