"""`whichside flash`: a programmer that only notes what it was told, and the real firmware that answers."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from daq import flash
from tests.firmware.board import FIRMWARE, Board, Script, build, settings_record

PROGRAMMER = """#!/bin/sh
for word in "$@"; do echo "$word"; done >"$NOTES"
cp "$(echo "$*" | sed 's/.*flash:w:\\(.*\\):i/\\1/')" "$NOTES.hex"
echo "programmer: speaking" >&2
exit ${ENDS_WITH:-0}
"""


@pytest.fixture
def programmer(tmp_path: Path) -> dict[str, str]:
    """An environment in which the programmer is ours; what it was told is in $NOTES."""
    folder = tmp_path / "bin"
    folder.mkdir()
    (folder / "avrdude").write_text(PROGRAMMER)
    (folder / "avrdude").chmod(0o755)
    path = f"{folder}{os.pathsep}{os.environ['PATH']}"
    return {"PATH": path, "NOTES": str(tmp_path / "notes"), "XDG_CONFIG_HOME": str(tmp_path / "config")}


def run(environment: dict[str, str], *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "daq", "flash", *words]
    return subprocess.run(
        command, env=os.environ | environment, capture_output=True, text=True, check=False, timeout=60
    )


def test_the_image_that_ships_is_what_the_sources_make() -> None:
    made = (build() / "whichside.hex").read_bytes()
    shipped = (FIRMWARE / "image" / "whichside.hex").read_bytes()
    assert shipped == made, "after a change to the firmware: make -C firmware release"


def test_the_version_of_the_image_is_known(tmp_path: Path) -> None:
    assert Script(tmp_path).run(0.1).hellos[0].firmware == flash.IMAGE_VERSION


def test_written_and_asked(tmp_path: Path, programmer: dict[str, str]) -> None:
    with Board(tmp_path) as board:
        done = run(programmer, "--port", board.port)
    assert done.returncode == 0, done.stderr
    assert f"Firmware 0.1.0 is on the logger on {board.port}, and it answers." in done.stdout
    assert "programmer: speaking" in done.stderr
    told = Path(programmer["NOTES"]).read_text().split("\n")[:-1]
    # As in the programmer's manual page (from memory): part, programmer, port, speed, no chip erase, then
    # memory:operation:file:format, i for Intel hex.
    assert told[:9] == ["-p", "atmega328p", "-c", "arduino", "-P", board.port, "-b", "115200", "-D"]
    assert told[9] == "-U"
    assert told[10].startswith("flash:w:")
    written = Path(programmer["NOTES"] + ".hex").read_bytes()
    assert written == (FIRMWARE / "image" / "whichside.hex").read_bytes()


def test_another_line_speed_in_the_eeprom_is_found(tmp_path: Path, programmer: dict[str, str]) -> None:
    eeprom = tmp_path / "eeprom"
    eeprom.write_bytes(settings_record(baud_code=0))
    with Board(tmp_path, mind_baud=True, eeprom=eeprom) as board:
        done = run(programmer, "--port", board.port, "--baud", "1000000", "--loader-baud", "57600")
    assert done.returncode == 0, done.stderr
    assert "\n57600\n" in Path(programmer["NOTES"]).read_text()


def test_a_programmer_that_fails(tmp_path: Path, programmer: dict[str, str]) -> None:
    with Board(tmp_path) as board:
        done = run(programmer | {"ENDS_WITH": "1"}, "--port", board.port)
    assert done.returncode == 1
    assert "avrdude could not write the firmware" in done.stderr
    assert "may hold no whole firmware now" in done.stderr
    assert "answers" not in done.stdout


def test_without_the_programmer_its_command_is_printed(tmp_path: Path, programmer: dict[str, str]) -> None:
    with Board(tmp_path) as board:
        done = run(programmer | {"PATH": str(tmp_path)}, "--port", board.port)
    assert done.returncode == 1
    (line,) = done.stdout.splitlines()
    assert line.startswith(f"avrdude -p atmega328p -c arduino -P {board.port} -b 115200 -D -U flash:w:")
    assert "avrdude is not installed, so nothing was written" in done.stderr


def test_other_firmware_answers(
    tmp_path: Path,
    programmer: dict[str, str],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    from daq.cli import main

    for name, value in programmer.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(flash, "IMAGE_VERSION", (0, 2, 0))
    with Board(tmp_path) as board:
        assert main(["flash", "--port", board.port]) == 1
    assert "answers with firmware 0.1.0, not 0.2.0" in capsys.readouterr().err


def test_no_port_named_and_no_such_port(tmp_path: Path, programmer: dict[str, str]) -> None:
    unnamed, absent = run(programmer), run(programmer, "--port", str(tmp_path / "none"))
    assert (unnamed.returncode, absent.returncode) == (2, 3)
    assert "Name the port" in unnamed.stderr
    assert "There is no port" in absent.stderr
    assert not Path(programmer["NOTES"]).exists()
