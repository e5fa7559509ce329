"""Thousands of recordings: make them once, score any analysis against them.

    python -m tests.physics.campaign --make DIR --count 400 --seed 1 [--category NAME]
    python -m tests.physics.campaign --score DIR --analyse module:function [--list] [--out STEM]

`--analyse` names a callable (volts (n, 2), rate in Hz) -> findings document. `--out STEM` writes STEM.json,
STEM.md and STEM.svg.
"""

from __future__ import annotations

import argparse
import importlib
import json
import multiprocessing
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from tests.physics import circuits, tables
from tests.physics.recordings import record
from tests.physics.score import Score, score
from tests.physics.spice import UnsolvedError
from tests.physics.truth import Truth, from_dict, to_dict

Volts = npt.NDArray[np.float64]
Job = TypeVar("Job")
Done = TypeVar("Done")
Analyse = Callable[[Volts, float], dict[str, Any]]

BUNDLE = 12  # recordings per ngspice process
WORKERS = 2
ALLOWED_UNSOLVED = 0.005


@dataclass(frozen=True)
class Bundle:
    seed: int
    first: int
    count: int
    category: str | None
    folder: Path


def name_of(seed: int, index: int) -> str:
    return f"s{seed}-{index:05d}"


def make(
    folder: Path, seed: int, count: int, category: str | None = None, workers: int = WORKERS
) -> list[str]:
    """Make `count` recordings in `folder` (npz each, truth.jsonl for all); returns what did not solve."""
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.npz"):
        old.unlink()
    bundles = [
        Bundle(seed, first, min(BUNDLE, count - first), category, folder) for first in range(0, count, BUNDLE)
    ]
    parts = _spread(_make_bundle, bundles, workers, 1)
    truths = [t for made, _ in parts for t in made]
    unsolved = [n for _, failed in parts for n in failed]
    stories = [(c.name, c.about) for c in circuits.CATEGORIES]
    (folder / "truth.jsonl").write_text("".join(json.dumps(t) + "\n" for t in truths))
    (folder / "README.md").write_text(tables.readme(truths, seed, count, unsolved, stories))
    if len(unsolved) > max(1, ALLOWED_UNSOLVED * count):
        raise UnsolvedError(f"{len(unsolved)} of {count} circuits did not solve: {' '.join(unsolved)}")
    return unsolved


def _make_bundle(bundle: Bundle) -> tuple[list[dict[str, Any]], list[str]]:
    plans = [
        (name_of(bundle.seed, i), *circuits.plan(bundle.seed, i, bundle.category))
        for i in range(bundle.first, bundle.first + bundle.count)
    ]
    truths, unsolved = [], []
    for (name, _, _), answer in zip(plans, record(plans), strict=True):
        if isinstance(answer, UnsolvedError):
            unsolved.append(name)
            continue
        np.savez_compressed(bundle.folder / f"{name}.npz", volts=answer.volts.astype(np.float32))
        truths.append(to_dict(answer.truth))
    return truths, unsolved


def load(folder: Path) -> Iterator[tuple[Volts, Truth]]:
    """Every recording of a folder with its truth."""
    for truth in truths_of(folder):
        yield volts_of(folder, truth.name), truth


def truths_of(folder: Path) -> list[Truth]:
    return [from_dict(json.loads(line)) for line in (folder / "truth.jsonl").read_text().splitlines()]


def volts_of(folder: Path, name: str) -> Volts:
    with np.load(folder / f"{name}.npz") as content:
        return np.asarray(content["volts"], dtype=np.float64)


def callable_of(words: str) -> Analyse:
    """The function named by `module:function`."""
    module, _, function = words.partition(":")
    found: Analyse = getattr(importlib.import_module(module), function)
    return found


def _score_one(job: tuple[Path, Truth, str]) -> Score:
    folder, truth, words = job
    return score(callable_of(words)(volts_of(folder, truth.name), truth.rate_hz), truth)


def score_folder(folder: Path, words: str, workers: int = WORKERS) -> list[Score]:
    """Scores of every recording in a folder by the analysis named `module:function`."""
    jobs = [(folder, truth, words) for truth in truths_of(folder)]
    return _spread(_score_one, jobs, workers, 8)


def _spread(work: Callable[[Job], Done], jobs: list[Job], workers: int, bunch: int) -> list[Done]:
    """`work` on every job, in fresh processes (a fork would copy a test run's threads)."""
    if workers == 1:
        return [work(job) for job in jobs]
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        return pool.map(work, jobs, chunksize=bunch)


def main(arguments: list[str] | None = None) -> int:
    options = _options(arguments)
    begin = time.monotonic()
    if options.make:
        unsolved = make(options.make, options.seed, options.count, options.category, options.workers)
        print(f"{options.count} circuits in {time.monotonic() - begin:.1f} s, unsolved: {unsolved}")
    if options.score:
        scores = score_folder(options.score, options.analyse, options.workers)
        if options.list:
            print("\n".join(tables.complaints(scores)))
        print(tables.markdown(scores))
        print(f"scored in {time.monotonic() - begin:.1f} s")
        if options.out:
            tables.write(scores, options.out)
    return 0


def _options(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="tests.physics.campaign", description=(__doc__ or "").split("\n")[0]
    )
    parser.add_argument("--make", type=Path, metavar="DIR")
    parser.add_argument("--score", type=Path, metavar="DIR")
    parser.add_argument("--count", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--category", choices=[c.name for c in circuits.CATEGORIES])
    parser.add_argument("--analyse", metavar="MODULE:FUNCTION")
    parser.add_argument("--list", action="store_true", help="name every recording with a complaint")
    parser.add_argument("--out", type=Path, metavar="STEM", help="write STEM.json, STEM.md, STEM.svg")
    parser.add_argument("--workers", type=int, default=WORKERS)
    options = parser.parse_args(arguments)
    if options.score and not options.analyse:
        parser.error("--score needs --analyse module:function")
    return options


if __name__ == "__main__":
    sys.exit(main())
