"""How much a test would tell: expected entropy reduction, in bits.

A test is a table of chances: one row per explanation, one column per outcome. What it is expected to tell is
the mutual information between explanation and outcome (Lindley, Ann. Math. Stat. 27, 1956); de Kleer and
Williams (Artificial Intelligence 32, 1987) used it to choose the next measurement in a faulty circuit.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def entropy(chances: Array) -> Array:
    """-sum p log2 p over the last axis; zeros add nothing."""
    safe = np.where(chances > 0, chances, 1.0)
    bits: Array = -(chances * np.log2(safe)).sum(axis=-1)
    return bits


def expected_bits(prior: Array, outcomes: Array, samples: int | None = None) -> float:
    """Mutual information between explanation and outcome.

    Args:
        prior: (h,), summing to 1.
        outcomes: (h, k) chances, rows summing to 1.
        samples: where the chances are shares of that many samples per row, the entropies of the rows are
            corrected for it (Miller, 1955: (outcomes seen - 1) / 2n nats too low).
    """
    within = entropy(outcomes)
    among = float(entropy(prior @ outcomes))
    if samples is not None:
        within = within + (np.count_nonzero(outcomes, axis=1) - 1) / (2 * samples * np.log(2))
    return max(0.0, among - float(prior @ within))
