"""How long a hand waits for the picture of a 10 h capture, beside decoding every sample in view.

    python -m tests.speed.look_back [FILE]

FILE is a capture as `tests.speed.long_capture` makes it; without one it is made first (80 MB, minutes).
First picture: from opening the file to the drawn screen, imports done. Zooms and jumps: from the key to the
screen redrawn, while the analysis runs beside it and when it is over. Each key is pressed on a headless
screen of 120 x 40; median and worst, ms of wall time, and of this thread's own processor time.
The plain alternative, in the same run: columns of the same windows from every sample in them.
Goals: first picture 300 ms, any zoom or jump 50 ms.
"""

from __future__ import annotations

import asyncio
import resource
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from textual.pilot import Pilot

from daq.capture import CaptureSource
from daq.look_back import LookBack
from daq.time_window import TimeWindow
from tests.speed.long_capture import make
from tests.tui.stage import on_stage, text
from tui.entry import _review_screen
from tui.look_back import LookBackScreen

SIZE = (120, 40)
COLUMNS = 194  # of that screen's lanes
WINDOWS_S = (36_000.0, 3600.0, 600.0, 60.0, 10.0, 1.0, 0.02)


def plain_columns(source: CaptureSource, window: TimeWindow) -> None:
    """The alternative: least and greatest of each column from every sample."""
    first, last = source.sample_at(window.begin_s), source.sample_at(window.end_s)
    edges = np.linspace(first, last, COLUMNS + 1).astype(np.int64)
    low, high = np.full((COLUMNS, 2), np.inf), np.full((COLUMNS, 2), -np.inf)
    for block in source.samples(first, last):
        volts = block.layout.scale.volts(block.counts)
        column = np.searchsorted(edges, block.first, "right") - 1
        while column < COLUMNS and edges[column] < block.end:
            part = volts[max(0, edges[column] - block.first) : edges[column + 1] - block.first]
            if len(part):
                low[column] = np.minimum(low[column], part.min(axis=0))
                high[column] = np.maximum(high[column], part.max(axis=0))
            column += 1


def ms(work: Callable[[], object]) -> tuple[float, float]:
    """Wall and thread time."""
    wall, own = time.perf_counter(), time.thread_time()
    work()
    return (time.perf_counter() - wall) * 1e3, (time.thread_time() - own) * 1e3


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


async def pressed(pilot: Pilot[Any], key: str) -> tuple[float, float]:
    """From the key to the screen as the terminal would get it."""
    drawn = asyncio.Event()
    wall, own = time.perf_counter(), time.thread_time()
    pilot.app.simulate_key(key)
    pilot.app.screen.call_after_refresh(drawn.set)
    await drawn.wait()
    pilot.app.screen._compositor.render_strips()
    return (time.perf_counter() - wall) * 1e3, (time.thread_time() - own) * 1e3


JUMPS = ("end", "pageup", "home", "pagedown", "plus", "plus", "plus", "end", "z", "home", "minus", "minus")
ROUND = (*JUMPS, *(["plus"] * 12), "pagedown", "pageup", "a", "right", "left")


async def keys_pressed(pilot: Pilot[Any], name: str) -> None:
    found = [await pressed(pilot, key) for _ in range(3) for key in ROUND]
    wall, own = zip(*found, strict=True)
    print(
        f"  {name:32}{statistics.median(wall):8.1f} median {max(wall):8.1f} worst"
        f"   own {statistics.median(own):.1f} median {max(own):.1f} worst ({len(found)} keys)"
    )


async def on_screen(path: Path) -> None:
    begin, own = time.perf_counter(), time.thread_time()
    screen: LookBackScreen = _review_screen(path, None)
    async with on_stage(screen, SIZE) as pilot:
        wall_ms, own_ms = (time.perf_counter() - begin) * 1e3, (time.thread_time() - own) * 1e3
        assert "all: 0:00" in text(pilot.app)
        print(f"  opened, the application started, on screen {wall_ms:.0f} ms ({own_ms:.0f} own)")
        print(f"  memory so far {peak_mb():.0f} MB")
        while screen.look.progress.findings is None:
            await asyncio.sleep(0.05)
        await keys_pressed(pilot, "zoom or jump, being analysed")
        begun = time.perf_counter()
        while not screen.look.progress.over:
            await asyncio.sleep(0.1)
        print(f"  analysed {time.perf_counter() - begun:.0f} s later, {len(screen.events)} events")
        await keys_pressed(pilot, "zoom or jump, analysed")
        await pressed(pilot, "down")
        events = [await pressed(pilot, "down") for _ in range(20)]
        print(f"  {'next event':32}{statistics.median(w for w, _ in events):8.1f} median")
        print(f"  levels while on {(await pressed(pilot, 'l'))[0]:.0f} ms, memory {peak_mb():.0f} MB at most")


def measured(path: Path) -> None:
    """The picture alone beside the alternative, then all of it on a screen."""
    begin, own = time.perf_counter(), time.thread_time()
    look = LookBack(path)
    look.columns(look.whole, COLUMNS)
    first, first_own = (time.perf_counter() - begin) * 1e3, (time.thread_time() - own) * 1e3
    print(f"{path.name}: {look.whole.whole_s / 3600:.1f} h, {path.stat().st_size / 1e6:.0f} MB")
    print(f"  opened and all of it in columns the first time {first:.1f} ms ({first_own:.1f} own)")
    print(f"  {'window':>10}{'columns, ms':>14}{'own':>8}{'every sample, ms':>18}{'own':>8}")
    for width_s in WINDOWS_S:
        window = look.whole.around(10_000.0, width_s)
        ours = [ms(lambda w=window: look.columns(w, COLUMNS)) for _ in range(5)]  # type: ignore[misc]
        plain = ms(lambda w=window: plain_columns(look.source, w))  # type: ignore[misc]
        wall, own = (statistics.median(column) for column in zip(*ours, strict=True))
        print(f"  {width_s:>8g} s{wall:>14.1f}{own:>8.1f}{plain[0]:>18.1f}{plain[1]:>8.1f}")
    wall, own = ms(lambda: look.measure(1.0, look.whole.whole_s - 1.0))
    print(f"  a span of all of it measured in {wall:.1f} ms ({own:.1f} own)")
    look.close()
    asyncio.run(on_screen(path))


def main() -> None:
    if len(sys.argv) > 1:
        measured(Path(sys.argv[1]))
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.whichside"
        make(path)
        measured(path)


if __name__ == "__main__":
    main()
