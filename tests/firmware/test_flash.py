"""`whichside flash`: a programmer that only notes what it was told, and the real firmware that answers."""

from __future__ import annotations

import io
import os
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from daq import flash, intel_hex, requests
from daq.cli import main
from tests.firmware.board import FIRMWARE, Board, Script, build, settings_record
from tests.wire.fake_logger import FakeLogger
from tests.wire.pty_logger import PtyLogger

PROGRAMMER = """#!/bin/sh
case "$*" in
*flash:r:*) cp "$NOTES.bin" "$(echo "$*" | sed 's/.*flash:r:\\(.*\\):r/\\1/')"; exit $? ;;
esac
for word in "$@"; do echo "$word"; done >"$NOTES"
cp "$(echo "$*" | sed 's/.*flash:w:\\(.*\\):i/\\1/')" "$NOTES.hex"
echo "programmer: speaking" >&2
[ -n "$KEEPS" ] && avr-objcopy -I ihex -O binary --pad-to 0x7E00 --gap-fill 0xFF "$NOTES.hex" "$NOTES.bin"
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
    return {
        "PATH": path,
        "NOTES": str(tmp_path / "notes"),
        "KEEPS": "1",
        "XDG_CONFIG_HOME": str(tmp_path / "config"),
    }


class Ended(NamedTuple):
    returncode: int
    stdout: str
    stderr: str


Run = Callable[..., Ended]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]) -> Run:
    """The command in this process: quicker than a new one each time."""

    def ended(environment: dict[str, str], *words: str, answer: str = "") -> Ended:
        for name, value in environment.items():
            monkeypatch.setenv(name, value)
        monkeypatch.setattr("sys.stdin", io.StringIO(answer))
        capfd.readouterr()
        code = main(["flash", *words])
        said = capfd.readouterr()
        return Ended(code, said.out, said.err)

    return ended


def test_the_image_that_ships_is_what_the_sources_make() -> None:
    made = (build() / "whichside.hex").read_bytes()
    shipped = (FIRMWARE / "image" / "whichside.hex").read_bytes()
    assert shipped == made, "after a change to the firmware: make -C firmware release"


def test_an_installation_has_the_image_where_it_is_looked_for(tmp_path: Path) -> None:
    """Laid out as pyproject.toml says, as pip does it, with no checkout around."""
    project = FIRMWARE.parent
    setuptools = tomllib.loads((project / "pyproject.toml").read_text())["tool"]["setuptools"]
    site = tmp_path / "site"
    for package, place in setuptools["package-dir"].items():
        wanted = ["*.py", *setuptools["package-data"].get(package, [])]
        for pattern in wanted:
            for source in (project / place).glob(pattern):
                target = site.joinpath(*package.split("."), source.name)
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy(source, target)
    asks = "import sys; sys.path.insert(0, sys.argv[1]); import daq.flash; print(daq.flash.shipped_image())"
    found = subprocess.check_output([sys.executable, "-c", asks, site], cwd=tmp_path, text=True)
    image = Path(found.strip())
    assert image.is_relative_to(site)
    assert image.read_bytes() == (FIRMWARE / "image" / "whichside.hex").read_bytes()


def test_the_version_of_the_image_is_known(tmp_path: Path) -> None:
    assert Script(tmp_path).run(0.1).hellos[0].firmware == flash.IMAGE_VERSION


def test_written_and_asked(run: Run, tmp_path: Path, programmer: dict[str, str]) -> None:
    with Board(tmp_path) as board:
        done = run(programmer, "--port", board.port)
    assert done.returncode == 0, done.stderr
    assert f"Firmware 0.1.0 is on the logger on {board.port}, and it answers." in done.stdout
    assert "Logger without serial number with firmware 0.1.0 is there" in done.stdout
    assert "bytes are as in the image" in done.stdout
    assert "programmer: speaking" in done.stderr
    told = Path(programmer["NOTES"]).read_text().split("\n")[:-1]
    # As in the programmer's manual page (from memory): part, programmer, port, speed, no chip erase, then
    # memory:operation:file:format, i for Intel hex.
    assert told[:9] == ["-p", "atmega328p", "-c", "arduino", "-P", board.port, "-b", "115200", "-D"]
    assert told[9] == "-U"
    assert told[10].startswith("flash:w:")
    written = Path(programmer["NOTES"] + ".hex").read_bytes()
    assert written == (FIRMWARE / "image" / "whichside.hex").read_bytes()


def test_another_line_speed_in_the_eeprom_is_found(
    run: Run, tmp_path: Path, programmer: dict[str, str]
) -> None:
    eeprom = tmp_path / "eeprom"
    eeprom.write_bytes(settings_record(baud_code=0))
    with Board(tmp_path, mind_baud=True, eeprom=eeprom) as board:
        done = run(programmer, "--port", board.port, "--baud", "1000000", "--loader-baud", "57600", "--yes")
    assert done.returncode == 0, done.stderr
    assert "\n57600\n" in Path(programmer["NOTES"]).read_text()


@pytest.fixture
def foreign(tmp_path: Path) -> Iterator[PtyLogger]:
    """A board with some program of its own."""
    folder = tmp_path / "foreign"
    folder.mkdir()
    with PtyLogger(folder) as port:
        port.logger.deaf = True
        port.noise = b"humidity 41 %\r\n" * 20
        yield port


def test_what_is_no_logger_is_not_written_to_unless_the_user_says_so(
    run: Run, foreign: PtyLogger, programmer: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(requests, "PATIENCE_NS", 3_000_000_000)  # it never answers
    refused = run(programmer, "--port", foreign.port, answer="no\n")
    assert refused.returncode == 2
    assert "does not answer as a whichside logger" in refused.stdout
    assert "Whatever program is on that board would be lost" in refused.stdout
    assert f"Nothing was written to {foreign.port}" in refused.stderr
    assert not Path(programmer["NOTES"]).exists()
    foreign.logger.deaf = False
    agreed = run(programmer, "--port", foreign.port, "--yes")
    assert Path(programmer["NOTES"]).exists()
    assert "Asking" not in agreed.stdout


def test_a_logger_with_another_chip_is_not_written_to(
    run: Run, tmp_path: Path, programmer: dict[str, str]
) -> None:
    with PtyLogger(tmp_path, FakeLogger(board=2)) as other:
        refused = run(programmer, "--port", other.port)
    assert refused.returncode == 2
    assert "has another chip than the ATmega328P" in refused.stderr
    assert not Path(programmer["NOTES"]).exists()


def test_a_chip_that_holds_something_else(run: Run, tmp_path: Path, programmer: dict[str, str]) -> None:
    Path(programmer["NOTES"] + ".bin").write_bytes(b"\x0c\x94" * 8000)
    with Board(tmp_path) as board:
        done = run(programmer | {"KEEPS": ""}, "--port", board.port)
        unreadable = run(programmer | {"KEEPS": "", "NOTES": str(tmp_path / "other")}, "--port", board.port)
    assert done.returncode == 1
    assert "is not the image that was written" in done.stderr
    assert unreadable.returncode == 0
    assert "could not be read back here" in unreadable.stdout


@pytest.mark.parametrize("spoil", [lambda t: t[:-14], lambda t: t.replace(":10", ":11", 1), lambda _: ":xx"])
def test_a_damaged_image_is_no_image(spoil: Callable[[str], str]) -> None:
    text = (FIRMWARE / "image" / "whichside.hex").read_text()
    assert len(intel_hex.decode(text)) > 5000
    with pytest.raises(ValueError, match=r"damaged|no end|fromhex"):
        intel_hex.decode(spoil(text))


def test_a_programmer_that_fails(run: Run, tmp_path: Path, programmer: dict[str, str]) -> None:
    with Board(tmp_path) as board:
        done = run(programmer | {"ENDS_WITH": "1"}, "--port", board.port)
    assert done.returncode == 1
    assert "avrdude could not write the firmware" in done.stderr
    assert "may hold no whole firmware now" in done.stderr
    assert "answers" not in done.stdout


def test_without_the_programmer_its_command_is_printed(
    run: Run, tmp_path: Path, programmer: dict[str, str]
) -> None:
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
    for name, value in programmer.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(flash, "IMAGE_VERSION", (0, 2, 0))
    with Board(tmp_path) as board:
        assert main(["flash", "--port", board.port]) == 1
    assert "answers with firmware 0.1.0, not 0.2.0" in capsys.readouterr().err


def test_no_port_named_and_no_such_port(run: Run, tmp_path: Path, programmer: dict[str, str]) -> None:
    unnamed, absent = run(programmer), run(programmer, "--port", str(tmp_path / "none"))
    assert (unnamed.returncode, absent.returncode) == (2, 3)
    assert "Name the port" in unnamed.stderr
    assert "There is no port" in absent.stderr
    assert not Path(programmer["NOTES"]).exists()
