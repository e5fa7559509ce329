"""Which port is opened: those that cannot be, are held, forbidden, or stand under another name."""

from __future__ import annotations

import contextlib
import fcntl
import os
import shutil
import subprocess
import sys
import termios
from collections.abc import Iterator
from pathlib import Path

import pytest
from serial.tools.list_ports_common import ListPortInfo

from daq import remembered, serial_port
from daq.cli import main
from daq.errors import CommandError, DeviceError, WhichsideError, WorkError
from daq.remembered import UsbIdentity
from daq.serial_port import PortInfo, SerialSource
from tests.wire.pty_logger import PtyLogger
from tests.wire.talk import gaps
from tests.wire.test_serial_port import Recording, more_pairs


def sentence(caught: pytest.ExceptionInfo[WhichsideError]) -> str:
    text = str(caught.value)
    assert text.endswith(".")
    assert "\n" not in text
    return text


def test_no_such_port(tmp_path: Path) -> None:
    with pytest.raises(DeviceError) as caught:
        SerialSource(str(tmp_path / "ttyUSB9"))
    assert sentence(caught).startswith("There is no port")


def test_not_a_serial_port(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(DeviceError) as caught:
        SerialSource(str(tmp_path / "file"))
    assert "is no serial port: choose another" in sentence(caught)


def test_not_one_of_the_baud_rates(plugged: PtyLogger) -> None:
    with pytest.raises(CommandError) as caught:
        SerialSource(plugged.port, baud=9600)
    assert "115200, 500000, 1000000" in sentence(caught)


def test_held_by_another_program_with_a_lock(plugged: PtyLogger) -> None:
    held = os.open(plugged.port, os.O_RDWR | os.O_NOCTTY)
    try:
        fcntl.flock(held, fcntl.LOCK_EX)
        with pytest.raises(WorkError) as caught:
            SerialSource(plugged.port)
        assert "in use by another program" in sentence(caught)
    finally:
        os.close(held)


def as_nobody(code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run `code` without the rights of root, which no lock and no permission holds back."""
    drop = "import os, sys\nif os.geteuid() == 0: os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
    return subprocess.run(
        [sys.executable, "-S", "-c", drop + code, *arguments], capture_output=True, text=True, check=False
    )


def test_nobody_else_can_open_it_meanwhile(plugged: PtyLogger) -> None:
    """An advisory lock would not stop a plain open from stealing bytes: the kernel refuses it."""
    Path(plugged.port).chmod(0o666)
    plain_open = "os.close(os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY))"
    terminal = os.path.realpath(plugged.port)
    assert as_nobody(plain_open, terminal).returncode == 0
    source = SerialSource(plugged.port)
    refused = as_nobody(plain_open, terminal)
    source.close()
    assert "Device or resource busy" in refused.stderr


def test_no_rights(plugged: PtyLogger) -> None:
    terminal = Path(os.path.realpath(plugged.port))
    if os.geteuid() == 0:
        shutil.chown(terminal, group="dialout")
    group = terminal.group()
    terminal.chmod(0)
    with not_root(), pytest.raises(WorkError) as caught:
        serial_port.open_port(str(terminal), 500_000)
    assert f'belongs to the group "{group}"; run  sudo usermod -aG {group}' in sentence(caught)


@contextlib.contextmanager
def not_root() -> Iterator[None]:
    """Root may open anything: give up its rights for a moment."""
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)


def test_ports_are_listed_without_opening_any(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("a port was opened")

    monkeypatch.setattr("serial.Serial", refuse)
    monkeypatch.setattr(termios, "tcgetattr", refuse)
    for port in serial_port.list_ports():
        assert port.to_json()["device"] == port.device


ADAPTER = UsbIdentity(0x1234, 0x5678, "A1", "1-2:1.0")


def test_a_port_that_says_nothing_of_itself_has_no_words_beside_it(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """pyserial says "n/a" there."""
    bare = ListPortInfo("/dev/ttyS0")
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [bare])
    assert bare.description == "n/a"
    assert main(["ports"]) == 0
    assert capsys.readouterr().out == "/dev/ttyS0\n"


def test_the_same_adapter_under_another_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Found by its identity after a replug, and at the next start by what was remembered."""
    listed: list[PortInfo] = []
    monkeypatch.setattr(serial_port, "list_ports", lambda: listed)
    with PtyLogger(tmp_path) as logger:
        terminal = os.path.realpath(logger.port)
        other = PortInfo("/dev/other", "", UsbIdentity(0x1234, 0x5678, "B2", "1-3:1.0"))
        listed[:] = [other, PortInfo(terminal, "", ADAPTER)]
        assert serial_port.remembered_port() is None
        recording = Recording(SerialSource(terminal))
        assert serial_port.remembered_port() == terminal
        recording.until(more_pairs(recording, 200))
        logger.unplug()
        listed[:] = [other]
        assert serial_port.remembered_port() is None
        blocker = os.openpty()  # takes the old terminal's number
        logger.plug_in()
        moved = os.path.realpath(logger.port)
        assert moved != terminal
        listed[:] = [other, PortInfo(moved, "", ADAPTER)]
        recording.until(gaps)
        assert recording.source.info.port == moved
        recording.end()
        for end in blocker:
            os.close(end)


def test_which_adapter_is_the_same() -> None:
    moved = UsbIdentity(0x1234, 0x5678, "A1", "3-1.4:1.0")
    assert ADAPTER.matches(moved)
    assert not ADAPTER.matches(UsbIdentity(0x1234, 0x5678, "A1", "1-2:1.2"))  # its second port
    assert not ADAPTER.matches(UsbIdentity(0x1234, 0x5678, "A2", "1-2:1.0"))
    numberless = UsbIdentity(0x1234, 0x5678, None, "1-2:1.0")
    assert numberless.matches(numberless)
    assert not numberless.matches(UsbIdentity(0x1234, 0x5678, None, "1-3:1.0"))


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", '{"vid": "x", "pid": 1}', "\x00", '{"vid": 1, "pid": null}']
)
def test_a_spoiled_memory_is_none(text: str) -> None:
    remembered.remember(ADAPTER)
    assert remembered.recall() == ADAPTER
    remembered.remembered_file().write_text(text)
    assert remembered.recall() is None


def test_a_disk_that_refuses_is_no_reason_to_stop(tmp_path: Path) -> None:
    (tmp_path / "config").write_text("a file where a folder should be")
    remembered.remember(ADAPTER)
    assert remembered.recall() is None
