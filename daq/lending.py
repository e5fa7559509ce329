"""What fits one explanation is tried for the others.

Explanations share most of their unknowns: the load, the driver, what stands behind its test current, the
wires. Where the readings of a load are met by an unlikely combination of them, that is as true of the other
explanations, and each would have to find it by chance. So from the best fits that any has, its unknowns are
taken over, and what remains to be found, the size of a fault, is tried in a few sizes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from daq.climbing import ALWAYS, SAME_DIALS, TOLD_APART, Mask, relevant_dials
from daq.evidence_sum import APART
from daq.explained import circuits
from daq.hypotheses import Hypothesis
from daq.knowledge import Knowledge
from daq.likelihood import scorers
from daq.points import Point, draws_at
from daq.readings import Reading
from daq.unknowns import DIALS, Array

LENDERS, AS_GOOD = 3, 5.0  # so many good fits are lent, and none so much worse than the best, in ln
AS_LIKELY = 2.5  # in ln with the prior: such are told of each other's fits, however good they are already
CLIMBED = 5.0  # what a climb from there may gain
SHARED = [DIALS.index(name) for name in ALWAYS]
SIZES = tuple(n / 4 for n in range(-10, 11))  # of a fault
OF_LOAD = tuple(DIALS.index(name) for name in ("fault", "second fault", "step"))  # shares of the load's ohms
OWN = (*OF_LOAD, *(DIALS.index(name) for name in ("short", "duty", "neighbour", "shared_contact", "fuse")))
MOST_DIAL = 6.0
COLUMNS = 1 + len(OF_LOAD) + len(SIZES)


@dataclass(frozen=True, slots=True, eq=False)
class Offered:
    """What one explanation would make of another's best fit.

    Attributes:
        row, order: of which explanation, with which lead on the feed pin.
        point: where it would be.
        log_mass: ln of the evidence that would lie about there, were that as much as about the other's fit.
    """

    row: int
    order: int
    point: Point
    log_mass: float


@dataclass(frozen=True, slots=True, eq=False)
class Lender:
    """A good fit that others may take over.

    Attributes:
        hypothesis, order, point: whose it is, and where.
        worth: ln of the evidence that it has.
        total: the same with the prior.
    """

    hypothesis: Hypothesis
    order: int
    point: Point
    worth: float
    total: float

    def is_near(self, other: Lender) -> bool:
        """Whether they are one in what all explanations have."""
        a, b = self.point, other.point
        same = self.order == other.order and all(a.code(name) == b.code(name) for name in TOLD_APART)
        return same and bool(np.abs(a.x - b.x)[SHARED].max() < SAME_DIALS)


class Lending:
    """Good fits offered to other explanations, each to each once."""

    def __init__(self, given: list[Reading], knowledge: Knowledge) -> None:
        self._given = given
        self._k = knowledge
        self._asked: set[tuple[Hypothesis, Hypothesis, int, bytes]] = set()

    def offers(
        self,
        lenders: Sequence[Lender],
        some: tuple[Hypothesis, ...],
        log_prior: Array,
        log_evidence: Array,
        settled: Mask,
        likeliest: float,
        least: float,
    ) -> list[Offered]:
        """What explanations would make of the good fits of others, where that is more than what they have; of
        lenders themselves, where it would add to it.

        Args:
            log_prior, log_evidence: (orders, explanations), before the readings and as far as found.
            settled: (orders, explanations), where that is sure enough; only what is more counts there.
            likeliest: the highest sum of the two that there is.
            least: those that would not become that probable beside it are left out.
        """
        lent = _few_and_distinct(lenders)
        if not lent:
            return []
        hoped = likeliest + np.log(least)
        best = [one for one in lenders if one.total > likeliest - AS_LIKELY]
        own = [[one for one in best if one.hypothesis == h] for h in some]
        asked = []
        for lender in lent:
            o = lender.order - 1
            likely = lender.total > likeliest - AS_LIKELY
            new = np.array(
                [likely and bool(mine) and not any(one.is_near(lender) for one in mine) for mine in own]
            )
            more = log_evidence[o] < lender.worth - APART
            would = (log_prior[o] + lender.worth > hoped) & (more | (new & ~settled[o]))
            for row in np.flatnonzero(would):
                name = some[row], lender.hypothesis, lender.order, lender.point.name
                if some[row] != lender.hypothesis and name not in self._asked:
                    self._asked.add(name)
                    asked.append((int(row), lender))
        made = self._taken_over(asked, some, lent) if asked else []
        least_mass = np.maximum(log_evidence + APART, hoped - log_prior) - CLIMBED
        return [offer for offer in made if offer.log_mass > least_mass[offer.order - 1, offer.row]]

    def _taken_over(
        self, asked: Sequence[tuple[int, Lender]], some: tuple[Hypothesis, ...], lent: Sequence[Lender]
    ) -> list[Offered]:
        """The best that each explanation makes of a fit; `asked` are (row of `some`, lender)."""
        k = self._k
        own = [(one.hypothesis, one) for one in lent]
        pairs = [*own, *((some[row], lender) for row, lender in asked)]
        x = _sizes(pairs, k)
        codes = np.stack([lender.point.codes for _, lender in pairs])
        made = circuits(tuple(h for h, _ in pairs), draws_at(x, codes[:, None], k), k)
        post = -0.5 * (x**2).sum(axis=-1)
        orders = np.array([lender.order for _, lender in pairs])
        for mine, scorer in scorers(made, self._given, k.reading, orders):
            one = np.ones((1, len(mine)))
            post[mine] += scorer.log_density(np.arange(len(mine)), one)[0].sum(axis=0)
        best, most = post.argmax(axis=1), post.max(axis=1)
        theirs = {id(one): post[n, 0] for n, one in enumerate(lent)}
        found = []
        for n, (row, lender) in enumerate(asked, len(lent)):
            log_mass = float(most[n] - theirs[id(lender)]) + lender.worth
            found.append(Offered(row, lender.order, Point(x[n, best[n]], codes[n]), log_mass))
        return found


def _few_and_distinct(lenders: Sequence[Lender]) -> list[Lender]:
    """The best, that differ in what all explanations have."""
    found: list[Lender] = []
    for lender in sorted(lenders, key=lambda one: -one.total):
        if found and lender.total < found[0].total - AS_GOOD:
            break
        if not any(lender.is_near(other) for other in found):
            found.append(lender)
            if len(found) == LENDERS:
                break
    return found


def _sizes(pairs: Sequence[tuple[Hypothesis, Lender]], k: Knowledge) -> Array:
    """(pairs, COLUMNS, DIALS): the lender's dials as far as each explanation has them, own in all sizes."""
    mine = np.stack([relevant_dials(h) for h, _ in pairs])
    theirs = np.stack([relevant_dials(lender.hypothesis) for _, lender in pairs])
    at = np.stack([lender.point.x for _, lender in pairs])
    x = np.repeat(np.where(mine & theirs, at, 0.0)[:, None], COLUMNS, axis=1)
    for n, one in enumerate(OF_LOAD, 1):
        for other in OF_LOAD:
            both = theirs[:, one] & mine[:, other]
            x[both, n, other] = _as_large(one, at[both, one], other, k)
    for dial in OWN:
        own = mine[:, dial] if dial in OF_LOAD else mine[:, dial] & ~theirs[:, dial]
        x[own, -len(SIZES) :, dial] = SIZES
    return x


def _as_large(one: int, at: Array, other: int, k: Knowledge) -> Array:
    """The dial of another share of the load's ohms that is as large as one, within what is drawn at all."""
    if one == other:
        return at
    this, that = (k.spread["step" if DIALS[dial] == "step" else "fault"] for dial in (one, other))
    width = math.log(that.factor)
    if width <= 0:
        return np.zeros_like(at)
    apart = math.log(this.median / that.median) + math.log(this.factor) * at
    return np.clip(apart / width, -MOST_DIAL, MOST_DIAL)
