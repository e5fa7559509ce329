"""Options and the two kinds of tests: the short run, and campaigns that need --long."""

from __future__ import annotations

import pytest
from hypothesis import settings

# No test hangs on time: a loaded machine is slow, and right.
settings.register_profile("whichside", deadline=None)
settings.load_profile("whichside")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="run the campaigns too (minutes to hours)")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Campaigns are left out of the short run, not skipped in it: each has a short slice beside it."""
    if config.getoption("--long"):
        return
    long = [item for item in items if item.get_closest_marker("long")]
    config.hook.pytest_deselected(items=long)
    items[:] = [item for item in items if item not in long]
