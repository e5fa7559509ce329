"""The command line: the one place that starts the screens, and only when they are needed.

Exit codes: 0 done; 1 the work could not be done; 2 the command line; 3 the logger is absent or gone;
4 the input is unusable, or usable only in part; 130 interrupted.
"""

from __future__ import annotations

import argparse
import json
import re
import signal
import sys
from collections.abc import Callable, Sequence
from importlib import import_module
from pathlib import Path
from types import FrameType, ModuleType
from typing import Any, NoReturn

from daq import __version__
from daq.errors import CommandError, WhichsideError

EXPECTATIONS = ("switching", "steady", "automatic", "unknown")
BAUDS = (500_000, 115_200, 1_000_000)
LOADER_BAUDS = (115_200, 57_600)  # common practice, no source
INTERRUPTED = 130
UNITS_S = {"s": 1.0, "m": 60.0, "h": 3600.0}


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code. No traceback reaches the user."""
    arguments = list(sys.argv[1:] if argv is None else argv)
    if not arguments or (arguments[0].startswith("-") and arguments[0] not in ("-h", "--help", "--version")):
        arguments.insert(0, "live")
    options = _parser().parse_args(arguments)
    interrupts = _Interrupts()
    try:
        with interrupts:
            return _run(options)
    except KeyboardInterrupt:
        return INTERRUPTED
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except Exception as error:
        if interrupts.came:
            return INTERRUPTED
        if isinstance(error, WhichsideError):
            print(f"whichside: {error}", file=sys.stderr)
            return error.exit_code
        from daq.log_file import start_log, where_details_are

        start_log().exception("unexpected")
        print(
            f"whichside: something unexpected went wrong ({type(error).__name__}: {error}); "
            f"{where_details_are()}.",
            file=sys.stderr,
        )
        return 1


class _Interrupts:
    """Whether Ctrl-C was pressed. A library that it meets while being imported may make an error of its own
    of it, which says nothing of the kind."""

    def __init__(self) -> None:
        self.came = False

    def __enter__(self) -> None:
        if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
            signal.signal(signal.SIGINT, self._interrupt)

    def __exit__(self, *_: object) -> None:
        if signal.getsignal(signal.SIGINT) == self._interrupt:
            signal.signal(signal.SIGINT, signal.default_int_handler)

    def _interrupt(self, number: int, frame: FrameType | None) -> None:
        self.came = True
        signal.default_int_handler(number, frame)


def _run(options: argparse.Namespace) -> int:
    """Imports what the command needs alone: all of them together take a tenth of a second."""
    module, name = {
        "live": ("commands", "live"),
        "record": ("record_command", "record"),
        "review": ("commands", "review"),
        "reason": ("reason_command", "reason"),
        "report": ("commands", "report"),
        "practice": ("commands", "practice"),
        "import": ("file_commands", "import_text"),
        "check": ("file_commands", "check"),
        "trim": ("file_commands", "trim"),
        "export": ("file_commands", "export"),
        "survey": ("survey_command", "survey_places"),
        "flash": ("commands", "flash"),
        "ports": ("commands", "ports"),
        "calibrate": ("commands", "calibrate"),
    }[options.command]
    run: Callable[[argparse.Namespace], int] = getattr(import_module(f"daq.{module}"), name)
    return run(options)


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one sentence, without the usage in front of it."""

    def error(self, message: str) -> NoReturn:
        self.exit(CommandError.exit_code, f"whichside: {message} ({self.prog} --help shows how).\n")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="whichside",
        description="Two leads on a load: which side is switched, which wire is feed, ground and control.",
        epilog="DC circuits up to 32 V only. Never on airbag circuits, mains, ignition or anything orange.",
    )
    parser.add_argument("--version", action="version", version=f"whichside {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    live = commands.add_parser("live", help="measure now, on screen (the default)")
    _add_source(live)
    live.add_argument("--out", type=Path, metavar="FILE", help="record the whole run to this new capture")
    live.add_argument("--answers", action="store_true", help="with --bench list: what each really is")
    live.add_argument("--plain", action="store_true", help="facts as lines: for screen readers and pipes")

    record = commands.add_parser("record", help="measure now without a screen, into a capture")
    _add_source(record)
    record.add_argument(
        "--out", type=Path, metavar="FILE", help="the new capture (a name is chosen if not given)"
    )
    record.add_argument(
        "--for", dest="duration_s", type=_duration, metavar="TIME", help="stop after 90s, 20m, 10h"
    )

    review = commands.add_parser("review", help="what a recording says")
    review.add_argument("file", type=Path, metavar="FILE", help="a capture, or a .csv / .csv.gz")
    review.add_argument("--json", action="store_true", help="the findings as one JSON document")
    review.add_argument("--plain", action="store_true", help="the findings as lines")
    review.add_argument("--expect", choices=EXPECTATIONS, help="what should have been happening")

    report = commands.add_parser("report", help="a recording written up: one page to print or send")
    report.add_argument("file", type=Path, metavar="FILE", help="a capture, or a .csv / .csv.gz")
    report.add_argument("-o", "--out", type=Path, required=True, metavar="OUT", help="the new page, .html")
    report.add_argument("--expect", choices=EXPECTATIONS, help="what should have been happening")
    report.add_argument("--anonymous", action="store_true", help="leave out names and notes")

    _add_reason(commands)
    _add_file_commands(commands)

    practice = commands.add_parser("practice", help="a simulated circuit to work out by yourself")
    practice.add_argument("--seed", type=int, metavar="N", help="the same circuit again for the same number")
    practice.add_argument("--rate", type=_rate, metavar="HZ", help="pairs a second (default 4000)")

    flash = commands.add_parser("flash", help="put this program's firmware on a logger")
    flash.add_argument("--port", metavar="P", help="the board's serial port (default: the logger's)")
    flash.add_argument("--baud", type=int, choices=BAUDS, default=BAUDS[0], help="of the logger afterwards")
    flash.add_argument(
        "--loader-baud",
        type=int,
        choices=LOADER_BAUDS,
        default=LOADER_BAUDS[0],
        help="of the board's boot loader; older ones use 57600",
    )

    flash.add_argument("--yes", action="store_true", help="write without asking, whatever is on the port")

    ports = commands.add_parser("ports", help="list serial ports; opens none of them")
    ports.add_argument("--json", action="store_true")

    calibrate = commands.add_parser("calibrate", help="zero and two known voltages: the logger reads right")
    _add_logger(calibrate)
    instead = calibrate.add_mutually_exclusive_group()
    instead.add_argument("--show", action="store_true", help="what is in force, and what was before")
    instead.add_argument("--undo", action="store_true", help="go back to the former calibration")
    return parser


def _add_logger(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--port", metavar="P", help="the logger's serial port (default: the remembered one)")
    parser.add_argument(
        "--baud", type=int, choices=BAUDS, default=BAUDS[0], help="of the port, as the firmware was built"
    )


def _add_reason(commands: argparse._SubParsersAction[_Parser]) -> None:
    reason = commands.add_parser(
        "reason", help="readings taken with a meter: what could it be, what to test next"
    )
    reason.add_argument(
        "readings",
        nargs="+",
        metavar="READING",
        help="as in 'in off 12.6 12.6': in or out (plugged), off, on, other or ? (control), lead 1, lead 2; "
        "'source 12.6'; 'out off lamp positive lead 2 lit'; 'in on at fuse 12.5'; 'in on load works'",
    )
    reason.add_argument("--json", action="store_true", help="the answer as one JSON document")
    reason.add_argument("--amps", type=_amps, metavar="A", help="the load's current: drops as mΩ and wire")
    reason.add_argument(
        "--knowledge", type=Path, metavar="FILE", help="your own priors, costs and limits (TOML)"
    )


def _add_file_commands(commands: argparse._SubParsersAction[_Parser]) -> None:
    take = commands.add_parser("import", help="a text recording becomes a capture")
    take.add_argument("file", type=Path, metavar="CSV", help="time_s,lead1_v,lead2_v; .csv or .csv.gz")
    take.add_argument("-o", "--out", type=Path, required=True, metavar="FILE", help="the new capture")
    take.add_argument("--expect", choices=EXPECTATIONS, default="switching")

    check = commands.add_parser("check", help="is a capture whole?")
    check.add_argument("file", type=Path, metavar="FILE")
    check.add_argument("--json", action="store_true")
    check.add_argument("--repair", action="store_true", help="save all that can be read in a new capture")
    check.add_argument("-o", "--out", type=Path, metavar="OUT", help="the new capture, with --repair")

    trim = commands.add_parser(
        "trim",
        help="a part of a capture becomes a capture",
        epilog="TIME counts from the first sample, as the screens show it: 12.5, 2:05.3, 1:02:05, 90s, 20m.",
    )
    trim.add_argument("file", type=Path, metavar="FILE")
    trim.add_argument(
        "--from", dest="from_s", type=_moment, metavar="TIME", help="the beginning if not given"
    )
    trim.add_argument("--to", dest="to_s", type=_moment, metavar="TIME", help="the end if not given")
    trim.add_argument("-o", "--out", type=Path, required=True, metavar="OUT", help="the new capture")

    export = commands.add_parser("export", help="a capture for other programs: CSV or Parquet")
    export.add_argument("file", type=Path, metavar="FILE")
    kind = export.add_mutually_exclusive_group(required=True)
    kind.add_argument("--csv", action="store_true", help="time_s,lead1_v,lead2_v; .csv or .csv.gz")
    kind.add_argument("--parquet", action="store_true", help="a table with units; needs the extra parquet")
    export.add_argument("-o", "--out", type=Path, required=True, metavar="OUT", help="the new file")
    export.add_argument("--anonymous", action="store_true", help="leave out names and notes")

    survey = commands.add_parser(
        "survey",
        help="many captures in one table, a row each",
        epilog="A file that cannot be used is a row that says why. Directories give the captures in "
        "and below them; a text recording is named itself.",
    )
    survey.add_argument("places", nargs="+", type=Path, metavar="DIR", help="directories, or files")
    survey.add_argument(
        "-o",
        "--out",
        type=Path,
        metavar="OUT",
        help=".csv, .jsonl or .parquet (default: CSV printed)",
    )
    survey.add_argument("--expect", choices=EXPECTATIONS, help="what should have been happening")
    survey.add_argument("--workers", type=_count, metavar="N", help="processes (default: one a processor)")
    survey.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="use this dask scheduler's workers; needs the extra cluster",
    )


def _add_source(parser: argparse.ArgumentParser) -> None:
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--port", metavar="P", help="the logger's serial port")
    which.add_argument("--bench", metavar="NAME", help="a simulated circuit and logger ('list' names them)")
    parser.add_argument(
        "--baud", type=int, choices=BAUDS, default=BAUDS[0], help="of the port, as the firmware was built"
    )
    parser.add_argument("--rate", type=_rate, metavar="HZ", help="pairs a second (default 4000)")
    parser.add_argument(
        "--expect", choices=EXPECTATIONS, default="switching", help="what should be happening"
    )


def _duration(text: str) -> float:
    unit = UNITS_S.get(text[-1:].lower())
    number = text[:-1] if unit else text
    try:
        seconds = float(number) * (unit or 1.0)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no time; say 90s, 20m or 10h") from None
    if not 1 <= seconds <= 30 * 24 * 3600:
        raise argparse.ArgumentTypeError(f"{text!r} is out of range; 1s to 720h, which are 30 days")
    return seconds


def _count(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text[:5]) <= 1024 or len(text) > 4:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of processes; say 1 to 1024")
    return int(text)


def _moment(text: str) -> float:
    """A moment of a recording as the screens show it (12.345, 2:05.3, 1:02:05), or with a unit."""
    found = re.fullmatch(r"(?:(?:(\d{1,6}):)?(\d{1,6}):)?(\d{1,9}(?:\.\d{0,12})?)([smh]?)", text.lower())
    if found is None or (found[2] and found[4]):
        raise argparse.ArgumentTypeError(f"{text!r} is no time; say 12.5, 2:05.3, 1:02:05 or 20m")
    hours, minutes, last, unit = found.groups()
    return int(hours or 0) * 3600 + int(minutes or 0) * 60 + float(last) * UNITS_S[unit or "s"]


def _amps(text: str) -> float:
    try:
        amperes = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no current; say 4.2") from None
    if not 1e-4 <= amperes <= 1000:
        raise argparse.ArgumentTypeError(f"{text!r} is out of range; 0.0001 to 1000 A")
    return amperes


def _rate(text: str) -> float:
    try:
        rate = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no rate; say 4000") from None
    if not 62.5 <= rate <= 8000:
        raise argparse.ArgumentTypeError(f"{text!r} is out of range; 62.5 to 8000 pairs a second")
    return rate


def print_json(document: dict[str, Any]) -> None:
    json.dump(document, sys.stdout, indent=1)
    print()


def screens() -> ModuleType:
    """The screens' entry points; importing them takes a third of a second."""
    from tui import entry

    return entry


def new_capture_name(folder: Path) -> Path:
    """A capture name from the time of day that does not exist yet."""
    from datetime import datetime

    stem = datetime.now().astimezone().strftime("whichside-%Y%m%d-%H%M%S")
    for n in range(100):
        path = folder / f"{stem}{f'-{n}' if n else ''}.whichside"
        if not path.exists():
            return path
    raise CommandError(f"No free name like {stem}.whichside in {folder}; give one with --out.")
