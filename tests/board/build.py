"""The build guide of firmware/board/build.toml: built in ngspice step by step, and written as BUILD.md."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from daq.calibration import NEAR_ZERO, nominal
from tests.board.circuit import State, netlist, node
from tests.board.figures import line, ohms
from tests.board.pages import filled
from tests.board.parts import FOLDER, LEADS, Design, Part, label
from tests.physics.spice import Transient, operating_points, transient

METER_OHM = 10e6
PUMPED_S = 8e-3  # ten time constants of the negative supply


@dataclass(frozen=True)
class Join:
    """A battery, or a wire where `volts` is 0, from `a` (plus) to `b` through `ohm`."""

    a: str
    b: str
    volts: float
    ohm: float


@dataclass(frozen=True)
class Check:
    """One reading of a hand meter between two nets."""

    say: str
    unit: str  # "V" or "Ω"
    nets: tuple[str, str]
    joins: tuple[Join, ...]
    near: bool
    power: bool
    pump: bool
    band: float
    fails: str


@dataclass(frozen=True)
class Step:
    """What is soldered, how, and what must then be read; `lead` is None for what exists once."""

    title: str
    refs: tuple[str, ...]
    do: str
    checks: tuple[Check, ...]
    lead: int | None


def steps() -> list[Step]:
    """All steps in order; those of a lead stand together, first lead 1, then lead 2, wherever they may wait.

    Steps of both leads that follow each other are done for lead 1 one after the other, then for lead 2.
    """
    told = tomllib.loads((FOLDER / "build.toml").read_text())["step"]
    ordered: list[Step] = []
    waiting: list[dict[str, object]] = []
    for table in [*told, {}]:
        if table.get("lead"):
            waiting.append(table)
            continue
        ordered += [_step(w, lead) for lead in LEADS for w in waiting]
        waiting = []
        if table:
            ordered.append(_step(table, None))
    return ordered


def _step(table: dict[str, object], lead: int | None) -> Step:
    number = "" if lead is None else str(lead)
    refs = tuple(ref if lead is None else f"{ref[0]}{lead}{ref[1:]}" for ref in _texts(table["parts"]))
    checks = table.get("check", [])
    assert isinstance(checks, list)
    title = str(table["title"]) if lead is None else f"{table['title']}, lead {lead}"
    do = str(table["do"]).replace("#", number)
    return Step(title, refs, do, tuple(_check(c, number) for c in checks), lead)


def _texts(value: object) -> list[str]:
    assert isinstance(value, list)
    return [str(v) for v in value]


def _check(table: dict[str, object], number: str) -> Check:
    unit = "V" if "volt" in table else "Ω"
    a, b = (net.replace("#", number) for net in _texts(table["volt" if unit == "V" else "ohm"]))
    joins = table.get("join", [])
    assert isinstance(joins, list)
    joined = tuple(
        Join(j[0].replace("#", number), j[1].replace("#", number), float(j[2]), float(j[3])) for j in joins
    )
    return Check(
        str(table["say"]).replace("#", number),
        unit,
        (a, b),
        joined,
        bool(table.get("near", False)),
        bool(table.get("power", True)),
        bool(table.get("pump", False)),
        float(str(table["band"])),
        str(table["fails"]).replace("#", number),
    )


def so_far(plan: Design) -> Iterator[tuple[Step, Design]]:
    """Every step with the board as it stands after it."""
    placed: dict[str, Part] = {}
    for step in steps():
        placed |= {ref: plan.parts[ref] for ref in step.refs}
        yield step, replace(plan, parts=dict(placed))


def reading(check: Check, board: Design) -> float:
    """What the meter shows on this board, by ngspice."""
    powered = check.power and bool(board.of_kind("board"))
    near = (check.near, check.near)
    state = State(near=near, supply_v=5.0 if powered else None, pump=check.pump, ports=False, plan=board)
    a, b = (node(net) for net in check.nets)
    lines = [netlist(state), "rearth tipr 0 0.1", ".options rshunt=1e13"]
    for n, join in enumerate(check.joins):
        lines += [
            f"vjoin{n} join{n} {node(join.b)} {join.volts}",
            f"rjoin{n} {node(join.a)} join{n} {join.ohm}",
        ]
    if check.unit == "Ω":
        lines.append(f"itest {b} {a} 0.1u")
        found = operating_points("\n".join(lines), [a, b], [{}])[0]
        return float(found[0] - found[1]) / 0.1e-6
    lines.append(f"rmeter {a} {b} {METER_OHM}")
    if check.pump:
        lines.append(".ic v(saw)=0 v(neg)=0 v(v5)=5")
        waves = transient(Transient("\n".join(lines), PUMPED_S, 4e-6, (a, b)))
        late = waves.time_s > PUMPED_S - 1e-3
        return float(np.mean(waves[a][late] - waves[b][late]))
    found = operating_points("\n".join(lines), [a, b], [{}])[0]
    return float(found[0] - found[1])


def without(board: Design, ref: str) -> Design:
    """The board with one part forgotten."""
    return replace(board, parts={r: p for r, p in board.parts.items() if r != ref})


def page(plan: Design) -> str:
    """BUILD.md."""
    lines = []
    for number, (step, board) in enumerate(so_far(plan), 1):
        lines += _step_lines(number, step, board)
    return filled("BUILD.md", steps="\n".join(lines).rstrip(), **_switch_faults(plan))


CELL_V = 1.5


def _switch_faults(plan: Design) -> dict[str, str]:
    """What a 1.5 V cell reads by the nominal figures when only one pole of the near-zero switch is wired."""
    supply, codes = plan.supply["volts"], plan.converter["codes"]
    found = {}
    for name, amplified in (("strap", True), ("pole", False)):
        read_as = nominal(0 if amplified else NEAR_ZERO)
        code = line(ohms(plan), amplified, supply).code_at(CELL_V, supply, codes)
        found[name] = f"{code * read_as.volts_per_count + read_as.offset_v:.1f}"
    return found


def _step_lines(number: int, step: Step, board: Design) -> list[str]:
    parts = ", ".join(_named(board.parts[ref]) for ref in step.refs)
    lines = [f"## {number}. {step.title}", "", f"Place: {parts}.", "", step.do, ""]
    lines += ["| check | reads | if not |", "|---|---|---|"]
    for check in step.checks:
        lines.append(f"| {check.say} | {shown(reading(check, board), check)} | {check.fails} |")
    return [*lines, ""]


def _named(part: Part) -> str:
    value = label(part)
    return f"{part.ref} ({value})" if value else part.ref


def shown(value: float, check: Check) -> str:
    """A reading with its band, as one would read it off."""
    if check.unit == "V":
        return f"{value:.2f} ± {check.band:.2f} V"
    if value >= 1e5:
        return f"{value / 1e6:.3f} ± {check.band / 1e6:.3f} MΩ"
    if value >= 1e3:
        return f"{value / 1e3:.1f} ± {check.band / 1e3:.1f} kΩ"
    return f"{value:.0f} ± {check.band:.0f} Ω"
