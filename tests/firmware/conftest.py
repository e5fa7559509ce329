from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.firmware.host_core import HostCore
from tests.session.leaks import no_thread_leaks

__all__ = ["no_thread_leaks"]


@pytest.fixture
def core() -> Iterator[HostCore]:
    """A core with a blank EEPROM, freshly booted."""
    with HostCore() as core:
        core.boot()
        yield core
