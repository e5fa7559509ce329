"""Practice: a circuit that is not told, the learner's answer, and what of it was right. Pure.

The circuits are the bench's own. Whoever learns works them as real ones: leads, control, plug.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass

from daq.bench_rig import BenchCircuit, Truth
from daq.findings import Side
from daq.words import MEANING, SIDE

SIDES = (Side.LOW, Side.HIGH, Side.BOTH_ENDS, Side.REVERSING)
CONTROLS: tuple[int | str, ...] = (1, 2, "both")

NO_FAULT = "nothing: it is healthy"
FAULTS = (
    NO_FAULT,
    "feed wire open",
    "feed wire high resistance",
    "ground wire open",
    "ground wire high resistance",
    "ground point open",
    "control wire open",
    "control wire short to ground",
    "load open",
    "switch stuck on",
    "switch stuck off",
    "reference lead lost",
)
"""What an answer can name, in the words of the findings: place and fault."""

_LIKE = {"switch short to ground": "control wire short to ground", "connector pin open": "feed wire open"}
"""Places that two voltages do not tell apart count as one."""


@dataclass(frozen=True, slots=True)
class Answer:
    side: Side
    control_lead: int | str
    fault: str  # one of FAULTS


@dataclass(frozen=True, slots=True)
class Mark:
    """One part of an answer: what was asked, answered and true."""

    asked: str
    answered: str
    true: str

    @property
    def right(self) -> bool:
        return self.answered == self.true


def drawn(circuits: Sequence[BenchCircuit], seed: int | None) -> BenchCircuit:
    """One of them by chance; the same seed gives the same one."""
    return random.Random(seed).choice(circuits)


def fault_of(truth: Truth) -> str:
    if truth.fault == "none":
        return NO_FAULT
    text = f"{truth.place} {truth.fault}"
    return _LIKE.get(text, text)


def marked(answer: Answer, truth: Truth) -> list[Mark]:
    """Each part of an answer beside the truth."""
    return [
        Mark("switched", SIDE[answer.side], SIDE[Side(truth.side)]),
        Mark("control wire", _leads(answer.control_lead), _leads(truth.control_lead)),
        Mark("wrong with it", answer.fault, fault_of(truth)),
    ]


def score(marks: Sequence[Mark]) -> str:
    """'2 of 3 right: it is ground side; control wire: lead 2; wrong with it: feed wire open'."""
    side, *others = marks
    true = "; ".join([side.true, *(f"{m.asked}: {m.true}" for m in others)])
    return f"{sum(m.right for m in marks)} of {len(marks)} right: it is {true}"


def lines(marks: Sequence[Mark], truth: Truth) -> list[str]:
    """'switched: ground side, right', '...: you said A, it is B', and what that means."""
    told = [
        f"{m.asked}: {m.true}, right" if m.right else f"{m.asked}: you said {m.answered}; it is {m.true}"
        for m in marks
    ]
    return [*told, f"{SIDE[Side(truth.side)]}: {MEANING[Side(truth.side)]}."]


def _leads(control: int | str) -> str:
    return "both leads" if control == "both" else f"lead {control}"
