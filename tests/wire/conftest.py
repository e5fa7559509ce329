from __future__ import annotations

from pathlib import Path

import pytest

from tests.session.leaks import no_thread_leaks

__all__ = ["no_thread_leaks"]


@pytest.fixture(autouse=True)
def own_configuration(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing that a test remembers reaches the user's own configuration."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
