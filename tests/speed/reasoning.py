"""How long an answer takes after start-up, beside plain Monte Carlo with as many draws for every explanation.

python -m tests.speed.reasoning
"""

from __future__ import annotations

import time
from collections.abc import Callable

from daq.circuit import Circuits
from daq.diagnosis import DRAWS
from daq.hypotheses import circuits, hypotheses
from daq.knowledge import shipped
from daq.likelihood import Scorer
from daq.readings import Reading, parse_all
from daq.reasoning import reason
from daq.unknowns import unaimed

SETS = {
    "healthy": ["in off 12.6 12.6", "in on 12.5 0.1"],
    "no current": ["in off 12.6 12.6", "in on 12.6 12.6", "out off 12.6 0"],
    "nothing": ["in off 0 0", "in on 0 0"],
    "bad feed": ["source 12.6", "in off 0 0", "in on 8.93 0.07"],
}


def plainly(given: list[Reading]) -> Circuits:
    """Every explanation with DRAWS draws from the prior, scored; no next test."""
    everything = hypotheses(shipped())
    made = circuits(everything, unaimed(shipped(), DRAWS, None), shipped())
    Scorer(made, given, shipped().reading)
    return made


def processor_ms(work: Callable[[], object]) -> float:
    begin = time.process_time()
    work()
    return 1000 * (time.process_time() - begin)


def main() -> None:
    reason(parse_all(["source 12.6"]))
    print(f"{'set':12} {'answer':>10} {'plain Monte Carlo':>18}   (processor time, best of 3)")
    for name, texts in SETS.items():
        given = parse_all(texts)
        ours = min(processor_ms(lambda g=given: reason(g)) for _ in range(3))  # type: ignore[misc]
        plain = min(processor_ms(lambda g=given: plainly(g)) for _ in range(3))  # type: ignore[misc]
        print(f"{name:12} {ours:7.0f} ms {plain:15.0f} ms")


if __name__ == "__main__":
    main()
