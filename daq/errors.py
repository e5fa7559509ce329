"""Everything that can go wrong, as one tree; each carries the exit code the command line uses.

    WhichsideError
    ├── WorkError        1  the work could not be done: disk full, output exists, no rights, newer version
    │   └── OtherVersionError  a logger whose firmware speaks another version of the protocol
    ├── CommandError     2  the command line or a hand reading is wrong
    ├── DeviceError      3  the logger is absent, or gone at the end
    │   └── OtherLoggerError   another one answers than the recording began with
    └── InputError       4  the input cannot be used, or only in part

The message is one sentence that says what happened and what to do next. Loss of samples is never an
exception: it is data (see `samples.Gap`).
"""


class WhichsideError(Exception):
    """Base of every expected failure; `str(error)` is fit to be shown to the user as it stands."""

    exit_code = 1


class WorkError(WhichsideError):
    """The work could not be done although the input was right."""

    exit_code = 1


class OtherVersionError(WorkError):
    """A logger whose firmware speaks another version of the protocol."""


class CommandError(WhichsideError):
    """What was asked for is not possible: a wrong option, name or reading."""

    exit_code = 2


class DeviceError(WhichsideError):
    """No logger, the wrong one, or it went away and did not come back."""

    exit_code = 3


class OtherLoggerError(DeviceError):
    """Another logger than before, or one that nothing tells from another."""


class InputError(WhichsideError):
    """A file or stream that cannot be used, or only in part."""

    exit_code = 4
