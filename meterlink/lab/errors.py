"""Errors of the test lab."""

from meterlink.errors import MeterlinkError


class LabError(MeterlinkError):
    """Trials cannot be evaluated as asked: too few, not balanced, or a library is missing."""
