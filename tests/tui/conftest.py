from tests.session.leaks import no_thread_leaks

__all__ = ["no_thread_leaks"]
