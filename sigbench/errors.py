"""Errors that a person at the bench can act on.

::

    SigbenchError
    ├── SignalError         the samples cannot be measured at all
    ├── FileError           a file cannot be read, or is not what it should be
    ├── RequestError        an option, plan or setting that cannot be carried out
    ├── BenchError          the bench folder, or something in it
    └── InterfaceError      the audio interface
        ├── DeviceNotFound
        └── CaptureFailed

Each message is one sentence that says what happened, to what, and what to do.
An instrument that misbehaves is a reading, an event or a cause, never an exception.
"""


class SigbenchError(Exception):
    """Root of all errors that sigbench raises on purpose."""

    exit_code = 2


class SignalError(SigbenchError):
    """The samples cannot be measured: no frames, or values that are not numbers."""


class FileError(SigbenchError):
    """A file cannot be read, or is not what it should be."""


class RequestError(SigbenchError):
    """An option, plan or setting that cannot be carried out."""


class BenchError(SigbenchError):
    """The bench folder, or something in it, is missing or damaged."""


class InterfaceError(SigbenchError):
    """The audio interface did not do its part."""

    exit_code = 3


class DeviceNotFound(InterfaceError):
    """No audio device matches the one asked for."""


class CaptureFailed(InterfaceError):
    """Playing or recording stopped before the take was whole."""
