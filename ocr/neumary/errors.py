"""Errors for people, and the exit codes they lead to.

Every foreseeable failure is a `NeumaryError`: it says what was seen, where,
and what to do next. One place (`neumary.cli`) turns them into exit codes.
"""

from __future__ import annotations

from enum import IntEnum


class ExitCode(IntEnum):
    """Exit codes of the command line; documented in the README and stable."""

    OK = 0
    SOME_FAILED = 1
    USAGE = 2
    NO_INPUT = 3
    MODEL = 4
    OUTPUT = 5
    INTERRUPTED = 130


class NeumaryError(Exception):
    """Base of all errors a user can meet.

    Parameters
    ----------
    seen : str
        What was seen, and where (file, page, staff).
    advice : str
        What to do next, in the imperative.
    """

    code: ExitCode = ExitCode.SOME_FAILED

    def __init__(self, seen: str, advice: str = "") -> None:
        self.seen = seen
        self.advice = advice
        super().__init__(f"{seen} {advice}".strip())

    def __reduce__(self) -> tuple[type[NeumaryError], tuple[str, str]]:
        """Survive the trip from a worker process."""
        return (type(self), (self.seen, self.advice))


class ScanError(NeumaryError):
    """The input is no picture that can be read: missing, damaged, wrong type, too large."""

    code = ExitCode.NO_INPUT


class UsageError(NeumaryError):
    """The command was called with words or settings that make no sense together."""

    code = ExitCode.USAGE


class ModelError(NeumaryError):
    """A model is missing, altered, or not the one named."""

    code = ExitCode.MODEL


class OutputError(NeumaryError):
    """A result could not be written."""

    code = ExitCode.OUTPUT


class StoreError(NeumaryError):
    """A stored page cannot be read back: damaged, or written by a newer version."""

    code = ExitCode.SOME_FAILED
