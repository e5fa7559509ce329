"""Both leads of whole windows, with what more than one stage asks of each window: worked out once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Micro = npt.NDArray[np.int32]  # microvolts
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Windows:
    """Windows of equally many pairs, lead 1 and lead 2.

    Attributes:
        rows: (windows, pairs) µV.
        low, high: (windows,) extremes, µV.
        steps: (windows,) sums of the steps from pair to pair without their sign, µV.
    """

    rows: tuple[Micro, Micro]
    low: tuple[Micro, Micro]
    high: tuple[Micro, Micro]
    steps: tuple[Ints, Ints]

    @classmethod
    def of(cls, lead1: Micro, lead2: Micro, size: int) -> Windows:
        """Of leads (n,) with n a multiple of `size`."""
        one, two = lead1.reshape(-1, size), lead2.reshape(-1, size)
        return cls(
            (one, two),
            (one.min(axis=1), two.min(axis=1)),
            (one.max(axis=1), two.max(axis=1)),
            (_steps(one), _steps(two)),
        )

    @property
    def size(self) -> int:
        return int(self.rows[0].shape[1])


def window_sums(rows: Micro) -> Ints:
    """(windows, pairs) -> (windows,) exact sums, some ten times faster than a sum along an axis."""
    return np.add.reduceat(rows.ravel(), np.arange(0, rows.size, rows.shape[1]), dtype=np.int64)


def _steps(rows: Micro) -> Ints:
    if rows.shape[1] < 2:
        return np.zeros(len(rows), dtype=np.int64)
    steps = rows[:, 1:] - rows[:, :-1]
    return window_sums(np.abs(steps, out=steps))
