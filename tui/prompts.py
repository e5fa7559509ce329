"""Timed prompts for someone whose hand is on the switch: "switch on", "switch off", with the bell.

The schedule is fixed and known in advance, so that the person finds the rhythm; each prompt puts a mark
into the log at its own moment. People follow within about half a second, which marks allow for.
"""

from __future__ import annotations

from dataclasses import dataclass

READY_S = 4.0
"""Time to get a hand on the switch, s."""

HOLD_S = 3.0
"""How long each state is held, s: a lamp is hot and a motor at speed within one second of it."""

CYCLES = 3
"""How often on and off: two edges of each kind decide, the third confirms."""


@dataclass(frozen=True, slots=True)
class Prompt:
    """From `begins_s` to `ends_s` (s since the start) do this; `mark` goes into the log, "" for none."""

    word: str
    mark: str
    begins_s: float
    ends_s: float
    rings: int  # one for on, two for off: told apart without looking


def _schedule() -> tuple[Prompt, ...]:
    prompts = [Prompt("GET READY", "", 0.0, READY_S, 0)]
    for step in range(2 * CYCLES):
        begins = READY_S + step * HOLD_S
        word, mark, rings = (("SWITCH ON", "on", 1), ("SWITCH OFF", "off", 2))[step % 2]
        prompts.append(Prompt(word, mark, begins, begins + HOLD_S, rings))
    return tuple(prompts)


SCHEDULE = _schedule()
TOTAL_S = SCHEDULE[-1].ends_s


class Prompter:
    """Give it the clock; it tells which prompt stands and whether it is new."""

    def __init__(self) -> None:
        self._began_s: float | None = None
        self._last: Prompt | None = None

    @property
    def running(self) -> bool:
        return self._began_s is not None

    def start(self, now_s: float) -> None:
        self._began_s, self._last = now_s, None

    def stop(self) -> None:
        self._began_s = None

    def poll(self, now_s: float) -> tuple[Prompt | None, bool]:
        """The prompt at `now_s` and whether it just began; (None, False) when none is running."""
        if self._began_s is None:
            return None, False
        elapsed = now_s - self._began_s
        for prompt in SCHEDULE:
            if elapsed < prompt.ends_s:
                new, self._last = prompt is not self._last, prompt
                return prompt, new
        self.stop()
        return None, False

    def left_s(self, prompt: Prompt, now_s: float) -> int:
        """Whole seconds until the next prompt, at least 1."""
        assert self._began_s is not None
        return max(1, round(prompt.ends_s - (now_s - self._began_s) + 0.49))
