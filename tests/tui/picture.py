"""The picture of the dashboard that stands in the README, from the real program on a bench.

python -m tests.tui.picture tui/dashboard.svg
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from daq.bench import BenchSource
from daq.pipeline import Pipeline
from daq.samples import ChangeKind
from daq.session import Session
from tui.app import WhichsideApp
from tui.bench import BenchScreen

CIRCUIT, SEED, SIZE = "pump-relay", 5, (100, 34)
HOLD_S = 1.3


async def _work(app: WhichsideApp, session: Session) -> None:
    """Switch the circuit on and off by hand, marking it, as a user would."""
    for step in range(5):
        app.simulate_key("x")
        session.change(ChangeKind.MARK, ("on", "off")[step % 2])
        await asyncio.sleep(HOLD_S)


async def draw(path: Path) -> None:
    source = BenchSource(CIRCUIT, seed=SEED)
    session = Session(source, Pipeline()).start()
    circuit = source.circuit
    app = WhichsideApp(BenchScreen(session, lambda: path, circuit.controls, circuit.start))
    app.title = f"whichside --bench {CIRCUIT}"
    try:
        async with app.run_test(size=SIZE):
            await asyncio.sleep(HOLD_S)
            await _work(app, session)
            svg = app.export_screenshot(title=app.title)
    finally:
        session.close()
    # Fonts are the reader's own, and no viewer may drop the spaces that big letters begin with.
    svg = svg.replace("<svg ", '<svg xml:space="preserve" ', 1).replace("Fira Code", "monospace")
    path.write_text(svg, "utf-8")


if __name__ == "__main__":
    asyncio.run(draw(Path(sys.argv[1])))
