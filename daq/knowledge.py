"""What the reasoning takes for granted: priors, spreads, costs and limits, read from knowledge.toml.

A user's own file holds only the entries that differ; every entry is checked against the shipped ones, so a
misspelt name or an impossible value is an error that names it.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from daq.errors import CommandError

Weights = Mapping[str, float]

# Entries that must not be zero or that have a range of their own: (table, last key), or the
# whole path where one entry differs -> (lowest, highest).
_RANGES: dict[tuple[str, ...], tuple[float, float]] = {
    ("spread", "median"): (1e-6, 1e12),
    ("spread", "factor"): (1.0, 100.0),
    ("spread", "source", "factor"): (1.001, 2.0),  # a battery is never known to the millivolt
    ("spread", "open_ohm", "median"): (1e4, 1e12),  # less is no open
    ("spread", "low"): (0.0, 1.0),
    ("spread", "high"): (0.0, 1.0),
    ("reading", "zero_v"): (1e-3, 5.0),
    ("reading", "gain"): (0.0, 0.5),
    ("reading", "between"): (0.0, 0.5),
    ("reading", "misread"): (1e-6, 0.5),
    ("reading", "meter_ohm"): (1e3, 1e12),
    ("reading", "logger_ohm"): (1e3, 1e12),
    ("stop", "place_known"): (0.5, 1.0),
    ("stop", "side_told"): (1.0, 1e6),
    ("stop", "common_alone"): (0.5, 1.0),
    ("limits", "volts"): (0.0, 32.0),
    ("limits", "share"): (0.0, 1.0),
}
_WEIGHTS = ("sides", "faults", "conditions", "choices")


@dataclass(frozen=True, slots=True)
class Spread:
    """A log-normal quantity: its median, and the factor of one standard deviation."""

    median: float
    factor: float


@dataclass(frozen=True, slots=True)
class Limit:
    """A drop that is too much, V or a share of source, and where the figure comes from."""

    volts: float | None
    share: float | None
    origin: str


@dataclass(frozen=True, eq=False)
class Knowledge:
    sides: Weights  # sum 1
    faults: Weights  # "fault, place" -> weight
    conditions: Weights  # sum 1
    with_fault: Weights  # "fault, place + condition" -> share
    double: Weights  # "fault, place + fault, place" -> share of "none"
    choices: Mapping[str, Weights]  # each sums to 1
    spread: Mapping[str, Spread]
    duty: tuple[float, float]
    reading: Weights
    costs: Weights
    stop: Weights
    limits: Mapping[str, Limit]


@cache
def shipped() -> Knowledge:
    """The knowledge that comes with the program."""
    return _knowledge(_shipped_tables())


def with_changes(path: Path) -> Knowledge:
    """The shipped knowledge with the entries of `path` in place of ours.

    Raises:
        CommandError: the file cannot be read, is no TOML, or has an entry that is unknown or impossible.
    """
    try:
        changes = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise CommandError(
            f"{path}: {error.strerror or error}; give a knowledge file that can be read."
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise CommandError(f"{path} is not valid TOML: {error}.") from None
    tables = _merged(_shipped_tables(), changes, path, ())
    duty = tables["spread"]["duty"]
    if duty["low"] >= duty["high"]:
        raise CommandError(
            f"{path}: [spread.duty] low is {duty['low']:g}; it must be below high, {duty['high']:g}."
        )
    return _knowledge(tables)


def _shipped_tables() -> dict[str, Any]:
    return tomllib.loads(files("daq").joinpath("knowledge.toml").read_text(encoding="utf-8"))


def _merged(ours: dict[str, Any], theirs: Any, path: Path, at: tuple[str, ...]) -> dict[str, Any]:
    if not isinstance(theirs, dict):
        raise CommandError(f"{path}: {_name(at)} must be a table with the entries {', '.join(ours)}.")
    new = dict(ours)
    for key, value in theirs.items():
        here = (*at, key)
        if key not in ours:
            known = ", ".join(ours)
            raise CommandError(f"{path}: {_name(here)} is not known; {_name(at)} has: {known}.")
        if isinstance(ours[key], dict):
            new[key] = _merged(ours[key], value, path, here)
        elif isinstance(ours[key], str):
            new[key] = _text(value, path, here)
        else:
            new[key] = _number(value, path, here)
    numbers = [v for v in new.values() if isinstance(v, (int, float))]
    if at and at[0] in _WEIGHTS and numbers and sum(numbers) <= 0:
        raise CommandError(f"{path}: all of {_name(at)} are zero; give at least one a weight.")
    return new


def _text(value: Any, path: Path, at: tuple[str, ...]) -> str:
    if not isinstance(value, str):
        raise CommandError(f"{path}: {_name(at)} must be a text in quotes, not {value!r}.")
    return value


def _number(value: Any, path: Path, at: tuple[str, ...]) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise CommandError(f"{path}: {_name(at)} must be a number, not {value!r}.")
    low, high = _RANGES.get(at) or _RANGES.get((at[0], at[-1]), (0.0, 1e12))
    if not low <= value <= high:
        raise CommandError(f"{path}: {_name(at)} is {value:g}; it must be from {low:g} to {high:g}.")
    return float(value)


def _name(at: tuple[str, ...]) -> str:
    return f"[{'.'.join(at[:-1])}] {at[-1]}" if len(at) > 1 else f"[{at[0]}]" if at else "the file"


def _knowledge(tables: dict[str, Any]) -> Knowledge:
    spreads = dict(tables["spread"])
    duty = spreads.pop("duty")
    return Knowledge(
        sides=_shares(tables["sides"]),
        faults=_shares(tables["faults"]),
        conditions=_shares(tables["conditions"]),
        with_fault=tables["with_fault"],
        double=tables["double"],
        choices={name: _shares(weights) for name, weights in tables["choices"].items()},
        spread={name: Spread(s["median"], s["factor"]) for name, s in spreads.items()},
        duty=(duty["low"], duty["high"]),
        reading=tables["reading"],
        costs=tables["costs"],
        stop=tables["stop"],
        limits={n: Limit(v.get("volts"), v.get("share"), v["origin"]) for n, v in tables["limits"].items()},
    )


def _shares(weights: Weights) -> Weights:
    total = sum(weights.values())
    return {name: weight / total for name, weight in weights.items()}
