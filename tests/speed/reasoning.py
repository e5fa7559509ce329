"""How long an answer takes after start-up, beside plain Monte Carlo with as many draws for every explanation.

python -m tests.speed.reasoning
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

from daq.circuit import Circuits
from daq.diagnosis import DRAWS, first_look
from daq.explained import circuits
from daq.hypotheses import hypotheses
from daq.knowledge import shipped
from daq.likelihood import scored
from daq.readings import Reading, parse_all
from daq.reasoning import reason
from daq.unknowns import unaimed

TIMES = 5
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
    scored(made, given, shipped().reading)
    return made


def processor_ms(work: Callable[[], object]) -> float:
    begin = time.process_time()
    work()
    return 1000 * (time.process_time() - begin)


def first(given: list[Reading]) -> Callable[[], object]:
    """The first answer after start-up: nothing is known of these readings yet."""
    first_look.cache_clear()
    return lambda: reason(given)


def again(given: list[Reading]) -> Callable[[], object]:
    """The last reading has come anew; the others were answered before."""
    first_look.cache_clear()
    reason(given[:-1])
    return lambda: reason(given)


def best(work: Callable[[], Callable[[], object]]) -> float:
    return min(processor_ms(work()) for _ in range(TIMES))


def main() -> None:
    reason(parse_all(["source 12.6"]))
    print(
        f"{'set':12} {'first':>8} {'again':>8} {'plain Monte Carlo':>18}   (processor time, best of {TIMES})"
    )
    for name, texts in SETS.items():
        given = parse_all(texts)
        times = [
            best(partial(first, given)),
            best(partial(again, given)),
            best(partial(partial, plainly, given)),
        ]
        print(f"{name:12} {times[0]:5.0f} ms {times[1]:5.0f} ms {times[2]:15.0f} ms")


if __name__ == "__main__":
    main()
