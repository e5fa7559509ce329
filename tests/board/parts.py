"""firmware/board/parts.toml as records: kinds of parts, parts with their pins, and the budget's figures."""

from __future__ import annotations

import tomllib
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parents[2] / "firmware" / "board"
LEADS = (1, 2)


@dataclass(frozen=True)
class Kind:
    """What is bought: a generic description and what it must stand. Units: as parts.toml says."""

    name: str
    text: str
    ratings: Mapping[str, float]

    def __getitem__(self, rating: str) -> float:
        return self.ratings[rating]


@dataclass(frozen=True)
class Part:
    """One part as it is soldered; `pins` gives the net at each pin, two-pin parts have pins "1" and "2"."""

    ref: str
    kind: Kind
    pins: Mapping[str, str]
    why: str
    value: float | None  # ohm or farad
    lead: int | None

    @property
    def ends(self) -> tuple[str, str]:
        """The nets of a two-pin part (diodes: anode, cathode)."""
        return self.pins["1"], self.pins["2"]

    @property
    def ohm(self) -> float:
        assert self.value is not None, self.ref
        return self.value


@dataclass(frozen=True)
class Design:
    """Everything in parts.toml."""

    parts: Mapping[str, Part]
    converter: Mapping[str, float]
    supply: Mapping[str, float]
    calibration: Mapping[str, float]

    def of_kind(self, *names: str) -> list[Part]:
        return [part for part in self.parts.values() if part.kind.name in names]

    def resistors(self) -> list[Part]:
        return [part for part in self.parts.values() if part.ref.startswith("R")]

    def nets(self) -> dict[str, list[tuple[str, str]]]:
        """(part, pin) at each net."""
        found: dict[str, list[tuple[str, str]]] = defaultdict(list)
        for part in self.parts.values():
            for pin, net in part.pins.items():
                found[net].append((part.ref, pin))
        return dict(found)


@cache
def design() -> Design:
    """The design as it stands in the repository."""
    return parse((FOLDER / "parts.toml").read_text())


def parse(text: str) -> Design:
    """Raises KeyError for a part of an unknown kind, ValueError for a reference given twice."""
    told = tomllib.loads(text)
    kinds = {name: _kind(name, table) for name, table in told["kind"].items()}
    parts: dict[str, Part] = {}
    everything = [
        *(_part(ref, table, kinds, lead) for lead in LEADS for ref, table in told["lead"].items()),
        *(_part(ref, table, kinds, None) for ref, table in told["common"].items()),
    ]
    for part in everything:
        if part.ref in parts:
            raise ValueError(f"{part.ref} stands twice in parts.toml")
        parts[part.ref] = part
    return Design(parts, told["converter"], told["supply"], told["calibration"])


def _kind(name: str, table: dict[str, Any]) -> Kind:
    return Kind(name, table["text"], {k: float(v) for k, v in table.items() if k != "text"})


def _part(ref: str, table: dict[str, Any], kinds: Mapping[str, Kind], lead: int | None) -> Part:
    number = "" if lead is None else str(lead)
    told = table["pins"]
    named = told.items() if isinstance(told, dict) else zip("12", told, strict=True)
    return Part(
        ref if lead is None else f"{ref[0]}{number}{ref[1:]}",
        kinds[table["kind"]],
        {str(pin): net.replace("#", number) for pin, net in named},
        table["why"].replace("#", number),
        table.get("ohm", table.get("farad")),
        lead,
    )


PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p"))


def in_words(value: float, unit: str) -> str:
    """3320 ohm as "3.32 kΩ"."""
    factor, prefix = next((f, p) for f, p in PREFIXES if abs(value) >= f * 0.9999)
    return f"{value / factor:.4g} {prefix}{unit}"


def label(part: Part) -> str:
    """What is printed beside a symbol: the value where there is one."""
    if part.value is None:
        return ""
    return in_words(part.value, "Ω" if part.ref.startswith("R") else "F")


def grouped(parts: Iterable[Part]) -> dict[tuple[str, str], list[Part]]:
    """By what is bought: (description, value) -> parts."""
    found: dict[tuple[str, str], list[Part]] = defaultdict(list)
    for part in parts:
        found[part.kind.text, label(part)].append(part)
    return dict(found)
