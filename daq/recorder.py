"""The recorder of a live run: a capture being written, and a computer that stays awake meanwhile."""

from __future__ import annotations

from pathlib import Path

from daq.capture_name import require_capture_name
from daq.capture_writer import CaptureWriter
from daq.samples import DeviceInfo
from daq.stay_awake import StayAwake


class LiveRecorder(CaptureWriter):
    """What a session opens. Raises as CaptureWriter, and CommandError for a name that does not fit.

    `awake.held` tells whether sleep is held off.
    """

    def __init__(self, path: Path, info: DeviceInfo) -> None:
        require_capture_name(path)
        super().__init__(path, info)
        self.awake = StayAwake()

    def close(self, complete: bool = True) -> None:
        try:
            super().close(complete)
        finally:
            self.awake.end()
