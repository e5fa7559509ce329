"""The trace widget: only what differs is repainted, the pen sweeps, low rates and gaps are drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from textual.app import ComposeResult
from textual.geometry import Region
from textual.screen import Screen

from daq.samples import Block, Gap, GapReason, Layout
from daq.snapshot import Bands, StateWord
from daq.trace import TraceRing
from tests.tui.scenes import LAYOUT, SCALE, counts, snapshot, switched
from tests.tui.stage import lines, on_stage
from tui import themes
from tui.trace_view import GUTTER, TraceView


class _Frame(Screen[None]):
    def __init__(self, ring: TraceRing) -> None:
        super().__init__()
        self.view = TraceView(lambda read: read(ring))
        self.view.styles.height = "1fr"

    def compose(self) -> ComposeResult:
        yield self.view


def _ring(blocks: list[Block]) -> TraceRing:
    ring = TraceRing()
    for block in blocks:
        ring.push(block)
    return ring


def _traces(frame: _Frame) -> list[str]:
    return [line[GUTTER:] for line in lines(frame.app)]


async def test_both_lanes_show_number_volts_word_and_line_style() -> None:
    frame = _Frame(_ring(switched(4.0)))
    async with on_stage(frame, (80, 8)) as pilot:
        frame.view.show(snapshot(), ("feed", "control wire"))
        await pilot.pause()
        left = [line[:GUTTER].rstrip("▕ ") for line in lines(pilot.app)]
    assert left == [
        "━━ LEAD 1       source",
        "12.61 V ±0.03",
        "AT SOURCE",
        "feed               0 V",
        "╍╍ LEAD 2       source",
        "12.58 V ±0.03",
        "AT SOURCE",
        "control wire       0 V",
    ]


async def test_a_moving_lead_shows_from_where_to_where() -> None:
    frame = _Frame(_ring(switched(4.0, on_hz=100.0)))
    moving = replace(snapshot().leads[1], volts=3.0, word=StateWord.CHANGING)
    async with on_stage(frame, (80, 8)) as pilot:
        frame.view.show(replace(snapshot(), leads=(snapshot().leads[0], moving)))
        await pilot.pause()
        assert lines(pilot.app)[5].startswith("0.1 to 12.6 V  ")
        assert lines(pilot.app)[6].startswith("CHANGING  ")


async def test_a_frame_repaints_the_pen_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    blocks = switched(8.0)
    ring = _ring(blocks[:875])  # 7.0 s
    frame = _Frame(ring)
    async with on_stage(frame, (80, 8)) as pilot:
        frame.view.show(snapshot())
        await pilot.pause()
        before = _traces(frame)
        painted: list[Region] = []
        real = frame.view.refresh

        def refresh(*regions: Region, **options: bool) -> TraceView:
            painted.extend(regions)
            return real(*regions, **options)

        monkeypatch.setattr(frame.view, "refresh", refresh)
        frame.view.show(snapshot())
        assert painted == [], "nothing new, nothing painted"
        for block in blocks[875:935]:
            ring.push(block)
        frame.view.show(snapshot())
        await pilot.pause()
        after = _traces(frame)
    assert painted
    assert sum(region.area for region in painted) <= 8 * 6
    differ = {x for a, b in zip(before, after, strict=True) for x in range(len(a)) if a[x] != b[x]}
    told = {x - GUTTER for region in painted for x in range(region.x, region.right)}
    assert differ
    assert differ <= told


async def test_another_theme_paints_it_anew() -> None:
    frame = _Frame(_ring(switched(4.0)))
    async with on_stage(frame, (80, 8), themes.DARK) as pilot:
        frame.view.show(snapshot())
        await pilot.pause()
        dark = [segment.style for segment in frame.view.render_line(0)]
        pilot.app.theme = themes.LIGHT
        await pilot.pause()
        light = [segment.style for segment in frame.view.render_line(0)]
    assert all(a != b for a, b in zip(dark, light, strict=True))


@pytest.mark.parametrize("spike_at", [3, 1234, 7999])
@pytest.mark.parametrize("window_s", [1.0, 10.0, 60.0])
async def test_one_sample_of_a_quarter_millisecond_is_seen_at_any_width(
    spike_at: int, window_s: float
) -> None:
    flat = counts(np.full(8000, 12.6), np.full(8000, 0.1))
    flat[spike_at, 1] = int((12.4 + 8) / 0.0469)
    if window_s == 1.0:
        flat = np.roll(flat, 7990 - spike_at, axis=0)  # into the last second
    frame = _Frame(_ring([Block(0, flat, LAYOUT)]))
    async with on_stage(frame, (80, 8)) as pilot:
        frame.view.window_s = window_s
        frame.view.show(snapshot())
        await pilot.pause()
        lane = _traces(frame)[4:]
    assert sum(cell not in "⠀ " for cell in lane[0]) == 1, "at source, once"
    assert any(cell not in "⠀ " for cell in lane[1]), "on its way there"


async def test_low_rates_fill_the_width_and_lost_time_is_hatched() -> None:
    layout = Layout(50.0, SCALE)
    volts = counts(np.full(200, 12.6), np.full(200, 0.1))
    ring = _ring([Block(0, volts, layout)])
    ring.push(Gap(200, 0.3, 0.0, 15, GapReason.OVERFLOW))
    ring.push(Block(200, volts[:10], layout))
    frame = _Frame(ring)
    async with on_stage(frame, (80, 8)) as pilot:
        frame.view.window_s = 1.0
        frame.view.show(snapshot())
        await pilot.pause()
        lane = _traces(frame)[0]
    assert sum(cell not in "⠀ ▒" for cell in lane) > 30
    assert 10 <= lane.count("▒") <= 20


async def test_the_axis_follows_the_source_only_when_it_moves() -> None:
    frame = _Frame(_ring(switched(2.0)))
    async with on_stage(frame, (80, 8)):
        now = snapshot()
        frame.view.show(now)
        kept = frame.view._bands
        near = Bands(now.bands.near_zero_v, (11.95, 13.25))
        frame.view.show(replace(now, bands=near))
        assert frame.view._bands is kept
        far = Bands(now.bands.near_zero_v, (12.9, 14.9))
        frame.view.show(replace(now, bands=far))
        assert frame.view._bands is far


async def test_it_survives_any_size() -> None:
    frame = _Frame(_ring(switched(2.0)))
    async with on_stage(frame, (80, 24)) as pilot:
        for size in ((30, 6), (24, 3), (10, 2), (200, 60)):
            await pilot.resize_terminal(*size)
            frame.view.show(snapshot(), ("feed", "control wire"))
            await pilot.pause()
            assert len(lines(pilot.app)) == size[1]
