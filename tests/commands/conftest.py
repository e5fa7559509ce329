"""What the tests of commands share with those of captures."""

from __future__ import annotations

from tests.capture.conftest import whole

__all__ = ["whole"]
