"""Writes what firmware/board says of itself: drawing, lists, guide, proof. `python -m tests.board.documents`.

The tests compare the quick ones with what stands in the repository; the tables of the proof take a minute of
ngspice and are compared by what they promise (nothing over 1) and, with --long, number by number.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from tests.board import build
from tests.board.budget import Use, entries, step_v, total
from tests.board.drawing import svg
from tests.board.figures import input_ohm, line, ohms
from tests.board.pages import filled
from tests.board.parts import FOLDER, Design, Part, design, grouped, label
from tests.board.survival import Case, Share, hardest, pulse_shares, steady_shares


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table of a page."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(cells) + " |" for cells in lines)


def parts_page(plan: Design) -> str:
    """PARTS.md: what to buy, the wiring table, and every part by its place."""
    kinds = sorted(grouped(plan.parts.values()).items())
    chip = plan.of_kind("board")[0]
    return filled(
        "PARTS.md",
        bought=table(
            ["count", "what", "value", "tolerance", "must stand at least", "places"],
            [_bought(text, value, parts) for (text, value), parts in kinds],
        ),
        wiring=table(["chip", "net", "what"], [[pin, net, _meaning(net)] for pin, net in chip.pins.items()]),
        places=table(["part", "value", "from", "to", "why"], [_place(p) for p in plan.parts.values()]),
    )


def _bought(text: str, value: str, parts: Sequence[Part]) -> list[str]:
    ratings = parts[0].kind.ratings
    tolerance = f"{ratings['tolerance'] * 100:g} %" if "tolerance" in ratings else ""
    if "ppm_per_k" in ratings:
        tolerance += f", {ratings['ppm_per_k']:g} ppm/K"
    stands = ", ".join(f"{ratings[name]:g} {unit}" for name, unit in UNITS.items() if name in ratings)
    return [str(len(parts)), text, value, tolerance, stands, " ".join(p.ref for p in parts)]


def _place(part: Part) -> list[str]:
    if set(part.pins) == {"1", "2"}:
        return [part.ref, label(part), *part.ends, part.why]
    return [part.ref, "", ", ".join(f"{pin}: {net}" for pin, net in part.pins.items()), "", part.why]


UNITS = {
    "volts": "V",
    "overload_v": "V for 5 s",
    "power_w": "W",
    "pulse_j": "J a pulse",
    "reverse_v": "V reversed",
    "forward_a": "A",
    "collector_v": "V",
    "collector_a": "A",
    "pulse_a": "A a pulse",
}


def _meaning(net: str) -> str:
    if net in ("V5", "GND"):
        return {"V5": "5 V from USB", "GND": "ground"}[net]
    what, lead = net[:-1], net[-1]
    told = {
        "ADC": "filtered voltage",
        "WHISPER": "whisper, high: on",
        "UP": "bias up, high: on",
        "DOWN": "bias down, high: on",
        "STRAP": "range, low: near zero",
    }
    return f"lead {lead}, {told[what]}"


def text_schematic(plan: Design) -> str:
    """schematic.txt: the drawing for those who cannot see it, net by net."""
    lines = ["The front end, net by net. Made from parts.toml; schematic.svg shows the same.", ""]
    for net, pins in plan.nets().items():
        lines.append(net)
        for ref, pin in pins:
            part = plan.parts[ref]
            here = f", pin {pin}" if set(part.pins) != {"1", "2"} else _end(ref, pin)
            other = part.ends[1 if pin == "1" else 0] if set(part.pins) == {"1", "2"} else ""
            beyond = f"  -> {other}" if other else ""
            what = label(part) or part.kind.text.split(" (")[0].split(",")[0]
            lines.append(f"    {ref:5} {what}{here}{beyond}")
        lines.append("")
    return "\n".join(lines)


def _end(ref: str, pin: str) -> str:
    if ref.startswith("D"):
        return ", anode" if pin == "1" else ", cathode (ring)"
    return ""


def budget_page(plan: Design) -> str:
    """BUDGET.md."""
    quiet = plan.converter["noise_lsb"]
    uses = [Use(near, calibrated, 4000, quiet) for near in (False, True) for calibrated in (False, True)]
    return filled(
        "BUDGET.md",
        ranges=table(["range", "span", "one count"], [_span(plan, near) for near in (False, True)]),
        input=f"{input_ohm(ohms(plan)) / 1e6:.2f}",
        screen=_screen(plan),
        causes="\n\n".join(_causes(plan, use) for use in uses),
        **_dither_figures(plan),
    )


def _span(plan: Design, near: bool) -> list[str]:
    low, high = line(ohms(plan), near, plan.supply["volts"]).span_v(plan.supply["volts"])
    return [_range(near), f"{low:.2f} to {high:.2f} V", f"{step_v(plan, near) * 1e3:.2f} mV"]


LEVELS_V = (0.0, 0.1, 0.5, 4.5, 12.6, 28.8)


def _screen(plan: Design) -> str:
    rows = []
    for near, calibrated in ((False, False), (False, True), (True, False), (True, True)):
        for words, readings, noise in TIMES:
            if noise is not None and (near or not calibrated):
                continue
            use = Use(near, calibrated, readings, noise or plan.converter["noise_lsb"])
            cells = [_cell(plan, use, v) for v in LEVELS_V]
            rows.append([_range(near), "yes" if calibrated else "no", words, *cells])
    return table(["range", "calibrated", "averaged over", *(f"{v:g} V" for v in LEVELS_V)], rows)


TIMES: tuple[tuple[str, int, float | None], ...] = (
    ("one pair", 1, None), ("25 ms", 100, None), ("1 s", 4000, None), ("1 s, if it had dither", 4000, 0.5),
)  # fmt: skip


def _range(near: bool) -> str:
    return "1, near zero" if near else "0, full span"


def _cell(plan: Design, use: Use, volts: float) -> str:
    if use.near and volts > 5:
        return ""
    return f"{2e3 * total(entries(plan, use, volts), volts):.0f}"


def _causes(plan: Design, use: Use) -> str:
    state = "calibrated" if use.calibrated else "not calibrated"
    found = entries(plan, use, 0.1)
    rows = [[e.cause, f"{e.zero_v * 1e3:.2f}", f"{e.share * 100:.3f}"] for e in found]
    share = sum(e.share**2 for e in found) ** 0.5 * 100
    rows.append(["**together**", f"{total(found, 0.0) * 1e3:.2f}", f"{share:.3f}"])
    head = ["cause", "zero, mV (standard)", "share of the reading, % (standard)"]
    return f"### Range {_range(use.near)}, {state}, 1 s, at 0.1 V\n\n{table(head, rows)}"


def _dither_figures(plan: Design) -> dict[str, str]:
    def at(near: bool, noise: float) -> str:
        return f"{2e3 * total(entries(plan, Use(near, True, 4000, noise), 0.1), 0.1):.0f}"

    quiet = plan.converter["noise_lsb"]
    half_step = f"{step_v(plan, False) / 2 * 1e3:.1f}"
    return {"full": at(False, quiet), "dither": at(False, 0.5), "near": at(True, quiet), "half": half_step}


def proof_page(plan: Design) -> str:
    """PROOF.md: every stress, and the part that comes nearest to its rating."""
    head = ["stress", "level", "standard", "figures", "worst state", "part nearest to its rating", "used"]
    found = _by_stress([*steady_shares(plan), *pulse_shares(plan)])
    return filled("PROOF.md", stresses=table(head, [_worst(rows) for rows in found]))


def _by_stress(found: list[tuple[Case, list[Share]]]) -> list[list[tuple[Case, list[Share]]]]:
    rows: dict[str, list[tuple[Case, list[Share]]]] = {}
    for case, shares in found:
        rows.setdefault(f"{case.stress.name} {case.stress.level}", []).append((case, shares))
    return list(rows.values())


def _worst(rows: list[tuple[Case, list[Share]]]) -> list[str]:
    case, share = max(((c, hardest(_of_stress(s))) for c, s in rows), key=lambda pair: pair[1].used)
    stress = case.stress
    value = f"{share.part} {share.rating.split(',')[0]}: {share.value:.3g} of {share.limit:.3g}"
    told = [stress.name, stress.level, stress.standard, stress.source]
    return [*told, case.name, value, f"{share.used * 100:.0f} %"]


def _of_stress(found: list[Share]) -> list[Share]:
    """Without what the 5 V supply alone uses of a rating (83 % of the chip's, 31 % of C6's)."""
    return [s for s in found if s.rating != "supply, V" and s.part != "C6"]


QUICK: dict[str, Callable[[Design], str]] = {
    "schematic.svg": svg,
    "schematic.txt": text_schematic,
    "PARTS.md": parts_page,
    "BUDGET.md": budget_page,
    "BUILD.md": build.page,
}


def main() -> None:
    for name, make in {**QUICK, "PROOF.md": proof_page}.items():
        (FOLDER / name).write_text(make(design()))
        print(name)


if __name__ == "__main__":
    main()
