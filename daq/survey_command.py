"""What `survey` does: from the command line to the table, with its progress on standard error."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from functools import partial
from typing import TYPE_CHECKING

from daq.errors import CommandError
from daq.file_commands import cleanly_stopped
from daq.new_file import require_new

if TYPE_CHECKING:
    from daq.survey import Row, Task
    from daq.survey_runs import Progress

TERMINAL_EVERY_S = 0.2
PIPE_EVERY_S = 30.0


def survey_places(options: argparse.Namespace) -> int:
    """Many captures in one table."""
    from daq.survey import tasks_in
    from daq.survey_table import ENDINGS, csv_lines, write_table

    if options.out is not None:
        if options.out.suffix not in ENDINGS:
            raise CommandError(f"{options.out}: the table's name must end in {', '.join(ENDINGS)}.")
        require_new(options.out)
        if options.out.suffix == ".parquet":
            from daq.export_parquet import pyarrow

            pyarrow()
    if options.scheduler and options.workers:
        raise CommandError("--workers is for this computer; a scheduler knows its own.")
    tasks = tasks_in(options.places)
    with cleanly_stopped():
        meter = Meter(len(tasks))
        rows = _on_cluster(options, tasks, meter) if options.scheduler else _here(options, tasks, meter)
        if options.out is None:
            sys.stdout.writelines(csv_lines(rows))
        else:
            write_table(rows, options.out)
    meter.finish(rows, "" if options.out is None else f"; saved {options.out}")
    return 0


def _here(options: argparse.Namespace, tasks: Sequence[Task], meter: Meter) -> list[Row]:
    from daq.survey_runs import local_processes, processors, survey

    workers = min(options.workers or processors(), len(tasks))
    return survey(tasks, partial(local_processes, workers), workers, options.expect, meter.show)


def _on_cluster(options: argparse.Namespace, tasks: Sequence[Task], meter: Meter) -> list[Row]:
    from daq.survey_cluster import Cluster
    from daq.survey_runs import survey

    cluster = Cluster(options.scheduler)
    try:
        return survey(tasks, cluster.executor, cluster.workers, options.expect, meter.show)
    finally:
        cluster.close()


class Meter:
    """How far it is, on standard error: in place on a terminal, now and then a line elsewhere."""

    def __init__(self, files: int) -> None:
        self._terminal = sys.stderr.isatty()
        self._begin = self._shown = time.monotonic()
        self._files = files

    def show(self, progress: Progress) -> None:
        now = time.monotonic()
        if now - self._shown < (TERMINAL_EVERY_S if self._terminal else PIPE_EVERY_S):
            return
        self._shown = now
        left_s = (now - self._begin) / progress.done * (progress.files - progress.done)
        text = f"{progress.done} of {progress.files} files, {progress.unusable} unusable, {left_s:.0f} s left"
        print(
            f"\r\x1b[K{text}" if self._terminal else text, end="" if self._terminal else "\n", file=sys.stderr
        )
        sys.stderr.flush()

    def finish(self, rows: Sequence[Row], saved: str) -> None:
        unusable = sum(bool(row["error"]) for row in rows)
        seconds = time.monotonic() - self._begin
        begin = "\r\x1b[K" if self._terminal else ""
        print(f"{begin}{len(rows)} files, {unusable} unusable, {seconds:.1f} s{saved}", file=sys.stderr)
