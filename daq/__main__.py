"""Where `whichside` and `python -m daq` begin. Nothing is imported before Ctrl-C ends it in silence."""

import sys


def main() -> int:
    """Run the command line; returns its exit code."""
    try:
        from daq.cli import main as run

        return run()
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(main())
