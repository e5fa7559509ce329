"""What the walk asks for in a word: how a test light looks, what the load itself does."""

from __future__ import annotations

from daq.readings import Lamp, Reading, What, Working
from daq.reason_words import FEED_ALONE, LOOK
from tui.panels import Part


def is_fed_alone(wanted: Reading | None) -> bool:
    """Whether the load is fed straight from the battery for this reading."""
    return wanted is not None and isinstance(wanted.what, Working) and wanted.what.alone


def to_be_said(what: What) -> tuple[Part, ...]:
    """The instruction, and which key says what."""
    if isinstance(what, Lamp):
        do = f"Hold a test light from battery {what.pole} to lead {what.lead}'s pin."
        return ((do, "bold"), " How does it look? l lit, m dim, k dark; s: no light at hand.")
    do, passed = f"{LOOK}.", "nobody can tell"
    if isinstance(what, Working) and what.alone:
        do, passed = f"{FEED_ALONE}; then take them off. What does it do?", "that cannot be done"
    return ((do[0].upper() + do[1:], "bold"), f" l it works, m weak (dim, slow), k dead; s: {passed}.")


def word_wanted(wanted: Reading | None) -> str:
    """Why Enter does nothing here."""
    if wanted is not None and isinstance(wanted.what, Working):
        passed = "where that cannot be done" if is_fed_alone(wanted) else "where nobody can tell"
        return f"say what the load does: l it works, m weak, k dead; s {passed}"
    return "say how the light looks: l lit, m dim, k dark; s where there is no light at hand"


def at_the_bench(load: str) -> tuple[Part, ...]:
    """What there is to see or hear; nothing for "", where nobody looks."""
    return (f" At this bench it {'works' if load == 'works' else f'is {load}'}.",) if load else ()
