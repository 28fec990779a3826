"""A live meter's thread: asking, losing the link, finding it again. The links are the test's."""

import threading
from collections.abc import Callable

import pytest

from drivers import address
from drivers import meter as meter_module
from drivers.address import Address, Finder, Link, parse_address
from drivers.errors import OpeningError, OperatingError
from drivers.meter import ANSWER_WITHIN_S, Listening, Meter
from drivers.readings import Event, Mark, Received, Sent
from drivers.simulated_bytes import segment_frame

WITHIN_S = 5.0  # of the wall clock; only a failure takes so long


class PlayedLink:
    """Gives prepared chunks, one a read; an error in place of a chunk is raised."""

    def __init__(self, *chunks: bytes | OperatingError) -> None:
        self.chunks = list(chunks)
        self.sent: list[bytes] = []
        self.closed = False
        self.empty = threading.Event()

    def read(self, timeout_s: float) -> bytes:
        if not self.chunks:
            self.empty.set()
            return b""
        chunk = self.chunks.pop(0)
        if isinstance(chunk, OperatingError):
            raise chunk
        return chunk

    def write(self, data: bytes) -> None:
        self.sent.append(data)

    def close(self) -> None:
        self.closed = True


class Ports:
    """What ``open_link`` finds, one after another: a link, or an error."""

    def __init__(self, *links: PlayedLink | OpeningError) -> None:
        self.links = list(links)
        self.opened: list[Address] = []

    def open(self, address: Address) -> Link:
        self.opened.append(address)
        link = self.links.pop(0)
        if isinstance(link, OpeningError):
            raise link
        return link


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Callable[..., list[Event]]:
    """Run a meter on played ports until the last link has nothing more to give."""

    def run_meter(ports: Ports, **options: object) -> list[Event]:
        monkeypatch.setattr(meter_module, "open_link", ports.open)
        monkeypatch.setattr(meter_module, "_REOPEN_EVERY_S", 0.0)
        last = ports.links[-1]
        assert isinstance(last, PlayedLink)
        events: list[Event] = []
        address = parse_address("lines:COM1")
        meter = Meter(address, events.append, lambda: 1.0, **options)
        meter.start()
        assert last.empty.wait(WITHIN_S)
        meter.stop()
        return events

    return run_meter


def test_bytes_become_events_as_they_come(run: Callable[..., list[Event]]) -> None:
    link = PlayedLink(b"1.5 m", b"V\r\n")
    assert run(Ports(link)) == [
        Mark(1.0, "link-open", "lines:COM1,9600,8N1"),
        Received(1.0, b"1.5 m"),
        Received(1.0, b"V\r\n"),
    ]
    assert link.closed


def test_a_lost_link_is_opened_again_until_it_is_there(run: Callable[..., list[Event]]) -> None:
    first = PlayedLink(b"1", OperatingError("COM1 is gone."))
    ports = Ports(first, OpeningError("not there"), OpeningError("in use"), PlayedLink(b"2"))
    events = run(ports)
    assert [event.kind for event in events if isinstance(event, Mark)] == [
        "link-open",
        "link-lost",
        "link-open",
    ]
    assert [event.data for event in events if isinstance(event, Received)] == [b"1", b"2"]
    assert first.closed
    assert len(ports.opened) == 4


def test_a_defect_in_the_thread_is_told_and_not_the_end(run: Callable[..., list[Event]]) -> None:
    class Defective(PlayedLink):
        def read(self, timeout_s: float) -> bytes:
            raise KeyError("x")

    events = run(Ports(Defective(), PlayedLink(b"2")))
    [lost] = [event for event in events if isinstance(event, Mark) and event.kind == "link-lost"]
    assert "defect of this program: KeyError" in lost.text
    assert events[-1] == Received(1.0, b"2")


def test_a_defect_while_the_port_is_looked_for_is_told_and_not_the_end(
    run: Callable[..., list[Event]],
) -> None:
    class Defective(Finder):
        tries = 0

        def current(self) -> Address:
            self.tries += 1
            if self.tries == 1:
                raise OSError("the list of ports cannot be read")
            return parse_address("lines:COM1")

    ports = Ports(PlayedLink(OperatingError("gone")), PlayedLink(b"2"))
    events = run(ports, finder=Defective(parse_address("lines:COM1")))
    lost = [event.text for event in events if isinstance(event, Mark) and event.kind == "link-lost"]
    assert "the list of ports cannot be read" in lost[-1]
    assert events[-1] == Received(1.0, b"2")


def test_the_port_is_looked_for_under_its_new_name(run: Callable[..., list[Event]]) -> None:
    class Moved(Finder):
        def current(self) -> Address:
            return parse_address("lines:COM9")

    ports = Ports(PlayedLink(OperatingError("gone")), PlayedLink(b"2"))
    run(ports, finder=Moved(parse_address("lines:COM1")))
    assert [address.port for address in ports.opened] == ["COM1", "COM9"]


def adapters(**ports: tuple[int, int, str | None, str | None]) -> dict[str, object]:
    return {name: address._Adapter(*fields) for name, fields in ports.items()}


@pytest.mark.parametrize(
    ("before", "after", "port"),
    [
        ({"COM1": (1, 2, "A", "1-1")}, {"COM7": (1, 2, "A", "1-4")}, "COM7"),
        ({"COM1": (1, 2, None, "1-1")}, {"COM7": (1, 2, None, "1-1")}, "COM7"),
        ({"COM1": (1, 2, None, "1-1")}, {"COM7": (1, 2, None, "1-4")}, "COM1"),
        ({"COM1": (1, 2, "A", "1-1")}, {"COM7": (1, 2, "B", "1-1")}, "COM1"),
        ({"COM1": (1, 2, "A", "1-1")}, {"COM1": (1, 2, "A", "1-1")}, "COM1"),
        ({"COM1": (1, 2, "A", "1-1")}, {}, "COM1"),
        ({}, {"COM7": (1, 2, "A", "1-1")}, "COM1"),
    ],
)
def test_an_adapter_is_known_by_its_number_or_its_socket(
    before: dict[str, tuple[int, int, str | None, str | None]],
    after: dict[str, tuple[int, int, str | None, str | None]],
    port: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(address, "_adapters", lambda: adapters(**before))
    finder = Finder(parse_address("lines:COM1"))
    monkeypatch.setattr(address, "_adapters", lambda: adapters(**after))
    assert finder.current().port == port


class Asking:
    """A meter that is asked, with a clock that the test moves."""

    def __init__(self, *answers: bytes, every: str = "", driver: str = "lines") -> None:
        self.now_s = 0.0
        self.events: list[Event] = []
        self.link = PlayedLink(*answers)
        address = parse_address(f"{driver}:COM1,ask=520a{every}")
        self.talk = Listening(address, self.events.append, lambda: self.now_s)
        self.talk.begin(self.link)

    def step(self, after_s: float = 0.0) -> None:
        self.now_s += after_s
        self.talk.step(self.link)


def test_a_meter_is_asked_again_once_it_has_answered() -> None:
    asking = Asking(b"1.5 mV\r\n", b"1.6", b" mV\r\n")
    for _ in range(3):
        asking.step(0.1)
    assert asking.link.sent == [b"R\n", b"R\n"]
    asking.step(0.1)
    assert len(asking.link.sent) == 3
    assert isinstance(asking.events[0], Sent)


def test_a_frame_without_a_line_end_is_an_answer_too() -> None:
    frame = segment_frame(0.0015)
    asking = Asking(frame[:6], frame[6:], frame, driver="segments")
    for _ in range(3):
        asking.step(0.1)
    assert len(asking.link.sent) == 2


def test_a_meter_is_not_asked_more_often_than_it_may_be() -> None:
    asking = Asking(b"1.5 mV\r\n", every=",every=2")
    asking.step()
    asking.step(1.0)
    assert len(asking.link.sent) == 1
    asking.step(1.1)
    assert len(asking.link.sent) == 2


def test_a_meter_that_does_not_answer_is_asked_again_after_a_while() -> None:
    asking = Asking()
    asking.step()
    asking.step(ANSWER_WITHIN_S - 0.1)
    assert len(asking.link.sent) == 1
    asking.step(0.2)
    assert len(asking.link.sent) == 2
