"""What a dead short does: the fuse blows for good, unless an electronic driver protects itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.circuit import Array, Circuits, Mask, Setup
from daq.circuit_reading import fuse_currents

BLOWS = 1.5  # of a fuse's rating
BRANCHES = {"low": ("low",), "reversing": ("high", "cross_high")}  # whose driver retries; else the high one

BLOWN = (  # the quantities that change
    "fuse",
    *(f"{branch}_{state}" for branch in ("high", "low", "cross_high") for state in ("on", "other")),
    *("high_saturated", "low_saturated"),
)


@dataclass(frozen=True, slots=True, eq=False)
class Shorted:
    """The explanations with a dead short, `rows` of the circuits; what else there is, (rows, draws).

    Attributes:
        sides: of each, in the words of the contract.
        electronic: it is switched by no contact.
        limited: a driver's mean ohms into a short.
        open: ohms of a blown fuse.
    """

    rows: npt.NDArray[np.intp]
    sides: Sequence[str]
    electronic: Mask
    limited: Array
    open: Array


def blow_fuses(made: Circuits, short: Shorted, as_first: bool = False) -> None:
    """Open the fuses that blow; a driver that protects itself lets little through.

    `as_first`: as it is with the first draw of each explanation.
    """
    rows = short.rows
    some = made.drawn(rows, np.zeros((len(rows), 1), dtype=np.intp)) if as_first else made.chosen(rows)
    off, on = fuse_currents(some, [Setup(control=control, key="on") for control in ("off", "on")])
    limit = BLOWS * some.fuse_a
    electronic = short.electronic[:, : some.shape[1]] & np.array(
        [[side != "unswitched"] for side in short.sides]
    )
    retry = electronic & (on > limit) & (off <= limit)
    blown = ((on > limit) | (off > limit)) & ~retry
    made.fuse[rows] = np.where(blown, short.open, made.fuse[rows])
    for side in dict.fromkeys(short.sides):
        _protect(made, side, np.array([other == side for other in short.sides]), short, retry)


def _protect(made: Circuits, side: str, mine: Mask, short: Shorted, retry: Mask) -> None:
    """The drivers of one side, those of explanations `mine`, limit what they carry where they `retry`."""
    rows, limited, retry = short.rows[mine], short.limited[mine], retry[mine]
    for branch in BRANCHES.get(side, ("high",)):
        for state in ("on", "other"):
            values = getattr(made, f"{branch}_{state}")  # see BLOWN
            here = values[rows]
            values[rows] = np.where(retry & (here < limited), limited, here)
    for name in ("high_saturated", "low_saturated"):
        getattr(made, name)[rows] &= ~retry
