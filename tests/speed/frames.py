"""Cost of a frame of the traces: ours beside a plain alternative, in the same run.

    python tests/speed/frames.py

Ours: the line-API widget, swept, repainting what differs. Plain: a rich Text rebuilt for every frame, a
style for every cell, scrolled, shown by a Static. Both read the same ring and draw the same braille, so
what differs is the way to the terminal. Printed: median and 95th percentile of the time from snapshot to
escape sequences (ms), and bytes to the terminal, per frame.
"""

from __future__ import annotations

import asyncio
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from rich.text import Text
from textual._compositor import ChopsUpdate, LayoutUpdate
from textual.app import ComposeResult
from textual.screen import Screen
from textual.widget import Widget
from textual.widgets import Static

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from daq.samples import Block  # noqa: E402
from daq.snapshot import Snapshot  # noqa: E402
from daq.trace import TraceRing  # noqa: E402
from tests.tui.scenes import LAYOUT, RATE_HZ, counts, snapshot  # noqa: E402
from tui.app import WhichsideApp  # noqa: E402
from tui.dashboard import FRAME_S  # noqa: E402
from tui.lane import DOTS_PER_CELL, draw, make_axis  # noqa: E402
from tui.trace_view import GUTTER, TraceView  # noqa: E402

SIZES = ((80, 24), (120, 40), (200, 60))
FRAMES = 150
WINDOW_S = 10.0


def calm(t: np.ndarray) -> np.ndarray:
    """Both leads at source, 20 mV of noise."""
    noise = np.random.default_rng(1).normal(0, 0.02, (2, len(t)))
    return counts(12.6 + noise[0], 12.58 + noise[1])


def pulsed(t: np.ndarray) -> np.ndarray:
    """Lead 2 pulsed at 100 Hz: every column spans the lane."""
    noise = np.random.default_rng(1).normal(0, 0.02, (2, len(t)))
    return counts(12.6 + noise[0], np.where((t * 100) % 1 < 0.35, 0.1, 12.58) + noise[1])


class PlainTrace(Static):
    """The named alternative."""

    def __init__(self, ring: TraceRing) -> None:
        super().__init__()
        self.ring = ring

    def show(self, now: Snapshot) -> None:
        cells, rows = self.size.width - GUTTER, self.size.height // 2
        dots = cells * DOTS_PER_CELL
        bins = max(1, round(WINDOW_S * 1000 / dots))
        last = -(-self.ring.bins // bins)
        found = self.ring.columns(max(0, last - dots), last, bins)
        text = Text()
        for lead, colour in enumerate(("#CC79A7", "#15b98a")):
            axis = make_axis(now.bands, rows, 14.0)
            codes = np.roll(draw(found, lead, axis, cells, False), -(last // DOTS_PER_CELL % cells), axis=1)
            for y, band in enumerate(axis.row_bands):
                text.append(f"lead {lead + 1}".ljust(GUTTER), colour)
                for code in codes[y]:
                    text.append(chr(int(code)), f"bold {colour} on #262c33" if band else f"bold {colour}")
                text.append("\n")
        self.update(text)


class _Frame(Screen[None]):
    def __init__(self, view: Widget) -> None:
        super().__init__()
        self.view = view
        self.view.styles.height = "1fr"

    def compose(self) -> ComposeResult:
        yield self.view


async def measure(
    size: tuple[int, int], signal: Callable[[np.ndarray], np.ndarray], plain: bool
) -> tuple[float, float, float]:
    """Median and 95th percentile in ms, and mean bytes, over FRAMES frames."""
    step = int(RATE_HZ * FRAME_S)
    samples = signal(np.arange(int(12 * RATE_HZ) + FRAMES * step) / RATE_HZ)
    ring, now, at = TraceRing(), snapshot(), int(12 * RATE_HZ)
    ring.push(Block(0, samples[:at], LAYOUT))
    view = PlainTrace(ring) if plain else TraceView(lambda read: read(ring))
    screen, times, sent = _Frame(view), list[float](), list[int]()
    app = WhichsideApp(screen)
    async with app.run_test(size=size) as pilot:
        view.show(now)
        await pilot.pause()
        for _ in range(FRAMES):
            ring.push(Block(at, samples[at : at + step], LAYOUT))
            at += step
            begin = time.perf_counter()
            view.show(now)
            screen._compositor.update_widgets({view})
            update = screen._compositor.render_update(screen_stack=app._background_screens)
            written = ""  # unless something differs
            if isinstance(update, ChopsUpdate | LayoutUpdate):
                written = update.render_segments(app.console)
            times.append((time.perf_counter() - begin) * 1000)
            sent.append(len(written.encode()))
            await asyncio.sleep(0)
    ordered = sorted(times)
    return statistics.median(ordered), ordered[int(0.95 * len(ordered))], statistics.mean(sent)


def main() -> None:
    columns = f"{'p95':>6} {'bytes':>7}"
    print(f"{'size':8} {'signal':7} {'ours ms':>8} {columns}   {'plain ms':>8} {columns}")
    for size in SIZES:
        for signal in (calm, pulsed):
            ours = asyncio.run(measure(size, signal, plain=False))
            plain = asyncio.run(measure(size, signal, plain=True))
            print(
                f"{size[0]}x{size[1]:<4} {signal.__name__:7} {ours[0]:8.2f} {ours[1]:6.2f} {ours[2]:7.0f}   "
                f"{plain[0]:8.2f} {plain[1]:6.2f} {plain[2]:7.0f}"
            )


if __name__ == "__main__":
    main()
