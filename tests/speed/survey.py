"""What a survey costs beside the bare analysis: here, in processes, and on a dask LocalCluster.

    python -m tests.speed.survey [FILES] [PROCESSES]

The alternative named is a plain loop over the same files in one process. Overhead is what a run takes more
than the loop's time divided by its processes; the tables must be the same to the last character.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from distributed import LocalCluster

from daq.survey import Row, survey_file, tasks_in
from daq.survey_cluster import Cluster
from daq.survey_runs import local_processes, survey
from daq.survey_table import csv_lines
from tests.survey.files import recording


def timed(run: Callable[[], list[Row]]) -> tuple[float, str]:
    begin = time.perf_counter()
    rows = run()
    return time.perf_counter() - begin, "".join(csv_lines(rows))


def on_cluster(folder: Path, address: str) -> list[Row]:
    cluster = Cluster(address)
    try:
        return survey(tasks_in([folder]), cluster.executor, cluster.workers)
    finally:
        cluster.close()


def main() -> None:
    files = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    workers = int(sys.argv[2]) if len(sys.argv) > 2 else 2
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for number in range(files):
            recording(folder / f"{number:05d}.whichside", high=number % 2 == 0)
        (folder / "00007.whichside").write_text("no capture")
        tasks = tasks_in([folder])
        loop_s, table = timed(lambda: [survey_file(task.shown, task.path) for task in tasks])
        print(f"{files} files of 2.2 s; plain loop: {loop_s:.2f} s, {1000 * loop_s / files:.1f} ms a file")
        processes = partial(survey, tasks, partial(local_processes, workers), workers)
        with LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=":0") as cluster:
            address = str(cluster.scheduler_address)
            runs = {
                f"{workers} processes": processes,
                f"dask, {workers} workers": partial(on_cluster, folder, address),
            }
            for what, run in runs.items():
                seconds, got = timed(run)
                over = seconds - loop_s / workers
                print(
                    f"{what}: {seconds:.2f} s, {over:.2f} s over the loop's share, "
                    f"{'the same table' if got == table else 'ANOTHER TABLE'}"
                )


if __name__ == "__main__":
    main()
