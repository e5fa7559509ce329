"""The campaign as files: campaign.json (the numbers), .md (to read) and .svg (calibration).

python -m tests.reason.campaign_table --count 60 --seed N -o STEM
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from dataclasses import asdict
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from tests.physics.intervals import wilson
from tests.physics.tables import Bin, picture
from tests.reason.campaign import Outcome, apart, fixed_order, run
from tests.reason.wild_circuits import LEAKY

MOST_SPREAD = 0.05
EDGES = (0.0, 0.01, 0.1, 0.5, 0.9, 0.97, 1.0000001)
FIGURES: dict[str, Callable[[Outcome], float]] = {
    "tests": lambda o: len(o.readings),
    "minutes": lambda o: o.minutes,
    "explanations in the 95 % set": lambda o: o.set_size,
    "bits told": lambda o: o.bits,
}


def proportions(outcomes: Sequence[Outcome]) -> list[tuple[str, str, int, int]]:
    """(what, goal, hits, trials)."""
    told, n = [o for o in outcomes if apart(o)], len(outcomes)
    as_built = [o for o in outcomes if o.apart_as_built and not o.disguised]
    looked = [o.spread for o in outcomes if o.spread is not None]
    tight = [o for o in outcomes if "leaking" not in o.truth]
    tight_told = [o for o in tight if apart(o)]
    whole = [
        o for o in outcomes if "lost, " not in o.truth
    ]  # else the lead is mended first, whatever the side
    return [
        ("truth in the 95 % set", ">= 95 %", sum(o.in_set for o in outcomes), n),
        ("truth first, where tests tell it", ">= 95 %", sum(o.rank == 0 for o in told), len(told)),
        ("the same, leaking wires left out: in the set", ">= 95 %", sum(o.in_set for o in tight), len(tight)),
        (
            "the same, leaking wires left out: first",
            ">= 95 %",
            sum(o.rank == 0 for o in tight_told),
            len(tight_told),
        ),
        (
            "truth first, where tests would tell it were all parts known",
            "",
            sum(o.rank == 0 for o in as_built),
            len(as_built),
        ),
        ("truth put below 0.001 and a third of its prior", "never", sum(o.lost for o in outcomes), n),
        (
            "wrong side at 0.9, avoidably",
            "<= 0.5 %",
            sum(o.wrong_side >= 0.9 and apart(o) for o in outcomes),
            n,
        ),
        ("wrong side at 0.9, any", "", sum(o.wrong_side >= 0.9 for o in outcomes), n),
        ("true side at 0.9, every lead in contact", "", sum(o.side >= 0.9 for o in whole), len(whole)),
        ("called not fitting", "", sum(not o.fits for o in outcomes), n),
        ("spread over seeds at most 0.05", "all", sum(s <= MOST_SPREAD for s in looked), len(looked)),
    ]


def of_seed(outcomes: Sequence[Outcome], seed: int) -> list[Outcome]:
    return [o for o in outcomes if o.seed // 100_000 == seed]


def seeds(outcomes: Sequence[Outcome]) -> list[int]:
    return sorted({o.seed // 100_000 for o in outcomes})


def calibration(outcomes: Sequence[Outcome]) -> list[Bin]:
    """Sides said with some probability (the true one and the likeliest other): how often that side was it."""
    said = [(p, right) for o in outcomes for p, right in ((o.side, True), (o.wrong_side, False))]
    found = []
    for low, high in pairwise(EDGES):
        inside = [(p, right) for p, right in said if low <= p < high]
        right = sum(r for _, r in inside)
        mean = float(np.mean([p for p, _ in inside])) if inside else 0.0
        found.append(Bin(low, min(high, 1.0), len(inside), right, mean, wilson(right, len(inside))))
    return found


def against_fixed(own: Sequence[Outcome], fixed: Sequence[Outcome]) -> dict[str, tuple[float, float]]:
    """Means, the program's choice and the fixed order, of the circuits that both worked on."""
    both = {o.seed for o in own} & {o.seed for o in fixed}
    mine, theirs = ([o for o in some if o.seed in both] for some in (own, fixed))
    return {
        name: (float(np.mean([f(o) for o in mine])), float(np.mean([f(o) for o in theirs])))
        for name, f in FIGURES.items()
    }


def entropy_bound(outcomes: Sequence[Outcome]) -> tuple[float, float]:
    """(tests after the first, least of them): bits told over the most that one test promised, per circuit."""
    least = [max(o.bits, 0.0) / o.most_bits for o in outcomes if o.most_bits > 0]
    return float(np.mean([len(o.readings) - 1 for o in outcomes])), float(np.mean(least))


def _listed(outcomes: Sequence[Outcome]) -> list[dict[str, Any]]:
    return [
        {"what": w, "goal": g, "hits": h, "trials": n, "interval": wilson(h, n)}
        for w, g, h, n in proportions(outcomes)
    ]


def document(own: Sequence[Outcome], fixed: Sequence[Outcome]) -> dict[str, Any]:
    return {
        "seeds": seeds(own),
        "circuits": len(own),
        "proportions": _listed(own),
        "of each seed": {seed: _listed(of_seed(own, seed)) for seed in seeds(own)},
        "means": {name: float(np.mean([f(o) for o in own])) for name, f in FIGURES.items()},
        "same circuits, own choice and fixed order": against_fixed(own, fixed),
        "circuits of the fixed order": len(fixed),
        "tests after the first, and the entropy bound": entropy_bound(own),
        "largest spread over seeds": max((o.spread for o in own if o.spread is not None), default=None),
        "calibration": [asdict(b) for b in calibration(own)],
        "outcomes": [asdict(o) for o in own],
    }


def _share(hits: int, trials: int) -> str:
    """'13 of 16: 57–93 %'."""
    low, high = wilson(hits, trials)
    return f"{hits} of {trials}: {100 * low:.0f}–{100 * high:.0f} %"


def markdown(own: Sequence[Outcome], fixed: Sequence[Outcome]) -> str:
    each = {str(seed): proportions(of_seed(own, seed)) for seed in seeds(own)}
    rows = [
        f"{len(own)} circuits solved by ngspice, seeds {' and '.join(each)}; the program chooses its tests. "
        "Hits, trials and 95 % interval:",
        "",
        f"| what | goal | all | {' | '.join(f'seed {seed}' for seed in each)} |",
        "|---|---|---|" + "---|" * len(each),
    ]
    for n, (what, goal, hits, trials) in enumerate(proportions(own)):
        by_seed = " | ".join(_share(*some[n][2:]) for some in each.values())
        rows.append(f"| {what} | {goal} | {_share(hits, trials)} | {by_seed} |")
    rows += [
        "",
        '"Where tests tell it": ngspice puts the truth and its likeliest rival (of 0.02 or more), with '
        "whatever contacts, load, driver and neighbour make it read most like the truth, more than three "
        "standard deviations of reading apart in a reading taken or in some test offered; and no end of two "
        "is stuck on. The program's model has no say in it. Were all parts known: the rival has the true "
        "circuit's.",
        "",
        "What the load does can be seen or heard in six circuits of ten, and counts as a test where nobody "
        "would tell both with one word; so does a test light. Where a premise fails and no circuit is told "
        "of, the truth is not put below anything.",
        "",
        "A control wire that leaks so little that no reading shows it reads as in a sound circuit. It is "
        "found where the connector is unplugged anyway; for so rare a fault nobody is sent there. What is "
        "not found counts as missed here.",
        "",
        f"| mean of the {len(fixed)} circuits worked both ways | own choice | fixed order |",
        "|---|---|---|",
        *(f"| {name} | {a:.2f} | {b:.2f} |" for name, (a, b) in against_fixed(own, fixed).items()),
    ]
    tests, least = entropy_bound(own)
    spread = max((o.spread for o in own if o.spread is not None), default=0.0)
    rows += [
        "",
        f"Tests after the first reading: {tests:.2f}; entropy bound (bits told over the most one test "
        f"promised): {least:.2f}. Largest spread over seeds: {spread:.3f}.",
        "",
        "| a side said with | times | it was that | share | 95 % interval |",
        "|---|---|---|---|---|",
    ]
    for b in calibration(own):
        share = f"{100 * b.right / b.answers:.1f} %" if b.answers else "–"
        rows.append(
            f"| {b.low:.2f}–{b.high:.2f} | {b.answers} | {b.right} | {share} "
            f"| {100 * b.interval[0]:.1f}–{100 * b.interval[1]:.1f} % |"
        )
    return "\n".join([*rows, "", *complaints(own)])


def complaints(outcomes: Sequence[Outcome]) -> list[str]:
    """One line for every circuit in which something is not as it should be."""
    lines = []
    for o in outcomes:
        wrong = (
            ("not in the set", not o.in_set),
            ("not first", apart(o) and o.rank > 0),
            ("lost", o.lost),
            ("WRONG SIDE", o.wrong_side >= 0.9),
            ("said not to fit", not o.fits),
            (f"spread {o.spread or 0:.2f}", (o.spread or 0) > MOST_SPREAD),
        )
        words = ", ".join(name for name, so in wrong if so)
        if words:
            lines.append(f"- {o.seed}: {words}: {o.truth}, {o.probability:.3f}, {'; '.join(o.readings)}")
    return lines


def outside(outcomes: Sequence[Outcome], table: dict[str, Any]) -> list[str]:
    """Proportions of fewer circuits whose interval does not meet the written one."""
    written = {p["what"]: p["interval"] for p in table["proportions"]}
    words = []
    for what, _, hits, n in proportions(outcomes):
        low, high = wilson(hits, n)
        if high < written[what][0] or low > written[what][1]:
            words.append(f"{what}: {hits} of {n}, table {written[what][0]:.3f} to {written[what][1]:.3f}")
    return words


def write(own: Sequence[Outcome], fixed: Sequence[Outcome], stem: Path) -> None:
    """STEM.json, STEM.md, STEM.svg."""
    stem.with_suffix(".json").write_text(json.dumps(document(own, fixed), indent=1) + "\n")
    stem.with_suffix(".md").write_text(markdown(own, fixed).rstrip() + "\n")
    stem.with_suffix(".svg").write_text(picture(calibration(own)))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--fixed", type=int, default=20, help="of these, also worked in the fixed order")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--leaky", type=float, default=LEAKY, help="share whose control wire leaks")
    parser.add_argument("-o", type=Path, required=True, metavar="STEM")
    options = parser.parse_args()
    own = run(options.seed, options.count, leaky=options.leaky)
    write(own, run(options.seed, options.fixed, fixed_order, leaky=options.leaky), options.o)
    print(options.o.with_suffix(".md").read_text())


if __name__ == "__main__":
    main()
