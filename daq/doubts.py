"""What speaks against a verdict: each is a question to the evidence that the judge and its reasons share."""

from __future__ import annotations

from daq.evidence import Evidence
from daq.findings import Lead, Side

DOUBTFUL_SHARE = 0.75  # of the votes
STILL_TAKEN = 0.1  # of it, across the load while off: with nothing held both leads agree
FEED_MOST = 1.3  # of the source: a charging battery stands no further above one at rest
HASTY_SHARE = 0.1  # of the changes: a contact that opens now and then also does so beside a switching
REVERSE_LEAST_S = 0.03
BELOW_V = -1.5  # no switch takes a lead this far below battery negative


def both_ways(evidence: Evidence) -> bool:
    """Whether either lead was the positive one while on."""
    return min(evidence.forward, evidence.reverse) > REVERSE_LEAST_S


def below(evidence: Evidence) -> bool:
    """Whether a lead goes below the reference while on, as it does when the reference is off."""
    return evidence.on_levels_v is not None and min(evidence.on_levels_v) < BELOW_V


def ground_switched_too(evidence: Evidence, leaning: Side) -> bool:
    """On the positive side both leads at source mean an open ground. One that opens or closes just when the
    feed is switched is hardly a fault that came by chance, unless that was once among many changes. (On the
    ground side it is a feed that wakes.)"""
    often = evidence.hasty >= HASTY_SHARE * evidence.votes.transitions
    return leaning is Side.HIGH and evidence.hasty > 0 and often


def another_load(e: Evidence) -> bool:
    """Most changes may be another load's, that lifts the shared ground or pulls the shared feed."""
    votes = e.votes.low + e.votes.high + e.votes.both
    return e.votes.doubtful > DOUBTFUL_SHARE * votes


def feed_beyond(e: Evidence) -> bool:
    """The feed shows more while on than at rest, where the load goes on taking some: no rest was seen."""
    on, off, source = e.on_levels_v, e.off_levels_v, e.source_v
    if on is None or off is None or source is None:
        return False
    return max(on) > FEED_MOST * source and abs(off[0] - off[1]) > STILL_TAKEN * source


def leads(e: Evidence) -> tuple[Lead | None, Lead | None]:
    """(feed, ground) while on."""
    if e.forward == 0 and e.reverse == 0:
        return None, None
    return (1, 2) if e.forward >= e.reverse else (2, 1)
