"""What other programs get: the same volts and times, units and words beside them, and nothing that runs."""

from __future__ import annotations

import csv
import gzip
import io
import json
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as parquet
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.capture import CaptureSource, CaptureWriter, add_note, trim_capture, write_capture
from daq.cells import row
from daq.errors import WorkError
from daq.export_csv import export_csv
from daq.export_parquet import export_parquet
from daq.findings import to_json
from daq.recordings_in import analyse, open_recording
from daq.samples import Bias, Block, Change, ChangeKind, Gap, Item, Origin
from tests.capture.broken import damaged
from tests.capture.logs import INFO, LAYOUTS, logs, memory_folder, noisy, small

RECORDINGS = Path(__file__).parents[2] / "recordings"


def found(path: Path) -> dict[str, Any]:
    source = open_recording(path)
    try:
        return {**to_json(analyse(source), ""), "cautions": []}
    finally:
        source.close()


def assert_same(one: Any, other: Any, skew_s: float) -> None:
    """Two documents whose moments (`t_s`) may be apart by `skew_s`, and nothing else."""
    if isinstance(one, dict):
        assert one.keys() == other.keys()
        for key, value in one.items():
            if key == "t_s":
                assert value == pytest.approx(other[key], abs=skew_s + 1e-6)
            else:
                assert_same(value, other[key], skew_s)
    elif isinstance(one, list):
        assert len(one) == len(other)
        for left, right in zip(one, other, strict=True):
            assert_same(left, right, skew_s)
    else:
        assert one == other


def volts_of(path: Path) -> np.ndarray[Any, Any]:
    """(n, 3): time_s, lead 1, lead 2, by another reader than ours."""
    packed = path.suffix == ".gz"
    with gzip.open(path, "rt") if packed else path.open() as file:
        lines = list(csv.reader(file))
    assert lines[0] == ["time_s", "lead1_v", "lead2_v"]
    return np.array(lines[1:], dtype=np.float64).reshape(-1, 3)


def expected(path: Path) -> np.ndarray[Any, Any]:
    with CaptureSource(path) as source:
        parts = [
            np.column_stack(
                [
                    [source.time_of(i) for i in range(block.first, block.end)],
                    block.layout.scale.volts(block.counts),
                ]
            )
            for block in source.samples(source.first, source.end)
        ]
    return np.concatenate(parts)


@pytest.mark.parametrize("name", sorted(path.stem for path in RECORDINGS.glob("*.whichside")))
@pytest.mark.parametrize("ending", [".csv", ".csv.gz"])
def test_a_csv_gives_the_findings_of_its_capture(name: str, ending: str, tmp_path: Path) -> None:
    """But for what a CSV cannot say: a lead check, which is cut off first, marks, the logger's bias, and that
    one lead is sampled a little later than the other, by which moments may differ.
    """
    whole, path = RECORDINGS / f"{name}.whichside", tmp_path / "a.whichside"
    with CaptureSource(whole) as source:
        plugs = [i for i in source if isinstance(i, Change) and i.kind in (ChangeKind.PLUG, ChangeKind.CLEAR)]
        begin_s = source.time_of(max((p.sample for p in plugs), default=0))
    trim_capture(whole, path, begin_s)
    out = tmp_path / f"a{ending}"
    told = export_csv(path, out)
    with CaptureSource(path) as source:
        biased = any(segment.layout.bias != (Bias.OFF, Bias.OFF) for segment in source.segments())
        assert biased == any("bias was on the leads" in remark for remark in told.remarks)
        marks = [i for i in source if isinstance(i, Change) and i.kind is ChangeKind.MARK]
        skew_s = max(source.segments()[0].layout.scale.skew_s)
    if not marks and not biased:
        assert_same(found(out), found(path), skew_s)


@settings(max_examples=60, deadline=None)
@given(logs())
def test_every_pair_is_in_the_tables_to_a_microvolt(items: list[Item]) -> None:
    with memory_folder() as folder:
        path = Path(folder) / "a.whichside"
        write_capture(path, items, INFO)
        pairs = sum(len(item.counts) for item in items if isinstance(item, Block))
        told = export_csv(path, Path(folder) / "a.csv")
        assert told.pairs == pairs
        tables = [volts_of(file) for file in told.files if not file.name.endswith("-log.csv")]
        export_parquet(path, Path(folder) / "a.parquet")
        table = parquet.read_table(Path(folder) / "a.parquet")
        if not pairs:
            return
        truth = expected(path)
        columns = [table[name].to_numpy() for name in ("time_s", "lead1_v", "lead2_v")]
        assert np.column_stack(columns) == pytest.approx(truth, rel=1e-12)
        got = np.concatenate(tables)
        assert got.shape == truth.shape
        assert got[:, 0] == pytest.approx(truth[:, 0], abs=1e-9 + 1e-15 * abs(truth[-1, 0]), rel=1e-12)
        assert got[:, 1:] == pytest.approx(np.clip(truth[:, 1:], -1000, 1000), abs=0.6e-6)


def test_gaps_make_files_and_are_told(tmp_path: Path) -> None:
    """In `small` the gaps are before pair 10000 and at the end."""
    path = tmp_path / "a.whichside"
    write_capture(path, small(), INFO)
    add_note(path, "=HYPERLINK(1)", 1.0)
    told = export_csv(path, tmp_path / "drive.csv")
    assert [file.name for file in told.files] == ["drive-1.csv", "drive-2.csv", "drive-log.csv"]
    assert [len(volts_of(file)) for file in told.files[:2]] == [10_000, 5_000]
    assert volts_of(told.files[1])[0, 0] == 4.0
    for file in told.files[:2]:
        assert found(file)["sample_rate_hz"] == 4000.0
    assert "2 files, each with times from the beginning" in told.remarks[0]
    with told.files[2].open(newline="") as file_:
        log = list(csv.DictReader(file_))
    assert [(r["time_s"], r["lasted_s"]) for r in log if r["what"] == "gap"] == [
        ("2.5", "1.5"),
        ("5.25", "0.5"),
    ]
    assert [r["value"] for r in log if r["what"] == "note added later"] == ["'=HYPERLINK(1)"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.whichside", *(f.name for f in told.files)]


def test_parquet_carries_volts_units_and_words(tmp_path: Path) -> None:
    path, out = tmp_path / "a.whichside", tmp_path / "a.parquet"
    begun, now = datetime(2026, 3, 1, 12, tzinfo=UTC), 0.0
    writer = CaptureWriter(path, INFO, clock=lambda: now, utc=lambda: begun + timedelta(seconds=now))
    with writer:
        for item in small():
            now += item.seconds if isinstance(item, Gap) else 0.0
            now += len(item.counts) / 4000 if isinstance(item, Block) else 0.0
            writer.append(item)
    add_note(path, "wet", 1.0)
    export_parquet(path, out)
    table = parquet.read_table(out)
    truth = expected(path)
    for column, name in enumerate(("time_s", "lead1_v", "lead2_v")):
        assert np.array_equal(table[name].to_numpy(), truth[:, column])
    units = [table.schema.field(name).metadata[b"unit"] for name in table.column_names]
    assert units == [b"s", b"V", b"V", b"1"]
    segments = np.flatnonzero(np.diff(table["segment"].to_numpy(), prepend=0))
    assert segments.tolist() == [0, 5000, 6000, 10_000]
    about = json.loads(parquet.read_metadata(out).metadata[b"whichside"])
    assert about["pairs"] == 15_000
    assert [(s["first_row"], s["begin_s"], s["rate_hz"]) for s in about["segments"]][3] == (
        10_000,
        4.0,
        4000.0,
    )
    assert about["device"]["serial_number"] == "0042"
    assert abs(datetime.fromisoformat(about["first_pair_utc"]) - begun) < timedelta(seconds=1)
    assert {"gap", "control mark", "note", "note added later"} <= {entry["what"] for entry in about["log"]}


def test_anonymous_leaves_out_names_and_notes(tmp_path: Path) -> None:
    path = tmp_path / "secret-owner.whichside"
    items = [Change(0, Origin.USER, ChangeKind.NOTE, "secret mark"), *small()]
    write_capture(path, items, replace(INFO, name="secret name", serial_number="secret 42"))
    add_note(path, "secret note")
    export_csv(path, tmp_path / "a.csv", anonymous=True)
    export_parquet(path, tmp_path / "a.parquet", anonymous=True)
    about = parquet.read_metadata(tmp_path / "a.parquet").metadata[b"whichside"]
    for text in (about, (tmp_path / "a-log.csv").read_bytes()):
        assert b"control mark" in text
        for word in (b"secret", b"worn wire", b"hello", b"1.3"):
            assert word not in text
    export_parquet(path, tmp_path / "named.parquet")
    named = parquet.read_metadata(tmp_path / "named.parquet").metadata[b"whichside"]
    assert named.count(b"secret") == 5


def test_what_a_table_cannot_say_is_said(tmp_path: Path) -> None:
    path = tmp_path / "a.whichside"
    words = [
        Change(0, Origin.USER, ChangeKind.EXPECT, "steady"),
        Change(0, Origin.USER, ChangeKind.LEAD_CHECK, "start"),
    ]
    write_capture(path, [*words, Block(0, noisy(1, 4000), LAYOUTS[0])], INFO)
    csv_remarks = " ".join(export_csv(path, tmp_path / "a.csv").remarks)
    assert "review it with --expect steady" in csv_remarks
    assert "do not judge by them" in csv_remarks
    assert "lead 2 was sampled 0.125 ms after lead 1" in csv_remarks
    assert "do not judge by them" in " ".join(export_parquet(path, tmp_path / "a.parquet").remarks)


def test_damage_is_a_gap(whole: bytes, tmp_path: Path) -> None:
    path = damaged(tmp_path, whole, "UPDATE block SET crc = 0 WHERE first = 5000")
    told = export_csv(path, tmp_path / "a.csv")
    assert (told.damage_count, told.pairs, len(told.files)) == (1, 14_000, 4)
    table = tmp_path / "a.parquet"
    assert export_parquet(path, table).damage_count == 1
    assert parquet.read_metadata(table).num_rows == 14_000


def test_an_empty_recording_is_an_empty_table(tmp_path: Path) -> None:
    path = tmp_path / "a.whichside"
    write_capture(path, [], INFO)
    export_csv(path, tmp_path / "a.csv")
    assert (tmp_path / "a.csv").read_text() == "time_s,lead1_v,lead2_v\n"
    export_parquet(path, tmp_path / "a.parquet")
    assert parquet.read_table(tmp_path / "a.parquet").num_rows == 0


def test_what_exists_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "a.whichside"
    write_capture(path, small(), INFO)
    (tmp_path / "drive-2.csv").write_text("mine")
    (tmp_path / "drive.parquet").write_text("mine")
    with pytest.raises(WorkError, match=r"drive-2\.csv exists already"):
        export_csv(path, tmp_path / "drive.csv")
    with pytest.raises(WorkError, match=r"drive\.parquet exists already"):
        export_parquet(path, tmp_path / "drive.parquet")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.whichside", "drive-2.csv", "drive.parquet"]


def test_a_full_disk_leaves_nothing(tmp_path: Path) -> None:
    """The operating system's own refusal, in a process of its own."""
    path = tmp_path / "a.whichside"
    write_capture(path, [Block(0, noisy(1, 200_000), LAYOUTS[0])], INFO)
    for kind in ("csv", "parquet"):
        code = (
            "import resource, sys; resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000));"
            "from daq.cli import main; sys.exit(main(sys.argv[1:]))"
        )
        command = [
            sys.executable,
            "-c",
            code,
            "export",
            str(path),
            f"--{kind}",
            "-o",
            str(tmp_path / f"b.{kind}"),
        ]
        done = subprocess.run(command, cwd=RECORDINGS.parent, capture_output=True, text=True, check=False)
        assert done.returncode == 1
        assert f"b.{kind} cannot be written (File too large): make room" in done.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["a.whichside"]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@A1", "\tx", "\rx", "  =1"])
def test_formulas_are_only_text(text: str) -> None:
    """The list of owasp.org, "CSV Injection": such a cell is to begin with an apostrophe."""
    ((cell, number),) = csv.reader(io.StringIO(row([text, -1.5]), newline=""))
    assert (cell[0], cell[1:]) == ("'", text)
    assert number == "-1.5"


@given(st.lists(st.text() | st.floats(allow_nan=False) | st.none() | st.booleans(), min_size=2, max_size=5))
def test_a_row_is_one_row(cells: list[str | float | bool | None]) -> None:
    ((*read,),) = csv.reader(io.StringIO(row(cells), newline=""))
    assert len(read) == len(cells)
