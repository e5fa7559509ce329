"""`python -m daq` is the same as `whichside`."""

import sys

from daq.cli import main

if __name__ == "__main__":
    sys.exit(main())
