"""No test of the look-back leaves a thread or an open capture behind."""

from tests.capture.conftest import no_open_captures
from tests.session.leaks import no_thread_leaks

__all__ = ["no_open_captures", "no_thread_leaks"]
