"""Colours: a dark and a light theme of our own, and the terminal's own colours.

The leads wear reddish purple and bluish green of the Okabe-Ito set, which colour-blind people can tell
apart; beside the colour there is always the lead's number and its own line style.
"""

from __future__ import annotations

import os
from typing import NamedTuple

from textual.theme import BUILTIN_THEMES, Theme

DARK, LIGHT, TERMINAL = "whichside-dark", "whichside-light", "whichside-terminal"
ORDER = (DARK, LIGHT, TERMINAL)

_PURPLE, _GREEN = "#CC79A7", "#009E73"


class _Paints(NamedTuple):
    lead1: str
    lead2: str
    band: str
    quiet: str
    alarm: str


def _variables(paints: _Paints) -> dict[str, str]:
    return {
        "lead1": paints.lead1,
        "lead2": paints.lead2,
        "band": paints.band,
        "quiet": paints.quiet,
        "alarm": paints.alarm,
    }


def themes() -> tuple[Theme, ...]:
    """Dark, light, and one that uses nothing but what the terminal calls its sixteen colours."""
    return (
        Theme(
            name=DARK,
            primary="#7aa6da",
            foreground="#e6e6e6",
            background="#101214",
            surface="#101214",
            panel="#1d2125",
            dark=True,
            variables=_variables(_Paints(_PURPLE, "#15b98a", "#262c33", "#9aa3ab", "#ffb454")),
        ),
        Theme(
            name=LIGHT,
            primary="#2b5d99",
            foreground="#16181a",
            background="#fbfaf7",
            surface="#fbfaf7",
            panel="#eceae4",
            dark=False,
            variables=_variables(_Paints("#93386b", "#00724f", "#e3e0d8", "#5c6166", "#8a4b00")),
        ),
        Theme(
            name=TERMINAL,
            ansi=True,
            primary="ansi_default",
            foreground="ansi_default",
            background="ansi_default",
            surface="ansi_default",
            panel="ansi_default",
            boost="ansi_default",
            variables={
                **BUILTIN_THEMES["ansi-dark"].variables,
                **_variables(
                    _Paints("ansi_magenta", "ansi_green", "ansi_default", "ansi_default", "ansi_default")
                ),
                "block-cursor-foreground": "ansi_default",
                "block-cursor-background": "ansi_default",
                "block-cursor-text-style": "reverse",
            },
        ),
    )


def without_colour() -> bool:
    """Whether the user asked for no colour (https://no-color.org: NO_COLOR set and not empty)."""
    return bool(os.environ.get("NO_COLOR"))
