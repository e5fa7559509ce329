"""A recording looked back on: found as it is analysed, judged anew, and never written to."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daq.capture import CaptureSource, add_note
from daq.errors import InputError, WorkError
from daq.findings import EventKind, Findings, to_json
from daq.look_back import LookBack
from daq.reanalysis import Reanalysis
from daq.recordings_in import analyse
from daq.samples import Block, Item
from tests.look_back.recordings import (
    AWAY_AT_S,
    AWAY_S,
    FEED_S,
    LAYOUT,
    NOTED_S,
    SECOND_S,
    ground_side,
    recorded,
)
from tests.tui.scenes import ListSource, switched


def until(condition: Callable[[], object], seconds: float = 20.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < deadline, "waited in vain"
        time.sleep(0.005)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return recorded(tmp_path / "drive.whichside")


@pytest.fixture
def look(path: Path) -> Iterator[LookBack]:
    look = LookBack(path)
    yield look
    look.close()


def analysed(look: LookBack) -> Findings:
    look.analysis.start()
    until(lambda: look.progress.over)
    assert look.progress.error is None
    assert look.progress.findings is not None
    return look.progress.findings


def test_it_finds_what_review_finds_and_leaves_the_file_as_it_is(look: LookBack, path: Path) -> None:
    before = path.read_bytes()
    found = analysed(look)
    with CaptureSource(path) as source:
        assert to_json(found, "") == to_json(analyse(source), "")
    feed = [e for e in found.events if e.kind is EventKind.FEED_DROPOUT]
    for event, (begin, length) in zip(feed, (FEED_S, SECOND_S), strict=True):
        assert event.t_s == pytest.approx(begin, abs=0.0005)
        assert event.duration_s == pytest.approx(length, abs=0.0005)
    look.expect("steady")
    assert look.told == "steady"
    until(lambda: look.progress.over)
    assert look.progress.expectation == "steady"
    assert look.progress.findings is not None
    steady = look.progress.findings.events
    assert len(steady) > len(found.events), "every moment off is a dropout"
    assert path.read_bytes() == before


def test_levels_before_an_event_and_in_it(look: LookBack) -> None:
    event = next(e for e in analysed(look).events if e.kind is EventKind.FEED_DROPOUT)
    before, inside = look.levels(event)
    assert before.leads is not None
    assert inside.leads is not None
    assert [lead.mean_v for lead in before.leads] == pytest.approx([12.5, 0.1], abs=0.03)
    assert [lead.mean_v for lead in inside.leads] == pytest.approx([0.0, 0.0], abs=0.03)
    window = look.around(event)
    assert window.begin_s < event.t_s < event.t_s + event.duration_s < window.end_s
    aligned = [look.from_start(e, 0.08) for e in look.progress.findings.events[:2]]  # type: ignore[union-attr]
    for shown, (begin, _) in zip(aligned, (FEED_S, SECOND_S), strict=True):
        low = look.columns(shown, 320).low[:, 0]
        first = int((low < 6.0).argmax())
        assert first == pytest.approx(80, abs=2), "both start after a quarter"
        assert shown.begin_s == pytest.approx(begin - 0.02, abs=0.001)


def test_levels_while_on(look: LookBack) -> None:
    found = look.on_levels(analysed(look), look.whole, 12)
    assert found.leads is not None
    assert found.on_s == pytest.approx(30.0, abs=0.5)
    assert [lead.usual_v for lead in found.leads] == pytest.approx([12.5, 0.1], abs=0.05)


def test_readings_and_marks(look: LookBack, path: Path) -> None:
    assert look.reading(0.5) == pytest.approx((12.5, 0.1), abs=0.15)
    assert look.reading(AWAY_AT_S + AWAY_S / 2) is None
    look.add_marks([(50.0, "note")])
    whole_s = look.whole.width_s
    columns = look.columns(look.whole, 660)
    assert [what for _, what in columns.marks] == ["note", "note"]
    assert columns.marks[0][0] == int(NOTED_S / whole_s * 660)
    assert columns.lost.sum() == pytest.approx(AWAY_S / whole_s * 660, abs=2)


def test_a_text_file_is_looked_at_as_a_capture_would_be(tmp_path: Path) -> None:
    volts = LAYOUT.scale.volts(next(i.counts for i in ground_side() if isinstance(i, Block)))[:44_000]
    text = tmp_path / "drive.csv"
    rows = (f"{n / 4000:.5f},{a:.3f},{b:.3f}" for n, (a, b) in enumerate(volts))
    text.write_text("time_s,lead1_v,lead2_v\n" + "\n".join(rows) + "\n")
    look = LookBack(text, "steady")
    try:
        assert look.is_text
        assert look.source.duration_s == pytest.approx(11.0)
        found = analysed(look)
        assert look.progress.expectation == "steady"
        assert any(abs(e.t_s - FEED_S[0]) < 0.001 for e in found.events)
        private = look.source.path
    finally:
        look.close()
    assert not private.exists()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["drive.csv"]


def test_a_note_can_be_added_meanwhile(look: LookBack, path: Path) -> None:
    look.analysis.start()
    add_note(path, "the wet connector", at_s=1.0)
    assert [note.text for note in look.source.notes()] == ["the wet connector"]
    until(lambda: look.progress.over)
    assert look.progress.error is None


def test_damage_is_counted_and_the_rest_is_shown(path: Path) -> None:
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2] ^= 0x40
    path.write_bytes(raw)
    look = LookBack(path)
    try:
        look.analysis.start()
        until(lambda: look.progress.over)
        assert look.progress.damaged
        assert look.columns(look.whole, 100).low.shape == (100, 2)
    finally:
        look.close()


def test_what_is_no_recording_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.whichside").write_text("no capture")
    with pytest.raises(InputError):
        LookBack(tmp_path / "a.whichside")


class Endless(ListSource):
    """Goes on until it is closed."""

    def __iter__(self) -> Iterator[Item]:
        at = 0
        while True:
            block = Block(at, switched(0.1)[0].counts, LAYOUT)
            yield block
            at = block.end


def test_it_stops_when_it_is_closed_and_stands_back_when_asked() -> None:
    source = Endless()
    analysis = Reanalysis(lambda: source, 10**9, None).start()
    until(lambda: analysis.latest.share > 0)
    analysis.stand_back(60.0)
    time.sleep(0.05)
    share = analysis.latest.share
    time.sleep(0.4)
    assert analysis.latest.share == share
    analysis.close()
    assert source.closed.is_set()
    assert not analysis.latest.over


def test_an_analysis_that_fails_says_so() -> None:
    def refuse() -> ListSource:
        raise WorkError("the disk is gone")

    analysis = Reanalysis(refuse, 1, None).start()
    until(lambda: analysis.latest.over)
    assert str(analysis.latest.error) == "the disk is gone"
    analysis.close()
