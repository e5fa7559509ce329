"""`whichside flash`: the firmware that ships with this program goes onto a logger, through its boot loader.

The writing is left to avrdude, the general-purpose programmer for these chips; without it the command is
printed. Whether the logger then is what it should be, it is asked itself.
"""

from __future__ import annotations

import argparse
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from daq import intel_hex
from daq.errors import CommandError, DeviceError, OtherVersionError, WorkError
from daq.results import Identity

if TYPE_CHECKING:
    from daq.logger_talk import LoggerTalk

IMAGE_VERSION = (0, 1, 0)
"""Of the firmware that ships with this program; firmware/core tells the same."""

IMAGE_BOARD = 1
"""What the image is for, by the board number of an identity: the ATmega328P."""

TOOL = "avrdude"

BOOT_LOADER = "arduino"
"""avrdude's own word for the serial boot loader that is on common ATmega328P boards."""


def shipped_image() -> Path:
    """Where the image is; raises WorkError where the installation lacks it."""
    here = Path(__file__).parent
    for folder in (here / "image", here.parent / "firmware" / "image"):  # installed; in a checkout
        if (folder / "whichside.hex").is_file():
            return folder / "whichside.hex"
    raise WorkError("This installation lacks the firmware image: install whichside anew.")


def programmer_command(port: str, loader_baud: int, work: str) -> list[str]:
    """The programmer's command line for one piece of `work`. -D and `flash` leave the EEPROM as it is."""
    return [
        *(TOOL, "-p", "atmega328p", "-c", BOOT_LOADER, "-P", port, "-b", str(loader_baud)),
        "-D",
        "-U",
        work,
    ]


def flash_logger(options: argparse.Namespace) -> int:
    """See who is there, write the image, read it back, then ask the logger who it is."""
    from daq.serial_port import list_ports, remembered_port

    port = options.port or remembered_port()
    if port is None:
        raise CommandError(
            "Name the port of the board to flash with --port (whichside ports lists them): whatever program "
            "is on that board is replaced."
        )
    if not Path(port).exists() and port not in (there.device for there in list_ports()):
        raise DeviceError(f"There is no port {port}: plug the board in (whichside ports lists them).")
    if shutil.which(TOOL) is not None and not options.yes:
        _may_be_replaced(port, options.baud)
    image = shipped_image()
    _write(programmer_command(port, options.loader_baud, f"flash:w:{image}:i"), port)
    _compare(image, port, options.loader_baud)
    identity = _ask(port, options.baud)
    if identity.firmware != IMAGE_VERSION:
        raise WorkError(
            f"The logger on {port} answers with firmware {identity.firmware_version}, not "
            f"{_dotted(IMAGE_VERSION)}: flash it again."
        )
    print(f"Firmware {identity.firmware_version} is on the logger on {port}, and it answers.")
    print("What its EEPROM holds (line speed, serial number, calibration) is as it was.")
    return 0


def _write(command: Sequence[str], port: str) -> None:
    found = shutil.which(TOOL)
    if found is None:
        print(subprocess.list2cmdline(command) if os.name == "nt" else shlex.join(command))
        raise WorkError(
            f"{TOOL} is not installed, so nothing was written: install it (on Debian: apt install {TOOL}) "
            "and start again, or have the line above run where it is."
        )
    print(f"Writing firmware {_dotted(IMAGE_VERSION)} to {port}; leave the cable in.", flush=True)
    try:
        ended = subprocess.run([found, *command[1:]], stdin=subprocess.DEVNULL, check=False)
    except OSError as error:
        raise WorkError(f"{found} cannot be run ({error}): install it anew.") from error
    except KeyboardInterrupt:
        print(f"whichside: Interrupted: {_may_be_without(port)}", file=sys.stderr)
        raise
    if ended.returncode != 0:
        raise WorkError(
            f"{TOOL} could not write the firmware; its reason stands above. No answer or not in sync: "
            "another program has the port, it is another port, or the boot loader is an older one "
            f"(--loader-baud 57600). {_may_be_without(port)}"
        )


def _may_be_without(port: str) -> str:
    return f"The board on {port} may hold no whole firmware now: flash it again before it is used."


def _may_be_replaced(port: str, baud: int) -> None:
    """A logger may; for anything else, or nothing, the user is asked. Raises CommandError for a no."""
    print(f"Asking what is on {port} ...", flush=True)
    try:
        with _talk(port, baud) as talk:
            known = talk.identity
        if known.board != IMAGE_BOARD:
            raise CommandError(
                f"The logger on {port} has another chip than the ATmega328P that this image is for: write it "
                "with the tool for that chip (see firmware/arm/README.md)."
            )
        name = known.serial_number or "without serial number"
        print(f"Logger {name} with firmware {known.firmware_version} is there: its firmware is replaced.")
    except OtherVersionError:
        print("A logger with firmware of another protocol version is there: its firmware is replaced.")
    except DeviceError as error:
        print(f"{error}\nWhatever program is on that board would be lost; this program cannot bring it back.")
        try:
            agreed = input(f"Put the logger's firmware on the board on {port} all the same? Type yes: ")
        except EOFError:
            agreed = ""
        if agreed.strip().lower() not in ("y", "yes"):
            raise CommandError(
                f"Nothing was written to {port}: name the logger's own port, or say --yes for a board that "
                "has no logger firmware yet."
            ) from None


def _compare(image: Path, port: str, loader_baud: int) -> None:
    """What stands in the chip now, against the image; the programmer's own comparison came before."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "chip.bin"
        command = programmer_command(port, loader_baud, f"flash:r:{copy}:r")
        ended = subprocess.run(
            [shutil.which(TOOL) or TOOL, *command[1:]], stdin=subprocess.DEVNULL, check=False
        )
        if ended.returncode != 0 or not copy.is_file():
            print(f"It could not be read back here; {TOOL} compared it when it wrote it.")
            return
        wanted = intel_hex.decode(image.read_text("ascii"))
        if copy.read_bytes()[: len(wanted)] != wanted:
            raise WorkError(
                f"What was read back from the board on {port} is not the image that was written: flash it "
                "again; if that stays so, use another board."
            )
    print(f"Read back: all {len(wanted)} bytes are as in the image.")


def _talk(port: str, baud: int) -> LoggerTalk:
    from daq.logger_talk import LoggerTalk
    from daq.serial_port import SerialConnector

    return LoggerTalk(SerialConnector(port, baud))


def _ask(port: str, baud: int) -> Identity:
    """Who answers on the port, at `baud` or at another rate that its EEPROM may say."""
    from daq.serial_port import BAUD_RATES

    for rate in (baud, *(other for other in BAUD_RATES if other != baud)):
        try:
            with _talk(port, rate) as talk:
                return talk.identity
        except DeviceError:
            continue
    raise DeviceError(
        f"The firmware was written, but the logger on {port} does not answer: unplug it, plug it in again, "
        f"and try whichside --port {port}."
    )


def _dotted(version: tuple[int, int, int]) -> str:
    return ".".join(map(str, version))
