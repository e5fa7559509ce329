"""A charging system's ripple beats as regularly as a pulsed driver; it is a level, not a pulse train."""

from __future__ import annotations

from collections.abc import Sequence

from daq.labels import ON_ABOVE, Scale, difference
from daq.stretches import Steady, Stretch, Train

RIPPLE_OF_D = 0.06


def without_ripple(stretches: Sequence[Stretch], scale: Scale) -> list[Stretch]:
    """The stretches, with trains that hardly move the load voltage while on as the levels they are."""
    return [_level(s) if isinstance(s, Train) and _is_ripple(s, scale) else s for s in stretches]


def _is_ripple(train: Train, scale: Scale) -> bool:
    up, down = difference(train.up), difference(train.down)
    stays_on = min(abs(up), abs(down)) > ON_ABOVE * scale.full
    return stays_on and abs(up - down) < RIPPLE_OF_D * scale.full


def _level(train: Train) -> Steady:
    share = train.up_share
    mean = (
        share * train.up[0] + (1 - share) * train.down[0],
        share * train.up[1] + (1 - share) * train.down[1],
    )
    return Steady(
        start=round(train.start),
        end=round(train.end),
        mean=mean,
        head=mean,
        tail=mean,
        late=mean,
        settled=mean,
        low=train.low,
        high=train.high,
    )
