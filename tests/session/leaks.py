"""A test that leaves a thread behind fails."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest

# Textual and asyncio keep pools for the life of the process; the reader of typed lines dies with it.
_STAY = ("asyncio_", "ThreadPoolExecutor", "pytest_timeout")


@pytest.fixture(autouse=True)
def no_thread_leaks() -> Iterator[None]:
    before = set(threading.enumerate())
    yield
    deadline = time.monotonic() + 2.0
    while time.monotonic() < deadline:
        left = [t for t in threading.enumerate() if t not in before and not t.name.startswith(_STAY)]
        if not left:
            return
        time.sleep(0.01)
    pytest.fail(f"threads left behind: {[thread.name for thread in left]}")
