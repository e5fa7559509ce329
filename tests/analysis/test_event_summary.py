"""The numbers over all events: counted as one would by hand, and chance never called a cause."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from daq import event_lines
from daq.event_counts import DIP_WITHIN_S, MARK_WITHIN_S, Labelled, label_of
from daq.event_summary import CHANCE, poisson_tail, summarise
from daq.events import REGISTRY
from daq.findings import Event, EventKind, EventSummary, to_json
from daq.pipeline import Pipeline
from daq.samples import Block, Change, ChangeKind, Layout, Origin, Scale
from daq.summary import summary as plain_summary

FEED, GROUND, DIP = EventKind.FEED_DROPOUT, EventKind.GROUND_DROPOUT, EventKind.SUPPLY_DIP
WHOLE_S = 3600.0

events = st.lists(
    st.builds(
        Event,
        st.sampled_from([FEED, GROUND, DIP]),
        st.integers(0, 3600_000).map(lambda ms: ms / 1000),
        st.integers(0, 20_000).map(lambda ms: ms / 1000),
    ),
    max_size=30,
)
labels = st.lists(
    st.builds(
        Labelled, st.integers(0, 3600_000).map(lambda ms: ms / 1000), st.sampled_from(["bump", "Bump", "wet"])
    ),
    max_size=12,
)


def at(*times: float, kind: EventKind = FEED, lasting: float = 0.003) -> list[Event]:
    return [Event(kind, t, lasting) for t in times]


def marks(*times: float, label: str = "bump") -> list[Labelled]:
    return [Labelled(t, label) for t in times]


@settings(max_examples=300, deadline=None)
@given(events, labels)
def test_everything_is_counted_as_by_hand(found: list[Event], told: list[Labelled]) -> None:
    summary = summarise(found, told, 0.0, WHOLE_S)
    assert summary.count == len(found) == sum(k.count for k in summary.kinds)
    for told_of in summary.kinds:
        of = [e for e in found if e.kind is told_of.kind]
        assert told_of.count == len(of)
        assert told_of.longest_s == max(e.duration_s for e in of)
        assert told_of.last in of
        assert told_of.last.t_s + told_of.last.duration_s == max(e.t_s + e.duration_s for e in of)
    severities = [REGISTRY[k.kind].severity for k in summary.kinds]
    assert severities == sorted(severities, reverse=True)
    by_hand = {}
    for kind in {e.kind for e in found}:
        of = [e for e in found if e.kind is kind]
        whats: dict[str, list[tuple[float, float]]] = {}
        for mark in told:
            window = (mark.t_s - MARK_WITHIN_S, mark.t_s + MARK_WITHIN_S)
            whats.setdefault(mark.label.casefold(), []).append(window)
        if kind is not DIP and any(e.kind is DIP for e in found):
            whats["supply dip"] = [
                (e.t_s - DIP_WITHIN_S, e.t_s + e.duration_s + DIP_WITHIN_S) for e in found if e.kind is DIP
            ]
        for what, windows in whats.items():
            touch = [[e.t_s <= b and e.t_s + e.duration_s >= a for e in of] for a, b in windows]
            near = sum(any(column) for column in zip(*touch, strict=True))
            if near:
                by_hand[kind, what] = (near, len(of), sum(map(any, touch)), len(windows))
    given_back = {(c.kind, c.what.casefold()): (c.near, c.of, c.met, c.times) for c in summary.coincidences}
    assert given_back == by_hand
    for cluster in summary.clusters:
        inside = [e for e in found if e.kind is cluster.kind and cluster.first_s <= e.t_s <= cluster.last_s]
        assert cluster.count == len(inside) >= 3


@settings(max_examples=100, deadline=None)
@given(events, labels, st.randoms(use_true_random=False), st.floats(0, 1e5))
def test_order_and_beginning_do_not_matter(
    found: list[Event], told: list[Labelled], shuffler: random.Random, later: float
) -> None:
    summary = summarise(found, told, 0.0, WHOLE_S)
    mixed, mixed_told = found.copy(), sorted(told, key=lambda m: m.label)
    shuffler.shuffle(mixed)
    again = summarise(mixed, mixed_told, 0.0, WHOLE_S)
    assert again.kinds == summary.kinds
    assert again.clusters == summary.clusters
    numbers = [
        {(c.kind, c.what.casefold(), c.near, c.of, c.met) for c in s.coincidences} for s in (summary, again)
    ]
    assert numbers[0] == numbers[1]
    assert summarise(found, [], 0.0, WHOLE_S).kinds == summarise(found, told, later, later + 9e5).kinds


@given(st.integers(0, 60), st.floats(0.0, 40.0))
def test_the_tail_is_poissons(least: int, mean: float) -> None:
    """Against scipy.stats.poisson.sf."""
    exact = float(stats.poisson.sf(least - 1, mean)) if mean else float(least <= 0)
    told = poisson_tail(least, mean)
    assert told == 1.0 if least <= mean else told == pytest.approx(exact, rel=1e-9, abs=1e-300)


def test_dropouts_at_bumps_are_telling_and_say_so() -> None:
    bumps = (100.0, 400.0, 900.0, 1500.0, 2000.0)
    found = at(101.0, 101.2, 401.5, 899.0, 1500.1, 2001.0, 2001.9, 3000.0, 3200.0)
    summary = summarise(found, marks(*bumps), 0.0, WHOLE_S)
    told = summary.coincidences[0]
    assert (told.near, told.of, told.met, told.times, told.telling) == (7, 9, 5, 5, True)
    assert told.by_chance == pytest.approx(9 * (5 * 4 + 5 * 0.003) / 3600)
    assert event_lines.telling_lines(summary)[0] == (
        'feed dropout: 7 of 9 within 2 s of mark "bump", 5 of 5 such marks (chance: 0.1)'
    )
    assert event_lines.all_lines(summary)[0] == "feed dropout: 9, longest 3.0 ms"
    assert event_lines.counts(summary.kinds) == "feed dropout: 9"


def test_one_fretting_moment_is_one_coincidence_and_not_telling() -> None:
    found = at(*(100.0 + 0.1 * n for n in range(20)))
    summary = summarise(found, marks(100.5), 0.0, WHOLE_S)
    assert (summary.coincidences[0].near, summary.coincidences[0].telling) == (20, False)
    assert event_lines.telling_lines(summary) == ["feed dropout: 20 of 20 within 1.9 s, at 1:40.0"]
    assert event_lines.all_lines(summary)[-1].endswith("1 of 1 such marks (chance: under 0.1, no proof)")


def test_a_mark_every_four_seconds_proves_nothing() -> None:
    found = at(10.0, 333.0, 777.0, 2000.0)
    summary = summarise(found, marks(*range(0, 3600, 4)), 0.0, WHOLE_S)
    assert summary.coincidences[0].near == 4
    assert summary.coincidences[0].by_chance == pytest.approx(4.0)
    assert not summary.coincidences[0].telling


def test_dropouts_while_cranking_are_set_beside_the_dips() -> None:
    dips = at(100.0, 1000.0, 2000.0, kind=DIP, lasting=1.5)
    summary = summarise([*at(100.9, 1001.0, 2001.9), *dips], [], 0.0, WHOLE_S)
    told = summary.coincidences[0]
    assert (told.kind, told.what, told.near, told.met, told.telling) == (FEED, "supply dip", 3, 3, True)
    assert event_lines.coincidence_line(told) == (
        "feed dropout: 3 of 3 within 0.5 s of a supply dip, 3 of 3 such dips (chance: under 0.1)"
    )


def test_chance_alone_is_seldom_called_telling() -> None:
    """Events and marks strewn evenly and independently: at most CHANCE of the runs may claim something."""
    rng = random.Random(20260301)
    runs, telling, clusters = 2000, 0, 0
    for _ in range(runs):
        found = at(*(rng.uniform(0, WHOLE_S) for _ in range(rng.randint(1, 40))))
        told = [
            Labelled(rng.uniform(0, WHOLE_S), rng.choice(["bump", "wet", "door"]))
            for _ in range(rng.randint(1, 40))
        ]
        summary = summarise(found, told, 0.0, WHOLE_S)
        telling += any(c.telling for c in summary.coincidences)
        clusters += bool(summary.clusters)
    allowed = stats.binom.ppf(0.9999, runs, CHANCE)
    assert telling <= allowed
    assert clusters <= allowed


def test_labels_come_from_marks_and_notes_alone() -> None:
    def change(kind: ChangeKind, value: str) -> Change:
        return Change(0, Origin.USER, kind, value)

    assert label_of(change(ChangeKind.NOTE, "  wet \t road ")) == "wet road"
    assert label_of(change(ChangeKind.MARK, "off")) == "switched off"
    assert label_of(change(ChangeKind.PLUG, "in")) == ""


def test_nothing_found_is_said() -> None:
    assert summarise([], marks(1.0), 0.0, 9.0) == EventSummary()
    assert event_lines.counts(()) == "no events"


@pytest.mark.parametrize(
    ("seconds", "told"),
    [(-0.5, "just now"), (0.9, "just now"), (72.7, "72 s ago"), (125.0, "2 min 05 s ago")],
)
def test_how_long_ago(seconds: float, told: str) -> None:
    assert event_lines.ago(seconds) == told


def test_the_analysis_sets_marks_beside_its_events_however_it_is_asked() -> None:
    """Through the pipeline: dropouts at the bumps, notes pushed as they come; clearing forgets both."""
    rate, drops = 1000.0, (12.0, 31.0, 47.0)
    t = np.arange(int(60 * rate)) / rate
    volts = np.stack([np.full(len(t), 12.6), np.full(len(t), 0.1)], axis=1)
    for at_s in drops:
        volts[(t >= at_s) & (t < at_s + 0.02), 0] = 0.0
    layout = Layout(rate, Scale((0.01, 0.01)))
    counts = np.rint(volts * 100 + np.random.default_rng(1).normal(0, 1, volts.shape)).astype(np.int32)
    looked_at, alone = Pipeline("steady"), Pipeline("steady")
    for at in range(0, len(t), 500):
        for pipeline in (looked_at, alone):
            pipeline.push(Block(at, counts[at : at + 500], layout))
            if at / rate - 0.5 in drops:
                pipeline.push(Change(at + 500, Origin.USER, ChangeKind.NOTE, "Bump", at / rate))
        assert looked_at.snapshot().summary.count == sum(at_s < (at + 500) / rate for at_s in drops)
    summary = alone.findings().summary
    assert summary == looked_at.findings().summary
    assert [(k.kind, k.count) for k in summary.kinds] == [(FEED, 3)]
    assert summary.kinds[0].longest_s == pytest.approx(0.02, abs=0.001)
    assert [(c.what, c.near, c.met, c.telling) for c in summary.coincidences] == [("Bump", 3, 3, False)]
    told = to_json(alone.findings(), "f")["event_summary"]
    assert told["coincidences"][0]["mark"] == "Bump"
    said = plain_summary(alone.findings(), "f")
    assert said[-2:] == [event_lines.kind_line(summary.kinds[0]), event_lines.all_lines(summary)[-1]]
    alone.push(Change(len(t), Origin.USER, ChangeKind.CLEAR))
    assert alone.findings().summary == EventSummary()
