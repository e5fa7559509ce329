"""Tests of the capture file leave no thread and no open capture behind."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.capture import write_capture
from tests.capture.broken import Content
from tests.capture.logs import INFO, memory_folder, small
from tests.session.leaks import no_thread_leaks

__all__ = ["no_thread_leaks"]

DESCRIPTORS = Path("/proc/self/fd")


def open_captures() -> list[str]:
    if not DESCRIPTORS.exists():
        return []
    links = [link for link in DESCRIPTORS.iterdir() if link.is_symlink()]
    return [target for link in links if ".whichside" in (target := str(link.readlink()))]


@pytest.fixture(autouse=True)
def no_open_captures() -> Iterator[None]:
    yield
    assert open_captures() == []


@pytest.fixture(scope="session")
def whole() -> bytes:
    """A sound capture of `small()`, to be broken."""
    with memory_folder() as folder:
        path = Path(folder) / "whole.whichside"
        write_capture(path, small(), INFO)
        return Content(path.read_bytes())
