"""Captures: reader, writer and what they hold, under one name."""

from drivers.capture_reader import CaptureReader, Damage
from drivers.capture_writer import CaptureWriter
from drivers.events import Event, Header, Mark, Received, Sent

__all__ = [
    "CaptureReader",
    "CaptureWriter",
    "Damage",
    "Event",
    "Header",
    "Mark",
    "Received",
    "Sent",
]
