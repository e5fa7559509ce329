"""Still: text that is worked out again only when it has changed.

With every frame the framework asks all widgets of a screen for their lines, however small the place that
changed; finding that nothing has takes longer than drawing the trace.
"""

from __future__ import annotations

from typing import Self

from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widgets import Static


class Still(Static):
    """A `Static` that keeps its lines until it is refreshed, resized, or styled anew."""

    _kept: tuple[Region, Size, list[Strip]] | None = None

    def render_lines(self, crop: Region) -> list[Strip]:
        kept = self._kept
        if kept is None or kept[0] != crop or kept[1] != self.size:
            self._kept = kept = crop, self.size, super().render_lines(crop)
        return kept[2]

    def refresh(
        self, *regions: Region, repaint: bool = True, layout: bool = False, recompose: bool = False
    ) -> Self:
        self._kept = None
        return super().refresh(*regions, repaint=repaint, layout=layout, recompose=recompose)

    def notify_style_update(self) -> None:
        self._kept = None
        super().notify_style_update()
