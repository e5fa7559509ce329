"""A survey on other computers: the workers of a dask.distributed scheduler that is running already.

Needs distributed, the optional extra `cluster`; it is imported here alone. Workers need whichside of the
same analysis version, and must find the files under the same names (a shared drive).
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager

from daq.errors import WorkError
from daq.findings import ANALYSIS_VERSION

PATIENCE_S = 10  # for a scheduler to answer


class Cluster:
    """A connection to a scheduler; raises WorkError where none answers or its workers cannot do the work."""

    def __init__(self, address: str) -> None:
        try:
            from distributed import Client
        except ImportError:
            raise WorkError(
                "A scheduler needs the package distributed: run  .venv/bin/pip install '.[cluster]'  where "
                "whichside was installed from (on Windows .venv\\Scripts\\pip), or leave --scheduler out."
            ) from None
        try:
            self._client = Client(address, timeout=PATIENCE_S, set_as_default=False)
        except (OSError, ValueError) as error:
            raise WorkError(f"No dask scheduler answers at {address}: check the address.") from error
        try:
            self.workers = self._workers(address)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        self._client.close()

    @contextmanager
    def executor(self) -> Iterator[Executor]:
        """An executor on the workers."""
        executor: Executor = self._client.get_executor(retries=0)
        try:
            yield executor
        finally:
            executor.shutdown(wait=False)

    def _workers(self, address: str) -> int:
        """Tasks that run at a time; every worker is asked for its analysis version."""
        threads = self._client.nthreads()
        if not threads:
            raise WorkError(f"The scheduler at {address} has no workers: start some (dask worker {address}).")
        try:
            versions = set(self._client.run(analysis_version, on_error="return").values())
        except Exception as error:
            raise WorkError(f"The workers at {address} do not answer ({error}): look at them.") from error
        if versions != {ANALYSIS_VERSION}:
            raise WorkError(
                f"Not every worker at {address} has this whichside (analysis version {ANALYSIS_VERSION}): "
                "install the same one there."
            )
        return int(sum(threads.values()))


def analysis_version() -> int:
    """What a worker's own whichside says."""
    from daq import findings

    return findings.ANALYSIS_VERSION
