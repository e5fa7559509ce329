"""What the leads show at this moment, with uncertainty and in words."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from daq.crossings import UV
from daq.floating import in_free_band
from daq.samples import Scale
from daq.snapshot import Bands, LeadView, StateWord
from daq.steady import Segmenter
from daq.stretches import Pair, Raw
from daq.tally import SETTLED_WINDOWS, SteadyTally

NEAR_ZERO_OF_SOURCE = 0.08
NEAR_ZERO_LEAST_V = 0.5
AT_SOURCE_OF_SOURCE = 0.12
SPAN_V = (-7.97, 39.9)  # the front end's range; text files are held to it too
QUANTISATION = 0.2887  # rms of one count (1/sqrt(12)): ADC noise formula, MT-001 / Bennett 1948

YOUNG_S = 0.24  # every live picture looks at an open stretch up to this age: it settles verdicts
LOOK_AGAIN_S = 0.5  # and then one in so long: it only gets longer


def bands_of(source_v: float | None) -> Bands:
    """Where near zero and at source lie; narrow enough that "between" means something."""
    near = max(NEAR_ZERO_LEAST_V, NEAR_ZERO_OF_SOURCE * (source_v or 0.0))
    if source_v is None:
        return Bands((-NEAR_ZERO_LEAST_V, near), None)
    return Bands((-NEAR_ZERO_LEAST_V, near), ((1 - AT_SOURCE_OF_SOURCE) * source_v, 1.06 * source_v + 0.3))


@dataclass(frozen=True, slots=True)
class Moment:
    """The level that is open, None between levels, and the latest sample, None where nothing is measured."""

    level: SteadyTally | None
    pair: Pair | None


def moment_of(segmenter: Segmenter | None) -> Moment:
    return Moment(None, None) if segmenter is None else Moment(segmenter.open_steady, segmenter.last_pair)


def lead_views(
    moment: Moment, scale: Scale | None, bands: Bands, floats: tuple[bool, bool]
) -> tuple[LeadView, LeadView]:
    tally = moment.level
    if tally is None or scale is None or tally.pairs == 0:
        word = StateWord.NO_READING if moment.pair is None else StateWord.CHANGING
        levels = moment.pair or (0.0, 0.0)
        views = [LeadView(levels[i] / UV, _calibration(scale, i, levels[i] / UV), word) for i in (0, 1)]
        return views[0], views[1]
    n = min(tally.pairs, SETTLED_WINDOWS * tally.window)
    out = []
    for lead in (0, 1):
        volts = tally.settled[lead] / UV
        sigma = sigma_of_range(tally.spread[lead] / UV, tally.pairs)
        noise = sigma / math.sqrt(max(1, n))
        one_count = abs(scale.volts_per_count[lead])
        if sigma < one_count / 2:  # no dither: averaging gains nothing
            noise = QUANTISATION * one_count
        error = math.hypot(noise, _calibration(scale, lead, volts))
        out.append(LeadView(volts, error, StateWord.FLOATING if floats[lead] else word_of(volts, bands)))
    return out[0], out[1]


class Readout:
    """Mean of the latest whole window, for readings that are shown but are no evidence."""

    def __init__(self, window: int) -> None:
        self.window = window
        self.volts: tuple[float, float] | None = None
        self._open: Raw = np.empty((0, 2), dtype=np.int32)

    def push(self, micro: Raw) -> None:
        part = np.concatenate((self._open, micro))
        whole = len(part) // self.window * self.window
        self._open = part[whole:]
        if whole:
            one, other = part[whole - self.window : whole].mean(axis=0) / UV
            self.volts = float(one), float(other)


def held_views(
    volts: tuple[float, float], scale: Scale | None, bands: Bands, whispering: bool
) -> tuple[LeadView, LeadView]:
    """Readings of one window, while no current flows: good to a count and the calibration."""
    views = []
    for lead, v in enumerate(volts):
        count = abs(scale.volts_per_count[lead]) if scale is not None else 0.0
        error = math.hypot(QUANTISATION * count, _calibration(scale, lead, v))
        free = whispering and in_free_band(v * UV)
        views.append(LeadView(v, error, StateWord.FLOATING if free else word_of(v, bands)))
    return views[0], views[1]


def word_of(volts: float, bands: Bands) -> StateWord:
    if not SPAN_V[0] < volts < SPAN_V[1]:
        return StateWord.BEYOND_RANGE
    low, high = bands.near_zero_v
    if volts < low:
        return StateWord.BELOW_ZERO
    if volts <= high:
        return StateWord.NEAR_ZERO
    if bands.at_source_v is not None and bands.at_source_v[0] <= volts <= bands.at_source_v[1]:
        return StateWord.AT_SOURCE
    return StateWord.BETWEEN


def sigma_of_range(spread: float, n: int) -> float:
    """Sigma of white noise from its range over n samples (range of a normal sample: about 2 sqrt(2 ln n))."""
    return spread / (2 * math.sqrt(2 * math.log(max(n, 3))))


def _calibration(scale: Scale | None, lead: int, volts: float) -> float:
    return 0.0 if scale is None else scale.uncertainty_v(lead, volts)


def look_at(start: float, end: float, rate_hz: float) -> float:
    """How far an open stretch has come, for a live picture: equal while it need not be looked at again."""
    grown_s = (end - start) / rate_hz - YOUNG_S
    return end if grown_s < 0 else start + grown_s // LOOK_AGAIN_S * rate_hz
