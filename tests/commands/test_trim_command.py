"""`trim` as a user meets it."""

from __future__ import annotations

import argparse
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq import words
from daq.capture import CaptureSource, write_capture
from daq.cli import _moment
from daq.samples import Block, Item
from tests.capture.broken import damaged
from tests.capture.logs import INFO, LAYOUTS, noisy, small
from tests.commands.test_commands import run


@pytest.fixture
def capture(tmp_path: Path) -> Path:
    path = tmp_path / "a.whichside"
    write_capture(path, small(), INFO)
    return path


def test_a_part_is_saved(capture: Path) -> None:
    out = capture.with_name("b.whichside")
    done = run("trim", capture, "--from", "0:01", "--to", "2.25", "-o", out)
    assert (done.returncode, done.stdout) == (0, "")
    assert "saved" in done.stderr
    assert "1.2 s from 1.000 s on" in done.stderr
    with CaptureSource(out) as source:
        assert source.end == 5000
    assert sorted(p.name for p in capture.parent.iterdir()) == ["a.whichside", "b.whichside"]


def test_what_cannot_be_done_is_said(capture: Path, tmp_path: Path) -> None:
    out = tmp_path / "b.whichside"
    tries: list[tuple[list[str | Path], int, str]] = [
        ([capture, "--from", "60", "-o", out], 2, "there is nothing in that part"),
        ([capture, "--from", "2", "--to", "1", "-o", out], 2, "a.whichside: --from is after --to;"),
        ([capture, "--from", "60", "--to", "50", "-o", out], 2, "nothing in that part, and --from is after"),
        ([capture, "--from", "3.9", "--to", "3", "-o", out], 2, "samples from 0 to 5.250 s. Give times in"),
        ([capture, "--from", "2", "--to", "2", "-o", out], 2, "--from is the same as --to; the recording"),
        ([tmp_path / "none.whichside", "--from", "2", "--to", "1", "-o", out], 4, "does not exist"),
        ([capture, "--from", "soon", "-o", out], 2, "'soon' is no time; say 12.5, 2:05.3"),
        ([capture, "-o", tmp_path / "b.db"], 2, "must end in .whichside"),
        ([capture, "-o", capture], 1, "exists already"),
        ([tmp_path / "none.whichside", "-o", out], 4, "does not exist"),
        ([capture, "-o", tmp_path / "none" / "b.whichside"], 1, "cannot be"),
    ]
    for arguments, code, says in tries:
        done = run("trim", *arguments)
        assert (done.returncode, done.stdout) == (code, "")
        assert says in done.stderr
        assert "Traceback" not in done.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["a.whichside"]


def test_damage_is_told_and_the_rest_is_cut(whole: bytes, tmp_path: Path) -> None:
    path = damaged(tmp_path, whole, "UPDATE block SET crc = 0 WHERE first = 5000")
    done = run("trim", path, "-o", tmp_path / "b.whichside")
    assert done.returncode == 4
    assert "is damaged in 1 place" in done.stderr
    with CaptureSource(tmp_path / "b.whichside") as source:
        assert source.end == 14_000


def test_sigterm_leaves_nothing(tmp_path: Path) -> None:
    path, out = tmp_path / "a.whichside", tmp_path / "b.whichside"
    items: list[Item] = [Block(0, noisy(1, 3_000_000), LAYOUTS[0])]
    write_capture(path, items, INFO)
    command = [sys.executable, "-m", "daq", "trim", str(path), "-o", str(out)]
    process = subprocess.Popen(command, cwd=Path(__file__).parents[2], stderr=subprocess.PIPE)
    while not list(tmp_path.glob("*.part")) and process.poll() is None:
        time.sleep(0.005)
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=20)
    assert process.returncode == 130
    assert [p.name for p in tmp_path.iterdir()] == ["a.whichside"]


@given(st.floats(0, 36_000))
def test_a_moment_as_the_screens_show_it_is_understood(seconds: float) -> None:
    shown = words.moment(seconds).removesuffix(" s")
    assert _moment(shown) == pytest.approx(seconds, abs=0.06 if seconds < 3600 else 1.0)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("0", 0.0), ("12.5", 12.5), ("90s", 90.0), ("20m", 1200.0), ("1H", 3600.0), ("1:2:3", 3723)],
)
def test_moments(text: str, seconds: float) -> None:
    assert _moment(text) == seconds


@pytest.mark.parametrize("text", ["", "-1", "1:-2", "nan", "inf", "1e3", "1:2:3:4", "1:20m", "12,5", "²"])
def test_no_moments(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="no time"):
        _moment(text)
