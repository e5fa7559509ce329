"""What the walk asks for in a word: how a test light looks, what the load itself does."""

from __future__ import annotations

from daq.readings import Lamp, Reading, What, Working
from daq.reason_words import FEED_ALONE, LOOK
from tui.panels import Part


def to_be_said(what: What) -> tuple[Part, ...]:
    """The instruction, and which key says what."""
    if isinstance(what, Lamp):
        do = f"Hold a test light from battery {what.pole} to lead {what.lead}'s pin."
        return ((do, "bold"), " How does it look? l lit, m dim, k dark; s: no light at hand.")
    do = f"{LOOK}."
    if isinstance(what, Working) and what.alone:
        do = f"{FEED_ALONE}; then take them off. What does it do?"
    return ((do[0].upper() + do[1:], "bold"), " l it works, m weak (dim, slow), k dead; s: nobody can tell.")


def word_wanted(wanted: Reading | None) -> str:
    """Why Enter does nothing here."""
    if wanted is not None and isinstance(wanted.what, Working):
        return "say what the load does: l it works, m weak, k dead; s where nobody can tell"
    return "say how the light looks: l lit, m dim, k dark; s where there is no light at hand"


def at_the_bench(load: str) -> tuple[Part, ...]:
    """What there is to see or hear; nothing for "", where nobody looks."""
    return (f" At this bench it {'works' if load == 'works' else f'is {load}'}.",) if load else ()
