from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.session.leaks import no_thread_leaks
from tests.wire.pty_logger import PtyLogger

__all__ = ["no_thread_leaks"]


@pytest.fixture(autouse=True)
def own_configuration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing that a test remembers reaches the user's own configuration."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))


@pytest.fixture
def plugged(tmp_path: Path) -> Iterator[PtyLogger]:
    with PtyLogger(tmp_path) as logger:
        yield logger
