"""Many recordings in one table: the same one whoever does the work, and whatever some of the files do."""

from __future__ import annotations

import csv
import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import pyarrow.parquet as parquet
import pytest
from distributed import LocalCluster

from daq import survey_runs
from daq.errors import InputError, WorkError
from daq.findings import EventKind, to_json
from daq.recordings_in import analyse, open_recording
from daq.survey import COLUMNS, Row, Task, row_without_answer, survey_file, tasks_in
from daq.survey_cluster import Cluster
from daq.survey_runs import Progress, local_processes, survey
from daq.survey_table import csv_lines, write_table
from tests.analysis.waves import LOW, levels
from tests.capture.broken import damaged
from tests.commands.test_commands import run, text_recording
from tests.survey.files import deadly_batch, recording

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Thirteen captures below a directory, two of them unusable, one damaged."""
    top = tmp_path_factory.mktemp("many")
    for number in range(10):
        place = top / f"van {number % 3}"
        place.mkdir(exist_ok=True)
        recording(place / f"drive {number}.whichside", high=number % 2 == 0)
    (top / "empty.whichside").touch()
    (top / "=HYPERLINK(1).whichside").write_text("no capture")
    whole = recording(tmp_path_factory.mktemp("whole") / "a.whichside", high=True).read_bytes()
    damaged(top, whole, "UPDATE change SET crc = 0")
    (top / "notes.txt").write_text("not looked at")
    return top


@contextmanager
def one_thread() -> Iterator[Executor]:
    with ThreadPoolExecutor(1) as executor:
        yield executor


def rows_of(folder: Path) -> list[Row]:
    return survey(tasks_in([folder]), one_thread, 1)


def test_a_row_is_what_review_says(folder: Path) -> None:
    for task in tasks_in([folder]):
        row = survey_file(task.shown, task.path)
        assert list(row) == [column.name for column in COLUMNS]
        if row["error"]:
            continue
        source = open_recording(Path(task.path))
        said = to_json(analyse(source), "")
        source.close()
        for name in ("side", "confidence", "feed_lead", "source_v", "load_kind", "duration_s", "why"):
            assert row[name] == said[name]
        assert row["edges"] == len(said["edges"])
        kinds = sum(int(row[f"events_{k.value.replace(' ', '_').replace('-', '_')}"] or 0) for k in EventKind)
        assert row["events"] == kinds == len(said["events"])


def test_unusable_files_are_rows_with_their_error(folder: Path) -> None:
    rows = {Path(str(row["file"])).name: row for row in rows_of(folder)}
    assert len(rows) == 13
    assert "is not a capture" in str(rows["=HYPERLINK(1).whichside"]["error"])
    assert rows["empty.whichside"]["error"]
    assert rows["empty.whichside"]["side"] is None
    assert [rows["damaged.whichside"][name] for name in ("error", "damaged_places", "side")] == [
        "",
        1,
        "high",
    ]
    assert [rows[f"drive {n}.whichside"]["side"] for n in range(4)] == ["high", "low", "high", "low"]


def test_text_recordings_are_taken_when_named(tmp_path: Path) -> None:
    path = text_recording(tmp_path / "lamp.csv", levels(LOW))
    (row,) = survey(tasks_in([path]), one_thread, 1, "steady")
    assert row["error"] == ""
    assert row["events_ground_dropout"] == row["events"] == 3
    with pytest.raises(InputError, match="No capture"):
        tasks_in([tmp_path])
    with pytest.raises(InputError, match="does not exist"):
        tasks_in([tmp_path / "none"])


def test_a_place_named_twice_is_surveyed_once(folder: Path) -> None:
    assert len(tasks_in([folder, folder / "van 1", folder / "empty.whichside"])) == 13


def test_processes_give_the_same_table(folder: Path) -> None:
    seen: list[Progress] = []
    tasks = tasks_in([folder])
    rows = survey(tasks, partial(local_processes, 2), 2, progress=seen.append)
    assert "".join(csv_lines(rows)) == "".join(csv_lines(rows_of(folder)))
    assert [p.done for p in seen] == sorted(p.done for p in seen)
    assert (seen[-1].done, seen[-1].files, seen[-1].unusable) == (13, 13, 2)


def test_a_file_that_kills_whoever_opens_it_is_a_row(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = rows_of(folder)
    monkeypatch.setattr(survey_runs, "survey_batch", deadly_batch)
    killers = [recording(tmp_path / f"deadly {n}.whichside", high=True) for n in range(2)]
    rows = survey(tasks_in([folder, *killers]), partial(local_processes, 2), 2)
    assert rows[:13] == expected
    assert all("whoever analysed it died (BrokenProcessPool)" in str(row["error"]) for row in rows[13:])


def test_small_files_go_out_together(monkeypatch: pytest.MonkeyPatch) -> None:
    """As soon as it is known how quick they are, a batch takes BATCH_S."""
    sizes: list[int] = []

    def quick(batch: Sequence[Task], expectation: str | None) -> survey_runs.Answer:
        sizes.append(len(batch))
        return [row_without_answer(task.shown, "") for task in batch], 0.001 * len(batch)

    monkeypatch.setattr(survey_runs, "survey_batch", quick)
    many = [Task(f"{n}", f"{n}", 1000) for n in range(5000)]
    rows = survey(many, one_thread, 1)
    assert [row["file"] for row in rows] == [f"{n}" for n in range(5000)]
    assert max(sizes) >= 200
    assert sum(sizes[5:]) / len(sizes[5:]) > 100


@pytest.fixture(scope="module")
def cluster() -> Iterator[str]:
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=":0", silence_logs=50
    ) as cluster:
        yield str(cluster.scheduler_address)


def test_a_cluster_gives_the_same_table(folder: Path, cluster: str) -> None:
    connection = Cluster(cluster)
    try:
        rows = survey(tasks_in([folder]), connection.executor, connection.workers)
    finally:
        connection.close()
    assert "".join(csv_lines(rows)) == "".join(csv_lines(rows_of(folder)))


def test_a_cluster_on_the_command_line(folder: Path, cluster: str, tmp_path: Path) -> None:
    done = run("survey", folder, "--scheduler", cluster, "-o", tmp_path / "t.csv")
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "t.csv").read_text() == "".join(csv_lines(rows_of(folder))).replace("\r\n", "\n")


def test_no_scheduler_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daq.survey_cluster.PATIENCE_S", 1)
    with pytest.raises(WorkError, match="No dask scheduler answers at tcp"):
        Cluster("tcp://127.0.0.1:1")


def test_workers_of_another_version_are_refused(cluster: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("daq.survey_cluster.ANALYSIS_VERSION", 999)
    with pytest.raises(WorkError, match="has this whichside"):
        Cluster(cluster)


def test_every_kind_of_table_says_the_same(folder: Path, tmp_path: Path) -> None:
    rows = rows_of(folder)
    for ending in ("csv", "jsonl", "parquet"):
        write_table(rows, tmp_path / f"t.{ending}")
        with pytest.raises(WorkError, match="exists already"):
            write_table(rows, tmp_path / f"t.{ending}")
    assert [json.loads(line) for line in (tmp_path / "t.jsonl").read_text().splitlines()] == rows
    table = parquet.read_table(tmp_path / "t.parquet")
    assert table.to_pylist() == rows
    assert table.schema.field("source_v").metadata == {b"unit": b"V"}
    with (tmp_path / "t.csv").open(newline="") as file:
        lines = list(csv.DictReader(file))
    assert [line["side"] for line in lines] == [row["side"] or "" for row in rows]
    assert [line["duration_s"] for line in lines] == [
        "" if r["error"] else repr(r["duration_s"]) for r in rows
    ]


# As a user meets it


def test_the_table_is_printed_or_saved(folder: Path, tmp_path: Path) -> None:
    done = run("survey", folder, "--workers", "1")
    assert done.returncode == 0
    lines = list(csv.DictReader(io.StringIO(done.stdout)))
    assert len(lines) == 13
    assert "13 files, 2 unusable" in done.stderr
    done = run("survey", ".", "-o", tmp_path / "t.jsonl", folder=folder)
    assert (done.returncode, done.stdout) == (0, "")
    first = json.loads((tmp_path / "t.jsonl").read_text().splitlines()[0])
    assert first["file"] == "=HYPERLINK(1).whichside"


def test_a_name_is_never_a_formula(folder: Path) -> None:
    done = run("survey", ".", "--workers", "1", folder=folder)
    assert done.stdout.splitlines()[1].startswith("'=HYPERLINK")


def test_what_cannot_be_done_is_said(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("mine")
    tries: list[tuple[list[str | Path], int, str]] = [
        ([tmp_path / "none"], 4, "does not exist"),
        ([tmp_path], 4, "No capture (.whichside) in"),
        ([folder, "-o", tmp_path / "t.xls"], 2, "must end in .csv, .jsonl, .parquet"),
        ([folder, "-o", tmp_path / "t.csv"], 1, "exists already"),
        ([folder, "--workers", "many"], 2, "no number of processes"),
        ([folder, "--workers", "2", "--scheduler", "tcp://x:1"], 2, "--workers is for this computer"),
    ]
    for arguments, code, says in tries:
        done = run("survey", *arguments)
        assert (done.returncode, done.stdout) == (code, "")
        assert says in done.stderr
        assert "Traceback" not in done.stderr
    assert (tmp_path / "t.csv").read_text() == "mine"


@pytest.mark.parametrize("package", ["pyarrow", "distributed"])
def test_a_missing_extra_is_said(package: str, folder: Path, tmp_path: Path) -> None:
    code = (
        f"import sys; sys.modules['{package}'] = None; from daq.cli import main; sys.exit(main(sys.argv[1:]))"
    )
    more = ["-o", str(tmp_path / "t.parquet")] if package == "pyarrow" else ["--scheduler", "tcp://x:1"]
    command = [sys.executable, "-c", code, "survey", str(folder), *more]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (1, "")
    assert f"needs the package {package}: run  .venv/bin/pip install '.[" in done.stderr


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("pause_s", [0.0, 0.05, 0.8])
def test_a_survey_that_is_stopped_leaves_nothing(
    tmp_path: Path, number: signal.Signals, pause_s: float
) -> None:
    (tmp_path / "in").mkdir()
    one = recording(tmp_path / "in" / "0.whichside", high=True)
    for n in range(1, 3000):  # more than any computer is through with before it is stopped
        os.link(one, tmp_path / "in" / f"{n}.whichside")
    out = tmp_path / "t.csv"
    command = [sys.executable, "-m", "daq", "survey", str(tmp_path / "in"), "--workers", "2", "-o", str(out)]
    process = subprocess.Popen(command, cwd=ROOT, stderr=subprocess.PIPE, text=True, start_new_session=True)
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    while not children.read_text():  # its workers are being started
        time.sleep(0.01)
    time.sleep(pause_s)
    assert process.poll() is None
    os.killpg(process.pid, number) if number is signal.SIGINT else process.send_signal(number)
    _, said = process.communicate(timeout=20)
    assert process.returncode == 130
    assert said == ""
    assert [p.name for p in tmp_path.iterdir()] == ["in"]
