"""The command line as a user meets it: exit codes, one sentence for each failure, no traceback."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daq.capture import CaptureSource, add_note, write_capture
from daq.samples import Change, ChangeKind, Origin
from tests.analysis.waves import LOW, Volts, levels

KEYS = {
    "schema",
    "analysis_version",
    "file",
    "sample_rate_hz",
    "duration_s",
    "reference_proven",
    "source_v",
    "side",
    "control_lead",
    "feed_lead",
    "ground_lead",
    "confidence",
    "why",
    "initial_state",
    "edges",
    "pwm",
    "feed_drop_v",
    "ground_drop_v",
    "load_kind",
    "events",
    "gaps",
    "candidates",
    "next_test",
    "cautions",
}


def run(*arguments: str | Path, folder: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "daq", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=folder,
        check=False,
        timeout=60,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )


def text_recording(path: Path, volts: Volts) -> Path:
    times = np.arange(len(volts)) / 4000
    rows = "".join(f"{t:.5f},{a:.6f},{b:.6f}\n" for t, (a, b) in zip(times, volts, strict=True))
    path.write_text("time_s,lead1_v,lead2_v\n" + rows)
    return path


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return text_recording(tmp_path_factory.mktemp("in") / "lamp.csv", levels(LOW))


def reviewed(path: Path, *more: str) -> dict[str, Any]:
    done = run("review", path, "--json", *more)
    assert done.returncode == 0, done.stderr
    document: dict[str, Any] = json.loads(done.stdout)
    return document


def test_review_json_has_every_promised_key(recording: Path) -> None:
    found = reviewed(recording)
    assert found.keys() >= KEYS
    assert found["side"] == "low"


def test_import_then_review_equals_review(recording: Path, tmp_path: Path) -> None:
    capture = tmp_path / "lamp.whichside"
    assert run("import", recording, "-o", capture).returncode == 0
    one, other = reviewed(recording), reviewed(capture)
    assert {**one, "file": ""} == {**other, "file": ""}
    again = run("import", recording, "-o", capture)
    assert again.returncode == 1
    assert "exists" in again.stderr
    assert reviewed(capture) == other


def test_the_expectation_travels_with_the_capture(recording: Path, tmp_path: Path) -> None:
    capture = tmp_path / "steady.whichside"
    assert run("import", recording, "-o", capture, "--expect", "steady").returncode == 0
    kept, given = reviewed(capture), reviewed(recording, "--expect", "steady")
    assert {**kept, "file": ""} == {**given, "file": ""}
    assert {e["kind"] for e in kept["events"]} == {"ground dropout"}


def test_review_prints_lines_into_a_pipe(recording: Path) -> None:
    done = run("review", recording)
    assert done.returncode == 0
    assert "verdict: switched on the ground side (low side)" in done.stdout
    assert "\x1b" not in done.stdout


def test_what_was_marked_and_noted_is_listed(recording: Path, tmp_path: Path) -> None:
    capture, marked = tmp_path / "lamp.whichside", tmp_path / "marked.whichside"
    assert run("import", recording, "-o", capture).returncode == 0
    with CaptureSource(capture) as source:
        bump = Change(source.end, Origin.USER, ChangeKind.NOTE, "bump", 0.25)
        on = Change(source.end, Origin.USER, ChangeKind.MARK, "on", 0.5)
        write_capture(marked, [*source, on, bump], source.info)
    add_note(marked, "afterwards:\x1b[31m a worn wire", 0.125)
    add_note(marked, "of a trailer")
    lines = run("review", marked, "--plain").stdout.splitlines()
    at = lines.index("marks and notes: 4")
    assert lines[at + 1 : at + 5] == [
        "  of a trailer (about all of it)",
        "  afterwards:\N{REPLACEMENT CHARACTER}[31m a worn wire at 0.1250 s",
        "  bump at 0.2500 s",
        "  switched on at 0.5000 s",
    ]
    assert not any("notes" in line for line in run("review", capture, "--plain").stdout.splitlines())


def test_check_says_intact_or_damaged(recording: Path, tmp_path: Path) -> None:
    capture = tmp_path / "c.whichside"
    run("import", recording, "-o", capture)
    good = run("check", capture, "--json")
    assert good.returncode == 0
    assert json.loads(good.stdout)["intact"] is True
    raw = bytearray(capture.read_bytes())
    at = raw.rindex(b"\x78")  # somewhere in the data
    raw[at : at + 40] = bytes(40)
    capture.write_bytes(raw)
    assert run("check", capture).returncode in (0, 4)


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["review", "none.csv"], 4, "no such file"),
        (["review", "none.whichside"], 4, "none.whichside"),
        (["review", "photo.png"], 4, "give a capture"),
        (["import", "photo.png", "-o", "x.whichside"], 2, "only .csv"),
        (["import", "a.csv", "-o", "x.db"], 2, "must end in .whichside"),
        (["live", "--port", "p", "--bench", "b"], 2, "not allowed with"),
        (["live", "--bench", "work-lamp", "--answers"], 2, "goes with --bench list"),
        (["live", "--bench", "lamp"], 2, "--bench list names them all"),
        (["live", "--rate", "fast"], 2, "no rate"),
        (["live", "--rate", "100000"], 2, "out of range"),
        (["record", "--for", "soon"], 2, "no time"),
        (["record", "--for", "0"], 2, "out of range; 1s to 720h"),
        (["record", "--port", "nowhere", "--out", "x.db"], 2, "must end in .whichside"),
        (["live", "--port", "nowhere", "--out", "x.db", "--plain"], 2, "must end in .whichside"),
        (["record", "--port", "nowhere", "--out", "no/x.whichside"], 1, "there is no folder"),
        (["live", "--port", "nowhere", "--out", "no/x.whichside"], 1, "there is no folder"),
        (["check", "empty.whichside"], 4, "empty.whichside is empty (0 bytes)"),
        (["review", "empty.whichside"], 4, "empty.whichside is empty (0 bytes)"),
        (["frobnicate"], 2, "invalid choice"),
    ],
)
def test_each_failure_is_one_sentence_with_its_code(
    arguments: list[str], code: int, words: str, tmp_path: Path
) -> None:
    (tmp_path / "empty.whichside").touch()
    done = run(*arguments, folder=tmp_path)
    assert done.returncode == code
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


def test_the_list_of_benches_tells_what_they_are_only_when_asked() -> None:
    plain, answers = run("--bench", "list"), run("--bench", "list", "--answers")
    assert (plain.returncode, answers.returncode) == (0, 0)
    assert "work-lamp        A work lamp on a mower" in plain.stdout
    assert " side" not in plain.stdout
    assert "lead" not in plain.stdout
    assert len(plain.stdout.splitlines()) == len(answers.stdout.splitlines()) >= 12
    [told] = [line for line in answers.stdout.splitlines() if line.startswith("gate-lamp ")]
    assert told.endswith("ground side, control wire: lead 2; fault: feed wire high resistance")
