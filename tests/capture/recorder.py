"""A recorder to be killed: records `endless(seed)` as fast as it can and says what is on the disk.

    python -m tests.capture.recorder FILE SEED [--pause S] [--largest BYTES]

Its clock moves 10 ms an item, so that a second of the log goes by in far less.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from pathlib import Path

from daq.errors import WorkError
from tests.capture.hasty import HastyWriter
from tests.capture.logs import endless


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("path", type=Path)
    parser.add_argument("seed", type=int)
    parser.add_argument("--pause", type=float, default=0.0)
    parser.add_argument("--largest", type=int)
    options = parser.parse_args()
    if options.largest:
        resource.setrlimit(resource.RLIMIT_FSIZE, (options.largest, options.largest))
    try:
        writer = HastyWriter(options.path)
        saved = -1
        for item in endless(options.seed):
            time.sleep(options.pause)
            writer.append(item)
            if writer.saved_end != saved:
                saved = writer.saved_end
                print(saved, flush=True)
    except WorkError as error:
        print(error, flush=True)
        sys.exit(error.exit_code)


if __name__ == "__main__":
    main()
