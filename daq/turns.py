"""The load's turns between two labelled stretches, timed in the samples between them.

An edge is timed at the first crossing of the middle between the two levels it joins (IEEE Std 181
mid-reference level instant, interpolated). Crossings less than 7 ms apart are one event: contact bounce
when the state differs afterwards, a single gap (or blip) when it does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from daq.labels import OFF_BELOW, ON, Label, Labelled, Scale, difference
from daq.stretches import Lost, Steady, Stretch, Train, Zone, end_of, start_of

HYSTERESIS = 0.05  # of D
STILL_ON = 0.69  # of the level on both sides: a gap is deeper, so that one of half depth is seen
UNEVEN_PERIODS = 6.0  # pulses beside a train, within this many periods, are part of it
COASTS_ABOVE = 0.6  # of D: an off part that begins higher is a motor let go
COAST_STEP = 0.012
LET_GO_S = 0.0015
LET_GO_STEP = 0.08  # of D


@dataclass(slots=True)
class Turn:
    """The load's state from position `at` (fractional pairs) on."""

    at: float
    label: Label
    settled: bool = True  # False: seen only inside a fast zone
    last: float | None = None  # last crossing of a bounce


def turns_between(
    stretches: Sequence[Stretch], left: Labelled, right: Labelled, scale: Scale, rate_hz: float
) -> list[Turn] | None:
    """Turns between two labelled stretches; None where time or too many samples were lost there."""
    inner = stretches[left.at + 1 : right.at]
    if any(isinstance(s, Lost) for s in inner):
        return None
    if not inner:
        return [] if left.tail is right.head else [Turn(float(start_of(right.stretch)), right.head)]
    if isinstance(left.stretch, Train) or isinstance(right.stretch, Train):
        return _beside_train(left, right, inner)
    joined = _join(inner)
    if joined is None:
        if left.tail is right.head:
            return []
        return [Turn(float(start_of(inner[0])), right.head)]
    start, raw = joined
    if left.tail in ON and right.head is Label.OFF:
        let_go = _let_go(start, raw, inner, left, scale, rate_hz)
        if let_go is not None:
            return [let_go]
    return _turns_in(start, raw, left, right, scale)


def _let_go(
    start: float,
    raw: npt.NDArray[np.int32],
    inner: Sequence[Stretch],
    left: Labelled,
    scale: Scale,
    rate_hz: float,
) -> Turn | None:
    """A motor that is let go and braked a moment later: off where it falls to its own voltage, not at the
    brake. Told by a level in between that it drops to at once (a source sags more slowly) and never rises
    from."""
    first = next((s for s in inner if isinstance(s, Steady)), None)
    if first is None or not isinstance(left.stretch, Steady):
        return None
    if first.start - left.stretch.end > max(2, LET_GO_S * rate_hz):
        return None
    on, own = difference(left.stretch.tail), difference(first.mean)
    fell = abs(on) - abs(own)
    if own * on <= 0 or fell < LET_GO_STEP * scale.full or abs(own) < OFF_BELOW * scale.full:
        return None
    d = (raw[:, 0].astype(np.float64) - raw[:, 1]) * np.sign(on)
    settled = d[int(first.start - start) :]
    if settled.max() > abs(own) + HYSTERESIS * scale.full or 2 * abs(own) < abs(on):
        return None
    return _first_crossing(start, d, (abs(on) + abs(own)) / 2, Label.OFF)[0]


def _beside_train(left: Labelled, right: Labelled, inner: Sequence[Stretch]) -> list[Turn]:
    """The first and last pulses of a train may be too uneven to belong to it: the zones beside it do."""
    if left.tail is right.head:
        return []
    zones = [s for s in inner if isinstance(s, Zone)]
    if isinstance(left.stretch, Train):
        train = left.stretch
        near = zones and start_of(right.stretch) - train.end < UNEVEN_PERIODS * train.period
        return [Turn(float(zones[-1].start if near else train.end), right.head)]
    assert isinstance(right.stretch, Train)
    train = right.stretch
    near = zones and train.start - end_of(left.stretch) < UNEVEN_PERIODS * train.period
    return [Turn(float(zones[0].start if near else train.start), right.head)]


def _join(inner: Sequence[Stretch]) -> tuple[float, npt.NDArray[np.int32]] | None:
    """The samples of short stretches in a row, with one more on either side; None if some are not kept."""
    pieces: list[npt.NDArray[np.int32]] = []
    start = -1.0
    for n, s in enumerate(inner):
        if not isinstance(s, Steady | Zone) or s.raw is None:
            return None
        if isinstance(s, Zone):
            a = 0 if n == 0 else s.start - s.raw_start
            b = len(s.raw) if n == len(inner) - 1 else s.end - s.raw_start
            pieces.append(s.raw[a:b])
            start = s.raw_start + a if n == 0 else start
        else:
            pieces.append(s.raw)
            start = s.start if n == 0 else start
    if not pieces:
        return None
    return start, np.concatenate(pieces)


def _turns_in(
    start: float, raw: npt.NDArray[np.int32], left: Labelled, right: Labelled, scale: Scale
) -> list[Turn]:
    assert isinstance(left.stretch, Steady)
    assert isinstance(right.stretch, Steady)
    d_left, d_right = difference(left.stretch.tail), difference(right.stretch.head)
    x = np.clip(raw, -0.5e6, max(1.02 * scale.source, *left.stretch.tail, *right.stretch.head)).astype(
        np.float64
    )
    if left.mirrored or right.mirrored:
        x = raw.astype(np.float64)
    d = x[:, 0] - x[:, 1]
    if left.tail is right.head:
        middle, to = _excursion_middle(left.tail, d_left, d_right, scale)
    else:
        middle, to = (d_left + d_right) / 2, right.head
        if right.head is Label.OFF and abs(d_right) > COASTS_ABOVE * scale.full:
            middle = d_left - np.sign(d_left) * COAST_STEP * scale.full
            return _first_crossing(start, d, middle, to)
    above, below = (to, left.tail) if d_left < middle else (left.tail, to)
    turns = _crossing_turns(start, d, middle, HYSTERESIS * scale.full, above, below, d_left > middle)
    if left.tail is right.head and turns and turns[-1].label is not right.head:
        turns.pop()  # it never came back: it was the step down to a level that is the same state
    return turns


def _first_crossing(start: float, d: npt.NDArray[np.float64], middle: float, to: Label) -> list[Turn]:
    """Let go of a motor: timed where the first small step begins, since the half comes much later."""
    beyond = np.flatnonzero(abs(d) < abs(middle))
    at = int(beyond[0]) if len(beyond) else 0
    return [Turn(start + _interpolate(at, d, middle), to, settled=False)]


def _excursion_middle(label: Label, d_left: float, d_right: float, scale: Scale) -> tuple[float, Label]:
    """Same state on both sides: half the level away from it would be an excursion to the other state."""
    d = (d_left + d_right) / 2
    if label is Label.OFF:
        sign = 1.0 if d >= -0.1 * scale.full else -1.0
        return d + sign * max(0.5 * (scale.full - abs(d)), 0.25 * scale.full), (
            Label.FORWARD if sign > 0 else Label.REVERSE
        )
    least = min(abs(d_left), abs(d_right))
    middle = min(STILL_ON * abs(d), 0.8 * least) if STILL_ON * abs(d) < 0.9 * least else 0.6 * least
    return float(np.sign(d)) * middle, Label.OFF


def _crossing_turns(
    start: float,
    d: npt.NDArray[np.float64],
    middle: float,
    hysteresis: float,
    above: Label,
    below: Label,
    begins_above: bool,
) -> list[Turn]:
    """Turns at each crossing that is followed through by `hysteresis` (half of it for short excursions)."""
    turns: list[Turn] = []
    high = begins_above
    crossed = 0.0
    was = begins_above
    for i, v in enumerate(d.tolist()):
        now = v > middle
        if now != was:
            crossed = _interpolate(i, d, middle)
            was = now
        if high and v < middle - hysteresis:
            high = False
            turns.append(Turn(start + crossed, below, settled=False))
        elif not high and v > middle + hysteresis:
            high = True
            turns.append(Turn(start + crossed, above, settled=False))
    return turns


def _interpolate(i: int, d: npt.NDArray[np.float64], middle: float) -> float:
    if i == 0:
        return 0.0
    return i - 1 + float((middle - d[i - 1]) / (d[i] - d[i - 1]))


def join_bounce(turns: list[Turn], initial: Label, within: float) -> list[Turn]:
    """Chains of turns closer than `within` become one turn, or one gap that starts and ends with them."""
    out: list[Turn] = []
    state = initial
    i = 0
    while i < len(turns):
        j = i
        while j + 1 < len(turns) and turns[j + 1].at - turns[j].at < within:
            j += 1
        chain = turns[i : j + 1]
        if chain[-1].label is not state:
            out.append(Turn(chain[0].at, chain[-1].label, chain[-1].settled, chain[-1].at))
        elif len(chain) > 1 and chain[0].label is Label.OFF:  # as short a blip of on is a spike, or a kick
            inner = chain[0]
            out.append(Turn(chain[0].at, inner.label, settled=False))
            out.append(Turn(chain[-1].at, state))
        state = chain[-1].label
        i = j + 1
    return out
