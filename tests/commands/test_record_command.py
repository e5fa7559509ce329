"""`record` as a user meets it: what it says before and meanwhile, and what the file then knows."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import pytest

from daq import record_command, words
from daq.capture import CaptureSource
from daq.cli import main
from daq.disk_room import Room, bytes_a_second, forecast
from daq.event_counts import Labelled
from daq.event_summary import summarise
from daq.findings import Event, EventKind
from daq.pipeline import Pipeline
from daq.record_command import awake_line, status_line
from daq.samples import Change, ChangeKind
from daq.stay_awake import StayAwake
from tests.commands.test_commands import run

ROOT = Path(__file__).parents[2]
BENCH = "cargo-lamp"


def test_a_recording_says_what_it_does_and_knows_its_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(record_command, "STATUS_EVERY_S", 0.5)
    path = tmp_path / "a.whichside"
    begun = datetime.now().astimezone()
    before = {n: signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM)}
    try:
        code = main(["record", "--bench", BENCH, "--for", "2s", "--out", str(path), "--expect", "steady"])
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    said = capsys.readouterr().out.splitlines()
    assert code == 0
    assert re.fullmatch(r"the disk lasts for (at least .*|more than 1000 h)", said[0])
    assert said[1] == f"recording to {path}; Ctrl-C stops"
    of_a_minute = r"\d\d:\d\d  .* edges, .* events, nothing lost; the disk lasts for "
    minutes = [line for line in said if re.match(of_a_minute, line)]
    assert len(minutes) in (2, 3)
    assert awake_line(held=False) in said or awake_line(held=True) in said
    assert said[-1].startswith(f"saved {path}")
    with CaptureSource(path) as source:
        wall = source.wall_clock()
        expected = [i for i in source if isinstance(i, Change) and i.kind is ChangeKind.EXPECT]
        assert source.duration_s == pytest.approx(2.0, abs=0.5)
    assert [(c.sample, c.value) for c in expected] == [(0, "steady")]
    assert wall is not None
    assert abs((wall.utc(0.0) - begun).total_seconds()) < 3.0
    lines = run("review", path).stdout.splitlines()
    local = begun.strftime("%Y-%m-%d")
    assert re.fullmatch(rf"recorded: {local} [\d:.]+ [+-]\d\d:\d\d.*", lines[1])
    told = json.loads(run("review", path, "--json").stdout)["wall_clock"]
    assert told["first_pair_utc"] == wall.utc(0.0).isoformat(timespec="milliseconds")
    assert told["clock_steps"] == []


def test_what_is_more_than_anyone_counts_is_not_at_least() -> None:
    assert words.lasting(37 * 3600.0, least=True) == "at least 37 h 00 min"
    assert words.lasting(5000 * 3600.0, least=True) == "more than 1000 h"


def test_a_disk_that_is_too_small_is_told_before(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("daq.disk_room.free_bytes", lambda _: (64 << 20) + 4800 * 1800)
    path = tmp_path / "a.whichside"
    before = {n: signal.getsignal(n) for n in (signal.SIGINT, signal.SIGTERM)}
    monkeypatch.setattr("daq.session.Session.now_s", lambda _: 1e9)
    try:
        main(["record", "--bench", BENCH, "--for", "10h", "--out", str(path)])
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
    said = capsys.readouterr()
    assert said.out.startswith("the disk lasts for at least 30 min 00 s\n")
    assert "may last for only 30 min 00 s of the 10 h 00 min asked for" in said.err


def test_the_line_of_the_minute() -> None:
    now, latest = datetime(2026, 3, 1, 14, 3), Pipeline().snapshot()
    assert status_line(now, latest, False, Room(3 << 30, 24_000.0)) == (
        "14:03  0.0 ms: 0 edges, 0 events, nothing lost; the disk lasts for 37 h 16 min"
    )
    away = "14:03  0.0 ms: 0 edges, 0 events, nothing lost, THE LOGGER IS AWAY"
    assert status_line(now, latest, True, None) == away
    assert "more than 1000 h" in status_line(now, latest, False, Room(1 << 50, 1.0))


def test_the_line_of_the_minute_tells_what_was_caught() -> None:
    events = [Event(EventKind.FEED_DROPOUT, t_s, 0.003) for t_s in (100.0, 500.0, 1500.0)]
    marks = [Labelled(event.t_s + 0.5, "bump") for event in events]
    summary = summarise(events, marks, 0.0, 1600.0)
    latest = replace(Pipeline().snapshot(), time_s=1600.0, event_count=3, summary=summary)
    assert status_line(datetime(2026, 3, 1, 14, 3), latest, False, None) == (
        "14:03  26 min 40 s: 0 edges, 3 events, nothing lost; feed dropout: 3, longest 3.0 ms, "
        'last 99 s ago; feed dropout: 3 of 3 within 2 s of mark "bump", 3 of 3 such marks (chance: under 0.1)'
    )


def test_room_is_measured_once_there_is_something_to_measure(tmp_path: Path) -> None:
    path = tmp_path / "a.whichside"
    path.write_bytes(bytes(600_000))
    (tmp_path / "a.whichside-wal").write_bytes(bytes(120_000))
    assert bytes_a_second(path, 59.0, 4000.0) == 4800.0
    assert bytes_a_second(path, 100.0, 4000.0) == 7200.0
    room = forecast(path, 4000.0)
    assert room is not None
    assert room.left_s > 0
    assert forecast(tmp_path / "none" / "a.whichside", 4000.0) is None


# Holding off sleep: a stand-in for systemd-inhibit, since no system service runs here


def stand_in(folder: Path, script: str) -> dict[str, str]:
    folder.mkdir()
    program = folder / "systemd-inhibit"
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(0o755)
    return {**os.environ, "PATH": f"{folder}:{os.environ['PATH']}"}


HOLDS = 'echo "$@" >> "$0.log"; echo $$ > "$0.pid"; for last; do :; done; exec $last'
REFUSES_LIDS = 'echo "$@" >> "$0.log"; case "$1" in *lid*) exit 1;; esac; for last; do :; done; exec $last'


@pytest.fixture
def path_with(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    return tmp_path / "bin"


def wait_for(found: Path) -> str:
    deadline = time.monotonic() + 5
    while time.monotonic() < deadline:
        if found.exists() and (text := found.read_text()):
            return text
        time.sleep(0.01)
    raise AssertionError(f"{found} was not written")


def gone(pid: int) -> bool:
    deadline = time.monotonic() + 5
    while time.monotonic() < deadline:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.01)
    return False


def test_sleep_is_held_off_and_let_go(path_with: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", stand_in(path_with, HOLDS)["PATH"])
    awake = StayAwake()
    pid = int(wait_for(path_with / "systemd-inhibit.pid"))
    held = [awake.held]
    asked = (path_with / "systemd-inhibit.log").read_text()
    assert asked.startswith("--what=sleep:idle:handle-lid-switch --who=whichside")
    assert "--mode=block cat" in asked
    awake.end()
    awake.end()
    assert [*held, awake.held] == [True, False]
    assert gone(pid)


def test_where_the_lid_is_refused_sleep_alone_is_held_off(
    path_with: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", stand_in(path_with, REFUSES_LIDS)["PATH"])
    awake = StayAwake()
    deadline, lines = time.monotonic() + 5, list[str]()
    while len(lines) < 2 and time.monotonic() < deadline:
        lines = wait_for(path_with / "systemd-inhibit.log").splitlines()
    assert lines[1].startswith("--what=sleep:idle --who")
    assert awake.held
    awake.end()


def test_a_refusal_is_known(path_with: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", stand_in(path_with, "exit 1")["PATH"])
    awake = StayAwake()
    deadline = time.monotonic() + 5
    while awake.held and time.monotonic() < deadline:
        time.sleep(0.01)
    assert not awake.held
    awake.end()


def test_without_the_program_nothing_is_held(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    awake = StayAwake()
    assert not awake.held
    awake.end()


def test_a_killed_recorder_lets_go(tmp_path: Path) -> None:
    environment = stand_in(tmp_path / "bin", HOLDS)
    command = [
        sys.executable,
        "-m",
        "daq",
        "record",
        "--bench",
        BENCH,
        "--out",
        str(tmp_path / "a.whichside"),
    ]
    process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL)
    try:
        pid = int(wait_for(tmp_path / "bin" / "systemd-inhibit.pid"))
        os.kill(pid, 0)
    finally:
        process.kill()
        process.wait()
    assert gone(pid)
