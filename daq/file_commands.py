"""What the commands that make one file of another do. Heavy packages are imported where they are used."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from daq.capture_name import SUFFIX, require_new_capture
from daq.cli import print_json
from daq.errors import CommandError, InputError
from daq.new_file import require_new


def import_text(options: argparse.Namespace) -> int:
    """A text recording becomes a capture."""
    from daq.capture import write_capture
    from daq.text_file import TextSource, is_text

    if not is_text(options.file):
        raise CommandError(f"{options.file}: only .csv and .csv.gz can be imported.")
    require_new_capture(options.out)
    source = TextSource(options.file, options.expect)
    with cleanly_stopped():
        write_capture(options.out, source, source.info)
    print(f"saved {options.out}", file=sys.stderr)
    return 0


def check(options: argparse.Namespace) -> int:
    """Is a capture whole? With --repair: what can be read becomes a new one."""
    from daq.capture import check_capture
    from daq.words import how_to_repair

    if options.repair != (options.out is not None):
        raise CommandError("--repair and -o OUT go together: the damaged capture itself is never changed.")
    if options.repair:
        return _repair(options)
    report = check_capture(options.file)
    if options.json:
        print_json(report.to_json())
    else:
        print("\n".join([report.sentence(), *report.lines()]))
    if report.intact:
        return 0
    print(f"whichside: {how_to_repair(options.file)}", file=sys.stderr)
    return InputError.exit_code


def _repair(options: argparse.Namespace) -> int:
    from daq.capture import salvage_capture

    require_new_capture(options.out)
    with cleanly_stopped():
        saved = salvage_capture(options.file, options.out)
    if options.json:
        print_json(saved.to_json())
    else:
        print("\n".join([saved.sentence(), *saved.lines()]))
    return 0 if saved.everything else InputError.exit_code


def trim(options: argparse.Namespace) -> int:
    """A part of a capture becomes a capture of its own."""
    from daq import words
    from daq.capture import trim_capture

    require_new_capture(options.out)
    with cleanly_stopped():
        part = trim_capture(options.file, options.out, options.from_s, options.to_s)
    print(
        f"saved {options.out}: {words.duration(part.duration_s)} from {words.moment(part.begin_s)} on; "
        "its own times count from there",
        file=sys.stderr,
    )
    return _said_damage(options.file, part.damage_count)


def export(options: argparse.Namespace) -> int:
    """A capture for other programs."""
    from daq import words

    endings = (".csv", ".csv.gz") if options.csv else (".parquet",)
    if not options.out.name.lower().endswith(endings):
        raise CommandError(f"{options.out}: the new file's name must end in {' or '.join(endings)}.")
    if options.file.suffix != SUFFIX:
        raise CommandError(f"{options.file}: only captures ({SUFFIX}) can be exported.")
    require_new(options.out)
    with cleanly_stopped():
        if options.csv:
            from daq.export_csv import export_csv as write
        else:
            from daq.export_parquet import export_parquet as write
        done = write(options.file, options.out, options.anonymous)
    print(f"saved {', '.join(map(str, done.files))} ({done.pairs} pairs)", file=sys.stderr)
    for remark in done.remarks:
        print(words.printable(f"note: {remark}", 500), file=sys.stderr)
    return _said_damage(options.file, done.damage_count)


def _said_damage(path: Path, places: int) -> int:
    """The exit code; damage that was met is told."""
    if not places:
        return 0
    from daq.words import damaged

    print(damaged(path, places, "what cannot be read is a gap in what was made"), file=sys.stderr)
    return InputError.exit_code


@contextmanager
def cleanly_stopped() -> Iterator[None]:
    """SIGTERM ends the work as Ctrl-C does: nothing half-made is left."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
