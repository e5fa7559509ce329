"""Keeps the stretches of a recording: the latest ones whole, older ones as the material they gave.

Memory and the cost of an answer stay bounded however long the recording is. Where a chapter ends depends
on the stretches alone, never on how the samples arrived.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from daq.evidence import Told
from daq.glue import append, glue
from daq.labels import OFF_BELOW, ON_ABOVE, Scale, difference
from daq.material import Material, add, gather
from daq.response import Responses
from daq.stretches import Lost, Pair, Steady, Stretch, end_of, start_of
from daq.tally import TRAIL_MOST

CHAPTER = 480  # stretches
GLUED = 5  # latest stretches that may still be joined
LATEST = 24  # stretches looked at anew for every picture, at least: a slow train needs twenty
SWINGING = 8  # stretches that one which swings slowly, with dozens of switchings, counts for
BLOCK = 8  # stretches among which the longest clear level is where a picture begins to look
UNTOUCHED_S = 2.0  # a pulse train may still take back what is younger
GROWN = 1.1  # a scale so much wider than was known makes other things of what came before
ROUGH_S = 0.004  # a stretch this long shows a level


@dataclass(frozen=True, slots=True)
class _Piece:
    """Stretches that a live picture need not look at again."""

    begin: int  # index of the level that it begins within; -1: it begins with all
    cut: int  # index of the level that it ends within
    span: tuple[int, int]  # that level's
    so_far: Material  # its contribution and those of the pieces before it


@dataclass(frozen=True, slots=True)
class _Stand:
    """A level inside of a stretch that swings."""

    middle: int
    pairs: int
    level: Pair


class Chapters:
    def __init__(self) -> None:
        self.rate_hz = 1.0
        self._stretches: list[Stretch] = []
        self._done = Material()
        self._rough = Scale(0.0, 0.0)
        self._compared = 0  # stretches at the end that were compared with each other at this scale
        self.told = Told()
        self._responses = Responses()  # for pictures: an answer about the whole is worked out anew
        self._pieces: list[_Piece] = []  # what `picture` need not look at
        self._pieces_told, self._pieces_floor = self.told, Scale(0.0, 0.0)  # what they are made with

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
        before, shown = self._rough, [stretch.mean]
        if _swings(stretch):
            shown += [(a, b) for _, a, b in stretch.trail]
        source = max(before.source, *(level for levels in shown for level in levels))
        d = max(abs(difference(levels)) for levels in shown)
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
        are looked at anew. What came before is made of pieces, for the time being."""
        cut = self._picture_cut()
        if cut is None:
            return add(self._done, self._picture([*self._stretches, *still_open], self._done.scale))
        _, right = self._halves(cut)
        stretches = [right, *self._stretches[cut + 1 :], *still_open]
        before = self._pieces_to(cut)
        latest = self._picture(stretches, before.scale)
        if _grown(before.scale, latest.scale):
            self._pieces, self._pieces_floor = [], latest.scale
            before = self._pieces_to(cut)
        return add(before, latest)

    def _pieces_to(self, cut: int) -> Material:
        """Everything before the middle of the level at `cut`.

        Pieces grow as a binary counter carries: a new one takes those before it that are no longer. So most
        of it is looked at as a whole, yet no stretch is looked at again for every new one.
        """
        if self._pieces_told != self.told:
            self._pieces, self._pieces_told = [], self.told
        level, _ = self._halves(cut)
        span = level.start, level.end
        pieces = self._pieces
        while pieces and (pieces[-1].cut > cut or (pieces[-1].cut == cut and pieces[-1].span != span)):
            pieces.pop()
        if not pieces or pieces[-1].cut < cut:
            begin = pieces[-1].cut if pieces else -1
            while pieces and pieces[-1].cut - pieces[-1].begin <= cut - begin:
                begin = pieces.pop().begin
            pieces.append(self._piece(begin, cut, span))
        return pieces[-1].so_far

    def _piece(self, begin: int, cut: int, span: tuple[int, int]) -> _Piece:
        before = self._pieces[-1].so_far if self._pieces else self._done
        first = [] if begin < 0 else [self._halves(begin)[1]]
        stretches = [*first, *self._stretches[begin + 1 : cut], self._halves(cut)[0]]
        known, floor = before.scale, self._pieces_floor
        scale = Scale(max(known.source, floor.source), max(known.full, floor.full))
        found = gather(stretches, self.rate_hz, self.told, scale, Responses())
        return _Piece(begin, cut, span, add(before, found))

    def _picture(self, stretches: Sequence[Stretch], floor: Scale) -> Material:
        return gather(stretches, self.rate_hz, self.told, floor, self._responses)

    def _picture_cut(self) -> int | None:
        """The longest clear level of the latest block of stretches that is whole and old enough."""
        end = (len(self._stretches) - self._latest()) // BLOCK * BLOCK
        while end > 0:
            cut = self._clearest(end - BLOCK, end, False)
            if cut is not None and cut > 0:
                return cut
            end -= BLOCK
        return None

    def _latest(self) -> int:
        """Stretches at the end that make up the latest ones; one that swings is as good as many."""
        weight = n = 0
        while weight < LATEST:
            n += 1
            weight += SWINGING if n <= len(self._stretches) and _swings(self._stretches[-n]) else 1
        return n

    def _close_chapter(self) -> None:
        n = len(self._stretches)
        late = n > 3 * CHAPTER
        cut = self._clearest(n // 3, n - 20 if late else 2 * n // 3, late)
        if cut is None:
            return
        left, right = self._halves(cut)
        self._done = add(self._done, self._chapter([*self._stretches[:cut], left]))
        self._stretches = [right, *self._stretches[cut + 1 :]]
        self._pieces, self._pieces_floor = [], Scale(0.0, 0.0)

    def _chapter(self, stretches: Sequence[Stretch]) -> Material:
        return gather(stretches, self.rate_hz, self.told, self._done.scale, Responses())

    def _halves(self, cut: int) -> tuple[Steady, Steady]:
        """The level at `cut` in two."""
        s = self._stretches[cut]
        assert isinstance(s, Steady)
        stand = self._stand(s)
        middle = (s.start + s.end) // 2 if stand is None else stand.middle
        tail, head = (s.tail, s.head) if stand is None else (stand.level, stand.level)
        left = replace(s, end=middle, tail=tail, trail=[p for p in s.trail if p[0] < middle], raw=None)
        right = replace(s, start=middle, head=head, trail=[p for p in s.trail if p[0] >= middle], raw=None)
        return left, right

    def _clearest(self, first: int, end: int, any_level: bool) -> int | None:
        """The longest clear level (or `any_level`) from `first` to before `end`; None if too young."""
        oldest_needed = end_of(self._stretches[-1]) - UNTOUCHED_S * self.rate_hz
        best, length = None, 0
        for i in range(first, end):
            s = self._stretches[i]
            if not isinstance(s, Steady) or s.end > oldest_needed:
                continue
            stand = self._stand(s)
            stands = s.end - s.start if stand is None else stand.pairs
            if (any_level or stand is not None or self._is_clear(s.mean)) and stands > length:
                best, length = i, stands
        return best

    def _is_clear(self, level: Pair) -> bool:
        d = abs(difference(level))
        return d < OFF_BELOW * self._rough.full or d > ON_ABOVE * self._rough.full

    def _stand(self, s: Steady) -> _Stand | None:
        """Where a level that swings slowly stands clear for longest: it can be cut there. None of others."""
        if not _swings(s) or self._is_clear(s.mean):
            return None
        until = [int(at) for at, _, _ in s.trail[1:]]
        stands = [
            _Stand((int(at) + then) // 2, then - int(at), (a, b))
            for (at, a, b), then in zip(s.trail, until, strict=False)
            if self._is_clear((a, b))
        ]
        return max(stands, key=lambda stand: stand.pairs, default=None)


def _swings(s: Stretch) -> bool:
    return isinstance(s, Steady) and len(s.trail) >= TRAIL_MOST


def _grown(before: Scale, now: Scale) -> bool:
    return now.source > GROWN * before.source or now.full > GROWN * before.full
