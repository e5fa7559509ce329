"""From a wanted rate to what the logger is told, and from what it answers to the exact rate."""

from __future__ import annotations

from daq.errors import CommandError
from daq.messages import Start
from daq.pairs import HEAD
from daq.results import Identity, Started

DEFAULT_RATE_HZ = 4000.0
BITS_PER_BYTE = 10  # 8 data bits with start and stop bit

_FULL_RAW_HZ = 4000.0  # the fastest that the converter does at full accuracy (125 kHz converter clock)
_MOST_PAIRS = 31  # 7.75 ms at 4000/s: not a whole number of milliseconds, see firmware/README.md
_LEAST_FRAMES_HZ = 20.0  # so that a slow rate does not look slow on screen
_FRAME_BYTES = HEAD.size + 6  # with type, sequence, CRC, COBS and the ending 00
_SHIFTS = (6, 4, 2, 0)


def plan_start(rate_hz: float, identity: Identity, baud: int) -> Start:
    """The start command for `rate_hz` pairs a second.

    As many raw pairs are summed as 4000 a second allow: 1000 a second become sums of 4, which see a short
    dropout where every fourth raw pair would miss it. Raises CommandError naming the limits when
    the logger or the line cannot do it.
    """
    shifts = [s for s in _SHIFTS if s <= identity.most_sum_shift]
    shift = next((s for s in shifts if rate_hz * (1 << s) <= _FULL_RAW_HZ * 1.001), 0)
    fastest = identity.clock_hz / (2 * identity.shortest_interval)
    slowest = identity.clock_hz / (2 * identity.longest_interval << shifts[0])
    if not slowest <= rate_hz <= fastest:
        raise CommandError(
            f"This logger samples {slowest:.3g} to {fastest:.0f} pairs a second, not {rate_hz:g}: "
            "choose a rate between these."
        )
    pairs = max(1, min(_MOST_PAIRS, int(rate_hz / _LEAST_FRAMES_HZ)))
    interval = round(identity.clock_hz / (2 * rate_hz * (1 << shift)))
    interval = max(identity.shortest_interval, min(identity.longest_interval, interval))
    plan = Start(interval, shift, pairs)
    needed = line_load(plan, rate_hz)
    if needed > baud / BITS_PER_BYTE:
        most = rate_hz * baud / BITS_PER_BYTE / needed
        raise CommandError(
            f"{baud} baud carry about {most:.0f} pairs a second, not {rate_hz:g}: choose a lower rate "
            "(sums of 4 at 1000 a second fit), or set the logger to a faster baud rate."
        )
    return plan


def line_load(plan: Start, rate_hz: float) -> float:
    """Bytes a second on the wire at `rate_hz` pairs a second."""
    size = 4 if plan.sum_shift else 3
    return rate_hz / plan.pairs_per_frame * (_FRAME_BYTES + size * plan.pairs_per_frame)


def exact_rate_hz(run: Started, clock_hz: int) -> float:
    """Pairs a second of a run, by the device's own clock."""
    return clock_hz / (2 * run.interval * (1 << run.sum_shift))
