"""The prose of the pages that are made, with places for what is computed: `{{name}}`."""

from __future__ import annotations

import re
from pathlib import Path


def filled(page: str, **values: str) -> str:
    """The page with every place filled; raises KeyError for a place without a value."""
    text = (Path(__file__).parent / page).read_text()
    return re.sub(r"\{\{(\w+)\}\}", lambda place: values[place[1]], text)
