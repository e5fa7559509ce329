"""The generator: (seed, index) to a plan. Each category is one story told by one function.

A category function gets a `Draw` and returns a `Plan`; `CATEGORIES` gives it a weight in the mix. The
common skeleton of a switched circuit is `switched` in `skeleton`; the stories bend it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.physics import (
    stories_basic,
    stories_faults,
    stories_leads,
    stories_pulsed,
    stories_source,
    stories_two,
)
from tests.physics.draws import Draw
from tests.physics.recordings import Plan

Story = Callable[[Draw], Plan]


@dataclass(frozen=True)
class Category:
    """One kind of recording: what it is about, how often it is drawn."""

    name: str
    weight: float
    story: Story
    about: str


STORIES = (stories_basic, stories_pulsed, stories_two, stories_source, stories_faults, stories_leads)
CATEGORIES: tuple[Category, ...] = tuple(Category(*row) for stories in STORIES for row in stories.TABLE)


def plan(seed: int, index: int, category: str | None = None) -> tuple[Plan, np.random.Generator]:
    """The plan of one recording and the generator that will make its noise; a function of its arguments."""
    rng = np.random.default_rng([seed, index])
    weights = np.array([c.weight for c in CATEGORIES])
    drawn = CATEGORIES[int(rng.choice(len(CATEGORIES), p=weights / weights.sum()))]
    if category is not None:
        drawn = next(c for c in CATEGORIES if c.name == category)
    return drawn.story(Draw.new(rng)), rng
