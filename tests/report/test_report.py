"""The written-up recording: every finding is on the page, names and notes are text, nothing is fetched."""

from __future__ import annotations

import html
import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from daq.capture import add_note
from daq.findings import Event, EventKind
from daq.live_view import bands_of
from daq.report import EVENTS_LISTED, numbered
from daq.report_picture import COLUMNS, picture
from daq.time_window import TimeWindow
from daq.trace import Columns
from tests.look_back.recordings import recorded

ROOT = Path(__file__).parents[2]
VOID = {"meta", "br"}


def report(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "daq", "report", *map(str, arguments)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = recorded(tmp_path_factory.mktemp("report") / "drive <b>.whichside")
    add_note(path, "<script>alert('rattles')</script> & \x1b[31m", 12.0)
    return path


@pytest.fixture(scope="module")
def page(capture: Path) -> str:
    out = capture.with_name("out.html")
    done = report(capture, "-o", out)
    assert (done.returncode, done.stdout) == (0, ""), done.stderr
    assert done.stderr == f"saved {out}\n"
    return out.read_text(encoding="utf-8")


def shown(page: str) -> str:
    """What a reader sees."""
    body = page.partition("<body>")[2]
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", body)).split())


class Balanced(HTMLParser):
    """Every element that begins ends, in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_all_that_was_found_is_on_the_page(page: str) -> None:
    text = shown(page)
    for fact in (
        "GROUND SIDE",
        "low side: switched between load and ground; control wire: lead 2, feed: lead 1",
        "Off: both leads at source; on: lead 2 fell",
        "source 12.60 V",
        "drop, feed side, on 0.1",
        "not proven: no lead check was passed",
        "1 10.500 s 4.1 ms feed dropout",
        "2 22.500 s 10 ms feed dropout",
        "the feed opened. It is between source and load: lead 1.",
        "feed dropout: 2, longest 10 ms",
        "2.000 s on, 3.000 s off",
        "1 gap, 6.0 s",
        "5.000 s: rough road",
        "bench: brake lamp",
        "never proof",
        "Same readings taken again",
        "Local codes and licensed practice come first",
    ):
        assert fact in text, fact


def test_it_is_well_formed_and_names_and_notes_are_text(page: str) -> None:
    parser = Balanced()
    parser.feed(page.removeprefix("<!DOCTYPE html>"))
    assert parser.open == []
    assert "<script" not in page
    assert "\x1b" not in page
    assert "drive &lt;b&gt;.whichside" in page
    assert "<script>alert('rattles')</script> & " in shown(page.replace("&lt;script", "&lt;script"))


def test_nothing_is_fetched(page: str) -> None:
    """An address is only the name of SVG's namespace (SVG 2, W3C)."""
    assert set(re.findall(r"https?://[^\"' ]*", page)) == {"http://www.w3.org/2000/svg"}
    assert not re.search(r"<(img|link|iframe|script)|url\(|@import", page)


def test_the_drawings_are_svg_and_show_every_event(page: str) -> None:
    drawings = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
    assert len(drawings) == 3, "all of it, and both events close up"
    for drawing, numbers in zip(drawings, (["1", "2"], ["1"], ["2"]), strict=True):
        root = ElementTree.fromstring(drawing)
        found = [e.text for e in root.iter() if e.get("class") == "number"]
        assert found == numbers
        assert len([e for e in root.iter() if (e.get("class") or "") == "trace"]) >= 2
    assert 'class="lost"' in drawings[0]


def test_anonymous_leaves_out_names_and_notes(capture: Path, tmp_path: Path) -> None:
    assert report(capture, "-o", tmp_path / "a.html", "--anonymous").returncode == 0
    text = shown((tmp_path / "a.html").read_text())
    assert "GROUND SIDE" in text
    for name in ("drive <b>", "rattles", "rough road", "brake lamp"):
        assert name not in text


def test_a_spike_of_one_sample_is_drawn() -> None:
    low = np.full((COLUMNS, 2), 12.0)
    high = low.copy()
    high[300, 1] = 30.0
    columns = Columns(0, low, high, np.zeros(COLUMNS, np.bool_))
    drawn = picture(columns, TimeWindow.of(10.0, 0.01), bands_of(12.0), [], "a spike")
    drawing = ElementTree.fromstring(drawn)
    traces = [e.get("points") or "" for e in drawing.iter() if e.get("class") == "trace"]
    one, two = ([float(point.split(",")[1]) for point in points.split()] for points in traces)
    assert set(one) == {one[0]}
    assert sorted(set(two)) == [min(two), two[0]]
    assert two.count(min(two)) == 1
    assert two[0] - min(two) > 50, "it reaches far up its lane"


def test_of_many_events_the_worst_are_listed_in_order_of_time() -> None:
    dips = [Event(EventKind.SUPPLY_DIP, float(n), 0.1) for n in range(EVENTS_LISTED)]
    fault = Event(EventKind.FEED_DROPOUT, 100.5, 0.001)
    listed = numbered([*dips, fault])
    assert len(listed) == EVENTS_LISTED
    assert fault in [event for _, event in listed]
    assert [event.t_s for _, event in listed] == sorted(event.t_s for _, event in listed)
    assert [number for number, _ in listed] == list(range(1, EVENTS_LISTED + 1))


def test_a_text_recording_is_written_up_too(tmp_path: Path) -> None:
    rows = [f"{n / 1000:.3f},{12.5},{0.1 if n // 400 % 2 else 12.6}" for n in range(4000)]
    (tmp_path / "a.csv").write_text("time_s,lead1_v,lead2_v\n" + "\n".join(rows) + "\n")
    done = report(tmp_path / "a.csv", "-o", tmp_path / "a.html", "--expect", "switching")
    assert done.returncode == 0, done.stderr
    assert "GROUND SIDE" in shown((tmp_path / "a.html").read_text())


def test_what_cannot_be_done_is_said(capture: Path, tmp_path: Path) -> None:
    (tmp_path / "mine.html").write_text("mine")
    tries = [
        ([capture, "-o", tmp_path / "mine.html"], 1, "exists already"),
        ([capture, "-o", tmp_path / "a.pdf"], 2, "must end in .html"),
        ([tmp_path / "none.whichside", "-o", tmp_path / "a.html"], 4, "none.whichside"),
        ([capture, "-o", tmp_path / "no" / "a.html"], 1, "a.html"),
    ]
    for arguments, code, says in tries:
        done = report(*arguments)
        assert (done.returncode, done.stdout) == (code, ""), done.stderr
        assert says in done.stderr
        assert "Traceback" not in done.stderr
    assert (tmp_path / "mine.html").read_text() == "mine"
    assert [path.name for path in tmp_path.iterdir()] == ["mine.html"]


def test_a_damaged_capture_is_written_up_as_far_as_it_can_be_read(capture: Path, tmp_path: Path) -> None:
    data = bytearray(capture.read_bytes())
    third = len(data) // 3
    data[third : third + 3000] = bytes(x ^ 0xFF for x in data[third : third + 3000])
    hurt = tmp_path / "hurt.whichside"
    hurt.write_bytes(data)
    done = report(hurt, "-o", tmp_path / "a.html")
    assert done.returncode == 4, done.stderr
    assert "damaged" in done.stderr
    if (tmp_path / "a.html").exists():
        assert "this is what the rest says" in shown((tmp_path / "a.html").read_text())
