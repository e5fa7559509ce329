"""What `Still` keeps is what the framework would work out anew, whatever has changed."""

from __future__ import annotations

from collections.abc import Callable

from textual.app import App, ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.widgets import Static

from tests.tui.stage import settled
from tui.still import Still


class _Stage(App[None]):
    CSS = """
    #house.told { background: darkgreen; }
    #text.told { color: $warning; text-style: bold; }
    #text.wide { padding: 1 2; }
    """

    def compose(self) -> ComposeResult:
        with Vertical(id="house"):
            yield Still("both leads at source", id="text")
            yield Static("beside it")


async def test_what_is_kept_is_what_would_be_drawn_anew() -> None:
    app = _Stage()
    async with app.run_test(size=(40, 10)) as pilot:
        text, house = app.query_one("#text", Still), app.query_one("#house")
        changes: list[Callable[[], object]] = [
            lambda: text.update("lead 2 fell to 0.1 V"),
            lambda: text.add_class("told"),
            lambda: text.update(Content.styled("lead 2 rose", "bold $error"), layout=False),
            lambda: setattr(app, "theme", "textual-light"),
            lambda: house.add_class("told"),
            lambda: text.add_class("wide"),
            lambda: setattr(text.styles, "height", 5),
        ]
        seen = set()
        for change in changes:
            change()
            await settled(pilot)
            place = text.outer_size.region
            kept = text.render_lines(place)
            assert text.render_lines(place) is kept
            assert kept == Static.render_lines(text, place)
            seen.add(str([list(strip) for strip in kept]))
        await pilot.resize_terminal(30, 10)
        await settled(pilot)
        assert text.render_lines(text.outer_size.region) == Static.render_lines(text, text.outer_size.region)
        assert len(seen) == len(changes)
