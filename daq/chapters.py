"""Keeps the stretches of a recording: the latest ones whole, older ones as the material they gave.

Memory and the cost of an answer stay bounded however long the recording is. Where a chapter ends depends
on the stretches alone, never on how the samples arrived.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from daq.evidence import Told
from daq.glue import append, glue
from daq.labels import OFF_BELOW, ON_ABOVE, Scale, difference
from daq.material import Material, add, gather
from daq.response import Responses
from daq.stretches import Lost, Steady, Stretch, end_of, start_of

CHAPTER = 480  # stretches
GLUED = 5  # latest stretches that may still be joined
LATEST = 24  # stretches looked at anew for every picture, up to twice as many: a slow train needs twenty
UNTOUCHED_S = 2.0  # a pulse train may still take back what is younger
ROUGH_S = 0.004  # a stretch this long shows a level


class Chapters:
    def __init__(self) -> None:
        self.rate_hz = 1.0
        self._stretches: list[Stretch] = []
        self._done = Material()
        self._rough = Scale(0.0, 0.0)
        self._compared = 0  # stretches at the end that were compared with each other at this scale
        self.told = Told()
        self._responses = Responses()  # for pictures: an answer about the whole is worked out anew
        self._before: tuple[tuple[int, int, Told], Material] | None = None  # what `picture` need not look at

    def emit(self, stretch: Stretch) -> None:
        if self._shows_more(stretch):
            self._compared = 0
        if self._compared < GLUED - 1:
            self._stretches.append(stretch)
            latest = glue(self._stretches[-GLUED:], self._rough, self.rate_hz)
            self._stretches[-GLUED:] = latest
            self._compared = len(latest)
        else:
            before = len(self._stretches)
            append(self._stretches, stretch, self._rough, self.rate_hz)
            self._compared += len(self._stretches) - before
        if len(self._stretches) > CHAPTER:
            self._close_chapter()

    def _shows_more(self, stretch: Stretch) -> bool:
        """Whether the scale grows with it."""
        if not isinstance(stretch, Steady) or stretch.end - stretch.start < max(2, ROUGH_S * self.rate_hz):
            return False
        before, d = self._rough, abs(difference(stretch.mean))
        source = max(before.source, *stretch.mean)
        self._rough = Scale(source, max(before.full, d, 0.5 * source))
        return self._rough != before

    def take_back(self, at: float) -> None:
        """A pulse train began at `at`: what was cut since then is part of it."""
        while self._stretches and start_of(self._stretches[-1]) >= at:
            self._stretches.pop()
            self._compared -= 1
        last = self._stretches[-1] if self._stretches else None
        if last is not None and not isinstance(last, Lost) and end_of(last) > at:
            last.end = int(at)
            if isinstance(last, Steady):
                last.raw = None

    def material(self, still_open: Sequence[Stretch] = ()) -> Material:
        """Everything so far; `still_open` are provisional stretches at the end (live only)."""
        stretches = [*self._stretches, *still_open]
        return add(self._done, self._chapter(stretches))

    def picture(self, still_open: Sequence[Stretch]) -> Material:
        """As `material`, for a live picture, asked for many times a second: only the latest stretches
        are looked at anew. What came before is one more chapter, for the time being."""
        cut = self._picture_cut()
        if cut is None:
            return add(self._done, self._picture([*self._stretches, *still_open], self._done.scale))
        left, right = self._halves(cut)
        key = (left.start, left.end, self.told)
        if self._before is None or self._before[0] != key:
            self._before = (key, self._chapter([*self._stretches[:cut], left]))
        before = self._before[1]
        stretches = [right, *self._stretches[cut + 1 :], *still_open]
        return add(add(self._done, before), self._picture(stretches, before.scale))

    def _picture(self, stretches: Sequence[Stretch], floor: Scale) -> Material:
        return gather(stretches, self.rate_hz, self.told, floor, self._responses)

    def _picture_cut(self) -> int | None:
        """The longest clear level of the latest block of stretches that is whole and old enough."""
        end = (len(self._stretches) - LATEST) // LATEST * LATEST
        while end > 0:
            cut = self._clearest(end - LATEST, end, False)
            if cut is not None and cut > 0:
                return cut
            end -= LATEST
        return None

    def _close_chapter(self) -> None:
        n = len(self._stretches)
        late = n > 3 * CHAPTER
        cut = self._clearest(n // 3, n - 20 if late else 2 * n // 3, late)
        if cut is None:
            return
        left, right = self._halves(cut)
        self._done = add(self._done, self._chapter([*self._stretches[:cut], left]))
        self._stretches = [right, *self._stretches[cut + 1 :]]
        self._before = None

    def _chapter(self, stretches: Sequence[Stretch]) -> Material:
        return gather(stretches, self.rate_hz, self.told, self._done.scale, Responses())

    def _halves(self, cut: int) -> tuple[Steady, Steady]:
        """The level at `cut` in two."""
        s = self._stretches[cut]
        assert isinstance(s, Steady)
        middle = (s.start + s.end) // 2
        left = replace(s, end=middle, trail=[p for p in s.trail if p[0] < middle], raw=None)
        right = replace(s, start=middle, trail=[p for p in s.trail if p[0] >= middle], raw=None)
        return left, right

    def _clearest(self, first: int, end: int, any_level: bool) -> int | None:
        """The longest clear level (or `any_level`) from `first` to before `end`; None if too young."""
        oldest_needed = end_of(self._stretches[-1]) - UNTOUCHED_S * self.rate_hz
        best, length = None, 0
        for i in range(first, end):
            s = self._stretches[i]
            if not isinstance(s, Steady) or s.end > oldest_needed:
                continue
            d = abs(difference(s.mean))
            clear = d < OFF_BELOW * self._rough.full or d > ON_ABOVE * self._rough.full
            if (clear or any_level) and s.end - s.start > length:
                best, length = i, s.end - s.start
        return best
