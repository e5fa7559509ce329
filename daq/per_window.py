"""Values that hold for whole windows of pairs: one number a window, not one a pair."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


class PerWindow:
    """A value for each window of `size` pairs from pair `origin` on; pairs are absolute positions."""

    def __init__(self, size: int, origin: int) -> None:
        self._size, self._origin = size, origin
        self._first = 0  # number of the first window kept
        self._values: Floats = np.empty(0)

    def append(self, values: Floats) -> None:
        """The next windows; the last of all may be shorter."""
        self._values = np.concatenate((self._values, values))

    def drop_before(self, pair: int) -> None:
        """Forget the windows that end before `pair`."""
        first = (pair - self._origin) // self._size
        self._values = self._values[first - self._first :].copy()
        self._first = first

    def at(self, pair: int) -> float:
        return float(self._values[self._window(pair)])

    def of_each(self, pairs: npt.NDArray[np.int64]) -> Floats:
        """(k,) the values at k pairs."""
        return np.asarray(self._values[(pairs - self._origin) // self._size - self._first])

    def between(self, begin: int, end: int) -> Floats:
        """(windows,) the values of the windows from that of `begin` to that of `end` - 1."""
        return self._values[self._window(begin) : self._window(end - 1) + 1]

    def spread(self, begin: int, end: int) -> Floats:
        """(end - begin,) the value at each pair."""
        before = (begin - self._origin) % self._size
        return np.repeat(self.between(begin, end), self._size)[before : before + end - begin]

    def _window(self, pair: int) -> int:
        return (pair - self._origin) // self._size - self._first
