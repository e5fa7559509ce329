"""What the leads did from here to here: time, and least, greatest, mean and difference of volts per lead."""

from __future__ import annotations

import math
from dataclasses import dataclass

from daq.capture_reader import CaptureSource
from daq.time_picture import volts_of


@dataclass(frozen=True, slots=True)
class LeadSpan:
    """Volts of one lead; `difference_v` is its last pair less its first."""

    mean_v: float
    low_v: float
    high_v: float
    difference_v: float


@dataclass(frozen=True, slots=True)
class MeasuredSpan:
    """`pairs` samples of each lead in `seconds`, of which `lost_s` have none; `leads` is None without any."""

    begin_s: float
    end_s: float
    pairs: int
    lost_s: float
    leads: tuple[LeadSpan, LeadSpan] | None

    @property
    def seconds(self) -> float:
        return self.end_s - self.begin_s


def measure(source: CaptureSource, one_s: float, other_s: float) -> MeasuredSpan:
    """From the pair at or after the earlier moment to the last one before the later; at least one pair.

    Hours take as long as seconds: whole bins of the pyramid are taken where they fit, samples at the ends.
    """
    begin_s, end_s = min(one_s, other_s), max(one_s, other_s)
    first = min(source.sample_at(begin_s), max(source.end - 1, source.first))
    last = max(source.sample_at(end_s), first + 1)
    pairs, low, high, mean = source.totals(first, last)
    lost_s = max(0.0, end_s - begin_s - _sampled_s(source, first, last))
    ends = [volts_of(source, sample) for sample in (first, last - 1)]
    if not pairs or None in ends:
        return MeasuredSpan(begin_s, end_s, pairs, lost_s, None)
    one, two = (
        LeadSpan(mean[lead], low[lead], high[lead], _at(ends[1], lead) - _at(ends[0], lead))
        for lead in (0, 1)
    )
    return MeasuredSpan(begin_s, end_s, pairs, lost_s, (one, two))


def _at(pair: tuple[float, float] | None, lead: int) -> float:
    return math.nan if pair is None else pair[lead]


def _sampled_s(source: CaptureSource, first: int, last: int) -> float:
    """The time that pairs first .. last - 1 take without the gaps between them."""
    segments = source.segments()
    ends = [segment.first for segment in segments[1:]] + [source.end]
    return sum(
        max(0, min(last, end) - max(first, segment.first)) / segment.layout.rate_hz
        for segment, end in zip(segments, ends, strict=False)
    )
