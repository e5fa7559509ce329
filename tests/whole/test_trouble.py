"""What can go wrong around a recording, as a user meets it: one sentence, the right code, everything kept."""

from __future__ import annotations

import logging
import os
import pty
import select
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

import pytest

from daq import cli, commands, log_file
from daq.capture import CaptureSource, CaptureWriter, check_capture
from daq.samples import Block, DeviceInfo, Gap, GapReason
from daq.session import Session, SessionState
from tests.tui.scenes import ListSource, StagePipeline, switched
from tests.wire.pty_logger import PtyLogger

ROOT = Path(__file__).parents[2]
AWAY = "the logger is away: check its cable and plug it in again"


@pytest.fixture
def plugged(tmp_path: Path) -> Iterator[PtyLogger]:
    with PtyLogger(tmp_path) as logger:
        yield logger


class Command:
    """`whichside ARGUMENTS` in a process of its own; its lines are read as they come."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        environment = {**os.environ, "PYTHONPATH": str(ROOT), "XDG_STATE_HOME": str(folder / "state")}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "daq", *arguments],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=folder,
            env=environment,
        )
        self.lines: list[str] = []
        self.errors: list[str] = []
        self._threads = [
            threading.Thread(target=self._read, args=pair)
            for pair in ((self.process.stdout, self.lines), (self.process.stderr, self.errors))
        ]
        for thread in self._threads:
            thread.start()

    @staticmethod
    def _read(stream: IO[str], into: list[str]) -> None:
        with stream:
            into.extend(iter(stream.readline, ""))

    def until(self, words: str, within_s: float = 15.0) -> None:
        _wait(lambda: any(words in line for line in [*self.lines]), within_s, self)

    def end(self, number: int | None = None) -> int:
        """Send the signal, wait, and give the exit code."""
        if number is not None:
            self.process.send_signal(number)
        code = self.process.wait(15)
        for thread in self._threads:
            thread.join()
        assert "Traceback" not in "".join(self.errors)
        return code


def _wait(done: Callable[[], object], within_s: float, told: object = "") -> None:
    end = time.monotonic() + within_s
    while not done():
        lines = getattr(told, "lines", told), getattr(told, "errors", "")
        assert time.monotonic() < end, f"waited in vain: {lines}"
        time.sleep(0.02)


def pairs_in(path: Path) -> int:
    with CaptureSource(path) as source:
        return sum(len(item.counts) for item in source if isinstance(item, Block))


def test_a_cable_pulled_and_put_back_leaves_a_gap(plugged: PtyLogger, tmp_path: Path) -> None:
    run = Command(tmp_path, "record", "--port", plugged.port, "--out", "pulled.whichside")
    run.until("recording to")
    time.sleep(1.0)
    plugged.unplug()
    run.until(AWAY)
    plugged.plug_in()
    run.until("the logger is back")
    time.sleep(0.5)
    assert run.end(signal.SIGTERM) == 0
    assert run.errors == []
    path = tmp_path / "pulled.whichside"
    assert check_capture(path).intact
    with CaptureSource(path) as source:
        gaps = [item for item in source if isinstance(item, Gap)]
    assert [gap.reason for gap in gaps] == [GapReason.UNPLUGGED]


def test_stopped_while_the_cable_is_out(plugged: PtyLogger, tmp_path: Path) -> None:
    run = Command(tmp_path, "record", "--port", plugged.port, "--out", "away.whichside")
    run.until("recording to")
    time.sleep(1.0)
    plugged.unplug()
    run.until(AWAY)
    assert run.end(signal.SIGINT) == 3
    assert len(run.errors) == 1
    assert "The logger was away when the recording ended: plug it in again" in run.errors[0]
    assert run.lines[-1].startswith("saved away.whichside")
    assert pairs_in(tmp_path / "away.whichside") > 2000


def test_a_logger_that_falls_silent_leaves_nothing_unsaved(plugged: PtyLogger, tmp_path: Path) -> None:
    """Killed a second after the last sample: all that had arrived is on the disk."""
    run = Command(tmp_path, "record", "--port", plugged.port, "--out", "silent.whichside")
    run.until("recording to")
    time.sleep(1.3)
    plugged.paused = True
    time.sleep(1.6)
    assert run.end(signal.SIGKILL) == -signal.SIGKILL
    in_flight = 3 * 32
    assert pairs_in(tmp_path / "silent.whichside") > plugged.logger.pairs - in_flight


def test_a_port_that_somebody_holds_is_refused(plugged: PtyLogger, tmp_path: Path) -> None:
    first = Command(tmp_path, "record", "--port", plugged.port, "--out", "one.whichside")
    first.until("recording to")
    second = Command(tmp_path, "record", "--port", plugged.port, "--out", "two.whichside")
    assert second.end() == 1
    assert len(second.errors) == 1
    assert "in use by another program: close that one" in second.errors[0]
    assert first.end(signal.SIGTERM) == 0
    assert not (tmp_path / "two.whichside").exists()


def test_what_talks_nonsense_is_no_logger(tmp_path: Path) -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    over = threading.Event()

    def babble() -> None:
        while not over.wait(0.01):
            if select.select([], [master], [], 0)[1]:
                os.write(master, os.urandom(100))

    babbler = threading.Thread(target=babble)
    babbler.start()
    try:
        run = Command(tmp_path, "record", "--port", os.ttyname(slave), "--out", "x.whichside")
        assert run.end() == 3
    finally:
        over.set()
        babbler.join()
        os.close(master)
        os.close(slave)
    assert len(run.errors) == 1
    assert "is not a whichside logger, or not at 500000 baud: choose another port" in run.errors[0]
    assert not (tmp_path / "x.whichside").exists()


def test_a_recording_goes_on_when_nobody_reads_its_lines(tmp_path: Path) -> None:
    arguments = ("record", "--bench", "work-lamp", "--for", "2s", "--out", "unread.whichside")
    run = subprocess.Popen(
        [sys.executable, "-m", "daq", *arguments],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert run.stdout is not None
    run.stdout.close()
    assert run.wait(20) == 0
    report = check_capture(tmp_path / "unread.whichside")
    assert report.intact
    assert report.complete


def test_a_full_disk_stops_the_recording_and_keeps_it(tmp_path: Path) -> None:
    path = tmp_path / "full.whichside"

    def small(path: Path, info: DeviceInfo) -> CaptureWriter:
        writer = CaptureWriter(path, info, clock=_seconds())
        writer._connection.execute("PRAGMA max_page_count=40")
        return writer

    pipeline = StagePipeline()
    session = Session(ListSource(switched(30.0)), pipeline, small, record_to=path).start()
    try:
        _wait(lambda: session.recording.error, 10.0)
        assert session.state is SessionState.RUNNING
        seen = len(pipeline.log)
        _wait(lambda: len(pipeline.log) > seen, 5.0)
    finally:
        session.close()
    assert session.exit_code == 1
    told = str(session.recording.error)
    assert "cannot be written any more" in told
    assert "make room or choose another disk, then start a new recording" in told
    assert pairs_in(path) > 2000


def _seconds() -> Callable[[], float]:
    """A clock that ticks a quarter of a second at each look: commits come all the time."""
    now = [0.0]

    def clock() -> float:
        now[0] += 0.25
        return now[0]

    return clock


def _on_a_terminal(folder: Path, term: str, *arguments: str, for_s: float) -> tuple[int, str]:
    """Run on a pseudo-terminal for a while, then SIGTERM; its exit code and all it wrote there."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.chdir(folder)
        os.environ.update(TERM=term, PYTHONPATH=str(ROOT), XDG_STATE_HOME=str(folder), COLUMNS="100")
        os.execv(sys.executable, [sys.executable, "-m", "daq", *arguments])
    written, end, asked = b"", time.monotonic() + for_s, False
    while time.monotonic() < end + 10:
        if not asked and time.monotonic() > end:
            os.kill(pid, signal.SIGTERM)
            asked = True
        if select.select([terminal], [], [], 0.1)[0]:
            try:
                written += os.read(terminal, 65536)
            except OSError:
                break
    os.close(terminal)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), written.decode(errors="replace")


def test_a_terminal_that_cannot_draw_gets_lines(tmp_path: Path) -> None:
    code, written = _on_a_terminal(tmp_path, "dumb", "--bench", "work-lamp", for_s=3.0)
    assert code == 0
    assert "measuring with bench: A work lamp on a mower" in written
    assert "verdict: NOT YET" in written
    assert "\x1b" not in written


def test_sigterm_ends_the_dashboard_and_saves_its_recording(tmp_path: Path) -> None:
    arguments = ("--bench", "work-lamp", "--out", "run.whichside")
    code, written = _on_a_terminal(tmp_path, "xterm", *arguments, for_s=4.0)
    assert code == 0
    assert "saved run.whichside" in written
    report = check_capture(tmp_path / "run.whichside")
    assert report.intact
    assert report.complete


def test_a_log_that_cannot_be_written_stops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    monkeypatch.setattr(log_file, "log_path", lambda: blocked / "whichside.log")
    _forget_log()

    def broken(_: object) -> int:
        raise KeyError("oops")

    monkeypatch.setattr(commands, "ports", broken)
    assert cli.main(["ports"]) == 1
    told = capsys.readouterr().err
    assert "something unexpected went wrong (KeyError: 'oops')" in told
    assert "no log could be written" in told
    _forget_log()


def test_the_unexpected_names_the_log_which_has_the_details(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "logs" / "whichside.log"
    monkeypatch.setattr(log_file, "log_path", lambda: path)
    _forget_log()

    def broken(_: object) -> int:
        raise KeyError("oops")

    monkeypatch.setattr(commands, "ports", broken)
    assert cli.main(["ports"]) == 1
    assert f"the details are in {path}" in capsys.readouterr().err
    assert "KeyError: 'oops'" in path.read_text()
    _forget_log()


def _forget_log() -> None:
    logger = logging.getLogger("daq")
    for handler in [*logger.handlers]:
        logger.removeHandler(handler)
        handler.close()
