"""Errors of the ground floor, split by when they happen.

Every message says what was expected, what came and what to try next, so that the command line can
print it as it is.
"""


class DriverError(Exception):
    """Base of all errors raised by ``drivers``."""


class UnavailableError(DriverError):
    """A driver, a library or an operating-system facility that is needed is not there."""


class SettingsError(DriverError):
    """A driver was given settings that it does not know or cannot use."""


class AddressError(DriverError):
    """The address of a meter cannot be read as one."""


class OpeningError(DriverError):
    """A port or instrument could not be opened: absent, busy, forbidden or refused."""


class OperatingError(DriverError):
    """An open link failed: the cable was pulled, the far end closed, a write was refused."""


class SilentError(DriverError):
    """The link is open, but nothing came within the time allowed."""


class CaptureError(DriverError):
    """A capture file cannot be read as one (wrong kind, other version) or cannot be written."""
