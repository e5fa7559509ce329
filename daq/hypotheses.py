"""The explanations: side x fault x place x condition.

Lead order is not among them: a circuit is built on its feed pin and ground pin (explained.py), and the
diagnosis reads it either way round.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

from daq.knowledge import Knowledge

SIDES = ("low", "high", "both ends", "reversing", "unswitched")
LEAKS = {  # knowledge.toml's names: by side, which short of the contract such a leak is
    "leak": {"low": "short to ground", "high": "short to power"},
    "leak between pins": {"low": "short to power", "high": "short to ground"},
}


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong and where, in the words of the contract; `pin` tells two control wires apart. A bridge
    that is stuck off has one for the direction in which its feed or ground pin would be the positive one.

    A short that is `leaking` is a path of tens of ohms to some thousands, through water or a chafed cover.
    """

    fault: str
    place: str | None
    pin: str | None = None  # "feed", "ground": which wire, switch or lead, where a circuit has two
    leaking: bool = False


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """`condition` is one of knowledge.toml's, or None: plain. SEIZED is told as plain: the circuit is
    sound, and its load does nothing though it draws its current."""

    side: str
    fault: Fault
    condition: str | None
    prior: float
    second: Fault | None = None


HEALTHY = Fault("none", None)
SEIZED = "seized"


@lru_cache(maxsize=4)
def hypotheses(knowledge: Knowledge) -> tuple[Hypothesis, ...]:
    """Every explanation with its prior probability; they sum to 1 over both lead orders together."""
    found: list[Hypothesis] = []
    for side in SIDES:
        weighted = list(_of_side(side, knowledge))
        total = sum(h.prior for h in weighted)
        share = knowledge.sides[side]
        found += [
            Hypothesis(h.side, h.fault, h.condition, h.prior * share / total, h.second)
            for h in weighted
            if h.prior * share > 0
        ]
    return tuple(found)


def _of_side(side: str, k: Knowledge) -> Iterable[Hypothesis]:
    for name, weight in k.faults.items():
        if name == "none":
            for condition, share in k.conditions.items():
                if condition in ("averaged", "stepped") and side == "unswitched":
                    continue
                yield Hypothesis(side, HEALTHY, None if condition == "plain" else condition, weight * share)
            continue
        variants = _variants(side, name)
        for fault in variants:
            part = weight / len(variants)
            taken = 0.0
            for text, share in k.with_fault.items():
                which, _, condition = text.partition(" + ")
                if which == name:
                    taken += share
                    yield Hypothesis(side, fault, condition, part * share)
            yield Hypothesis(side, fault, None, part * max(0.0, 1 - taken))
    for text, share in k.double.items():
        first, second = (_variants(side, part) for part in text.split(" + "))
        if first and second:
            yield Hypothesis(side, first[0], None, k.faults["none"] * share, second[0])


def _variants(side: str, name: str) -> tuple[Fault, ...]:
    """The faults that `name` stands for on this side: none, one, or one for each of two wires."""
    fault, _, place = name.partition(", ")
    if fault in LEAKS:
        short = LEAKS[fault].get(side)
        return () if short is None else (Fault(short, place, leaking=True),)
    if fault == "lost" and place == "lead":
        return (Fault(fault, "lead", "feed"), Fault(fault, "lead", "ground"))
    if place in ("switch", "control wire"):
        if side == "unswitched":
            return ()
        if side in ("both ends", "reversing"):
            each = (Fault(fault, place, "feed"), Fault(fault, place, "ground"))
            dead_both_ways = fault == "stuck off" and side == "reversing"
            return (Fault(fault, place), *each) if dead_both_ways else each
    return (Fault(fault, place),)
