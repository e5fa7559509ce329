"""The rotating log file that unexpected errors are written to. Nothing is ever sent anywhere."""

from __future__ import annotations

import logging
import logging.handlers
from pathlib import Path

import platformdirs

SIZE_BYTES = 500_000
KEPT = 3


def log_path() -> Path:
    return Path(platformdirs.user_log_dir("whichside", appauthor=False)) / "whichside.log"


def start_log() -> logging.Logger:
    """The program's logger, writing to the log file; silent when the file cannot be written."""
    logger = logging.getLogger("daq")
    if logger.handlers:
        return logger
    try:
        log_path().parent.mkdir(parents=True, exist_ok=True)
        handler: logging.Handler = logging.handlers.RotatingFileHandler(
            log_path(), maxBytes=SIZE_BYTES, backupCount=KEPT, encoding="utf-8"
        )
    except OSError:
        handler = logging.NullHandler()
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    logger.addHandler(handler)
    logger.setLevel(logging.INFO)
    return logger


def where_details_are() -> str:
    """What to tell after something unexpected was logged."""
    if any(isinstance(handler, logging.FileHandler) for handler in start_log().handlers):
        return f"the details are in {log_path()}"
    return f"no log could be written to {log_path()}"
