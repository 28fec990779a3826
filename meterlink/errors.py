"""Errors meant for the person at the keyboard.

Each message says what was expected, what came and what to try. ``exit_code`` follows the contract
of the commands: 1 the work could not be done, 2 wrong usage.
"""


class MeterlinkError(Exception):
    """Base of all errors raised by ``meterlink``."""

    exit_code = 1


class UsageError(MeterlinkError):
    """The command was asked for something that makes no sense: unknown name, missing lead."""

    exit_code = 2


class JobError(MeterlinkError):
    """A job folder or its ``job.toml`` is missing, unreadable or contradicts itself."""


class LogError(MeterlinkError):
    """A test log cannot be read, written or locked."""


class LabError(MeterlinkError):
    """Trials cannot be evaluated as asked: too few, not connected, or a library is missing."""
