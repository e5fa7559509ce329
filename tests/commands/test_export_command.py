"""`export` as a user meets it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from daq.capture import write_capture
from tests.capture.logs import INFO, small
from tests.commands.test_commands import run

ROOT = Path(__file__).parents[2]


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "a.whichside"
    write_capture(path, small(), INFO)
    return path


def test_both_kinds_are_saved(capture: Path) -> None:
    done = run("export", capture, "--csv", "-o", capture.with_name("b.csv.gz"))
    assert (done.returncode, done.stdout) == (0, "")
    assert "b-1.csv.gz" in done.stderr
    assert "note: lead 2 was sampled 0.125 ms after lead 1" in done.stderr
    done = run("export", capture, "--parquet", "-o", capture.with_name("b.parquet"), "--anonymous")
    assert (done.returncode, done.stdout) == (0, "")
    names = ["a.whichside", "b-1.csv.gz", "b-2.csv.gz", "b-log.csv.gz", "b.parquet"]
    assert sorted(p.name for p in capture.parent.iterdir()) == names


def test_what_cannot_be_done_is_said(capture: Path) -> None:
    folder = capture.parent
    tries: list[tuple[list[str | Path], int, str]] = [
        ([capture, "--csv", "-o", folder / "b.parquet"], 2, "must end in .csv or .csv.gz"),
        ([capture, "--parquet", "-o", folder / "b.csv"], 2, "must end in .parquet"),
        ([capture, "-o", folder / "b.csv"], 2, "one of the arguments --csv --parquet is required"),
        ([folder / "a.csv", "--csv", "-o", folder / "b.csv"], 2, "only captures"),
        ([folder / "none.whichside", "--csv", "-o", folder / "b.csv"], 4, "does not exist"),
    ]
    for arguments, code, says in tries:
        done = run("export", *arguments)
        assert (done.returncode, done.stdout) == (code, "")
        assert says in done.stderr
    (folder / "b.csv").write_text("mine")
    done = run("export", capture, "--csv", "-o", folder / "b.csv")
    assert (done.returncode, "b.csv exists already" in done.stderr) == (1, True)
    assert (folder / "b.csv").read_text() == "mine"


def test_a_missing_extra_is_said(capture: Path) -> None:
    code = "import sys; sys.modules['pyarrow'] = None; from daq.cli import main; sys.exit(main(sys.argv[1:]))"
    out = capture.with_name("b.parquet")
    command = [sys.executable, "-c", code, "export", str(capture), "--parquet", "-o", str(out)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "needs the package pyarrow: run  .venv/bin/pip install '.[parquet]'" in done.stderr
