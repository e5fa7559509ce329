"""A state in which explanations are read, and what is shown there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

from daq.circuit import Array, Instrument, Mask, Setup


@dataclass(frozen=True, slots=True)
class Seen:
    """What is shown, (explanations, draws): volts at feed pin and ground pin, volts at the place, the light's
    share of full, and how much of what it is made for the load gets."""

    feed: Array
    ground: Array
    place: Array
    light: Array
    work: Array

    def chosen(self, rows: npt.NDArray[np.intp]) -> Seen:
        """The explanations `rows` alone."""
        return Seen(*(getattr(self, field.name)[rows] for field in fields(self)))


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """The explanations `rows` of some circuits, read in this setup; where they are `turned`, (rows,), in the
    other one, which differs in pins alone."""

    setup: Setup
    instrument: Instrument
    rows: npt.NDArray[np.intp]
    other: Setup | None = None
    turned: Mask | None = None

    def told(self, of: Callable[[Setup], bool]) -> bool | Mask:
        """What is so of the setup: of all rows, or (rows,) of each."""
        mine = of(self.setup)
        if self.other is None or self.turned is None or of(self.other) == mine:
            return mine
        return ~self.turned if mine else self.turned

    def some(self, places: npt.NDArray[np.intp]) -> Case:
        """The same for some of the rows."""
        turned = None if self.turned is None else self.turned[places]
        return replace(self, rows=self.rows[places], turned=turned)

    def at_rest(self, places: npt.NDArray[np.intp]) -> Case:
        """The same with the control off, for some of the rows."""
        other = None if self.other is None else replace(self.other, control="off")
        return replace(self.some(places), setup=replace(self.setup, control="off"), other=other)

    @property
    def key(self) -> tuple[Setup, Setup | None, Instrument, bytes]:
        return self.setup, self.other, self.instrument, self.rows.tobytes()

    @property
    def form(self) -> tuple[bool, bool, bytes]:
        """Cases of the same form are solved together."""
        return self.setup.bias != (None, None), self.setup.light is not None, self.rows.tobytes()
