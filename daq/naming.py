"""Explanations in the words of the contract, either way round."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from daq.diagnosis import Belief
from daq.hypotheses import SEIZED, Fault, Hypothesis
from daq.reason_words import Explanation


def explanation(hypothesis: Hypothesis, order: int) -> Explanation:
    """The hypothesis with lead `order` on the feed pin, in the words of the contract."""
    is_seized = hypothesis.condition == SEIZED
    other = 3 - order
    control: int | str | None = {"low": other, "high": order, "unswitched": None}.get(hypothesis.side, "both")
    second = hypothesis.second
    return Explanation(
        hypothesis.side,
        control,
        hypothesis.fault.fault,
        _place(hypothesis.fault, order),
        None if is_seized else hypothesis.condition,
        None if second is None else (second.fault, str(_place(second, order))),
        hypothesis.fault.leaking,
        is_seized,
    )


def _place(fault: Fault, order: int) -> str | None:
    if fault.place == "lead":
        return f"lead {order if fault.pin == 'feed' else 3 - order}"
    return fault.place


def grouped(belief: Belief, of_load: bool) -> tuple[list[Explanation], npt.NDArray[np.intp]]:
    """The explanations in words, and for (orders, hypotheses) the number of each; a load that is seized is
    one of them where somebody can tell of the load."""
    numbers: dict[Explanation, int] = {}
    groups = np.empty(belief.probability.shape, dtype=np.intp)
    for o in range(2):
        for n, hypothesis in enumerate(belief.hypotheses):
            found = explanation(hypothesis, o + 1)
            groups[o, n] = numbers.setdefault(replace(found, seized=found.seized and of_load), len(numbers))
    return list(numbers), groups
