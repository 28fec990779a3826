"""A capture as the meter gave it: readings and marks in time order."""

from collections.abc import Iterable, Iterator

from drivers.capture import CaptureReader
from drivers.events import Event, Mark, Received, Sent
from drivers.readings import Decoder, Reading


def replay(reader: CaptureReader) -> Iterator[Reading | Mark]:
    """Feed the bytes of a capture through its driver.

    Args:
        reader: An open capture. What was wrong in it stands in its ``damaged`` and ``warnings``
            once the iterator is at its end.

    Yields:
        Readings and marks in the order of their times.
    """
    return decode(reader, reader.make_decoder())


def decode(events: Iterable[Event], decoder: Decoder) -> Iterator[Reading | Mark]:
    """Feed events to a decoder. Live use goes through here too, so that both give the same.

    Yields:
        The readings that the bytes complete, and the marks as they are.
    """
    for event in events:
        if isinstance(event, Received):
            yield from decoder.feed(event.data, event.t_s)
        elif isinstance(event, Sent):
            decoder.sent(event.data)
        else:
            if event.kind == "link-open":
                decoder.resync(event.t_s)
            yield event
