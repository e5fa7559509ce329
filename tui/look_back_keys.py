"""The keys of the review screen."""

from __future__ import annotations

from tui import keys
from tui.keys import Key

LOOK = (
    Key("left", "move(-1)", "back", "←"),
    Key("right", "move(1)", "on", "→"),
    Key("pageup", "page(-1)", "page", "PgUp"),
    Key("pagedown", "page(1)", "page", "PgDn"),
    Key("home", "end(0)", "begin", "Home"),
    Key("end", "end(1)", "end", "End"),
    Key("plus,equals_sign", "zoom(-1)", "closer", "+"),
    Key("minus", "zoom(1)", "wider", "-"),
    Key("z", "samples", "to the sample"),
    Key("a", "all", "all"),
    Key("up", "step(-1)", "event before", "↑"),
    Key("down", "step(1)", "next", "↓"),
    Key("enter", "to_event", "close up", "Enter"),
    Key("k", "kinds", "kinds"),
    Key("o", "overlay", "overlay"),
    Key("f", "from_here", "from here"),
    Key("l", "levels", "levels on"),
    Key("e", "expect", "expect"),
    Key("p", "play", "play"),
)
COMMON = (*(key for key in keys.COMMON if key.action != "window"),)
