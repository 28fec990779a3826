"""Live sessions with simulated meters on real devices: what is seen, recorded and told."""

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.capture import CaptureReader, CaptureWriter, replay
from drivers.errors import CaptureError, OpeningError
from drivers.readings import Function, Mark, Reading, Received
from drivers.simulated import Display, SimulatedMeter, available
from meterlink.live.session import LiveSession
from meterlink.visit.notices import Notice, NoticeKind

Event = Reading | Mark | Notice
WITHIN_S = 5.0  # of the wall clock; only a failure takes so long

pytestmark = pytest.mark.skipif(not available(), reason="no pseudo-terminals here")


def meter(driver: str = "lines", **kinds: object) -> SimulatedMeter:
    display = Display(noise_v=1e-4)
    return SimulatedMeter(lambda t_s: 0.008, driver=driver, rate_hz=50, display=display, **kinds)


def poll_until(session: LiveSession, enough: Callable[[list[Event]], bool]) -> list[Event]:
    events: list[Event] = []
    until_s = time.monotonic() + WITHIN_S
    while not enough(events):
        assert time.monotonic() < until_s, events[-5:]
        events += session.poll(0.1)
    return events


def readings(events: list[Event]) -> list[Reading]:
    return [event for event in events if isinstance(event, Reading)]


def told(events: list[Event]) -> list[NoticeKind]:
    return [event.kind for event in events if isinstance(event, Notice)]


@pytest.mark.parametrize(
    ("driver", "kinds"),
    [
        ("lines", {}),
        ("lines", {"bare": True}),
        ("lines", {"use_socket": True}),
        ("segments", {}),
        ("scpi", {}),
        ("scpi", {"use_socket": True}),
    ],
    ids=str,
)
def test_live_and_replay_see_the_same(
    driver: str, kinds: dict[str, object], tmp_path: Path
) -> None:
    path = tmp_path / "visit.jsonl"
    with meter(driver, **kinds) as simulated:
        with LiveSession(simulated.address, path) as session:
            session.mark("test", hookup="neutral-ground", lead_a="Desk", load_at="Desk")
            events = poll_until(session, lambda seen: len(readings(seen)) >= 12)
            session.mark("end")
        events += session.poll(0)
    with CaptureReader(path) as capture:
        assert list(replay(capture)) == [e for e in events if not isinstance(e, Notice)]
        assert capture.header.instrument["address"]
    assert (capture.damaged, capture.warnings) == ([], [])
    assert {reading.function for reading in readings(events)} == {Function.AC}
    assert all(abs((reading.volts or 0) - 0.008) < 1e-3 for reading in readings(events))
    marks = [event.kind for event in events if isinstance(event, Mark)]
    assert marks == ["link-open", "test", "end"]


def test_nothing_that_was_sent_is_lost_at_a_thousand_readings_a_second() -> None:
    sent: list[bytes] = []
    with SimulatedMeter(
        lambda t_s: 0.008, rate_hz=1000, display=Display(noise_v=1e-3), on_sent=sent.append
    ) as simulated:
        with LiveSession(simulated.address) as session:
            events = poll_until(session, lambda seen: len(readings(seen)) >= 1500)
        events += session.poll(0)
    came = [reading.raw for reading in readings(events)]
    wanted = [data.strip(b"\r\n") for data in sent]
    start = next(k for k in range(len(wanted)) if wanted[k : k + 20] == came[:20])
    assert came == wanted[start : start + len(came)]


def test_a_cable_put_back_under_its_name_goes_on(tmp_path: Path) -> None:
    name = tmp_path / "port"
    with meter() as simulated:
        name.symlink_to(simulated.port)
        with LiveSession(f"lines:{name}") as session:
            poll_until(session, lambda seen: len(readings(seen)) >= 3)
            simulated.unplug()
            poll_until(session, lambda seen: NoticeKind.LOST in told(seen))
            simulated.plug()
            name.unlink()
            name.symlink_to(simulated.port)
            events = poll_until(session, lambda seen: len(readings(seen)) >= 3)
    assert told(events) == [NoticeKind.BACK]
    assert [event.kind for event in events if isinstance(event, Mark)] == ["link-open"]


def test_an_instrument_on_a_serial_line_behind_visa_is_read(tmp_path: Path) -> None:
    with meter("scpi") as simulated:
        address = f"scpi:ASRL{simulated.port}::INSTR,19200"
        with LiveSession(address, tmp_path / "visit.jsonl") as session:
            events = poll_until(session, lambda seen: len(readings(seen)) >= 3)
            assert session.meter.identity.startswith("SIMULATED")
    with CaptureReader(tmp_path / "visit.jsonl") as capture:
        again = [event.volts for event in replay(capture) if isinstance(event, Reading)]
    assert again[:3] == [reading.volts for reading in readings(events)][:3]


@pytest.mark.parametrize("driver", ["lines", "scpi"])
def test_a_socket_that_is_closed_is_told_as_lost(driver: str) -> None:
    with meter(driver, use_socket=True) as simulated, LiveSession(simulated.address) as session:
        poll_until(session, lambda seen: len(readings(seen)) >= 3)
        simulated.unplug()
        poll_until(session, lambda seen: NoticeKind.LOST in told(seen))


def test_a_port_in_use_is_refused_to_a_second_program() -> None:
    with (
        meter() as simulated,
        LiveSession(simulated.address),
        pytest.raises(OpeningError, match="in use by another program"),
    ):
        LiveSession(simulated.address)


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("lines:/dev/no-such-port", "is not there"),
        ("lines:/dev/null", "no serial port"),
        ("lines:socket://127.0.0.1:1", "refused"),
        ("scpi:TCPIP::127.0.0.1::1::SOCKET", "refused"),
    ],
)
def test_what_cannot_be_opened_says_why(address: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / "visit.jsonl"
    with pytest.raises(Exception, match=words):
        LiveSession(address, path)
    assert not path.exists()


def test_a_recording_is_never_overwritten_and_the_port_is_let_go(tmp_path: Path) -> None:
    path = tmp_path / "visit.jsonl"
    path.write_text("precious")
    with meter() as simulated:
        with pytest.raises(CaptureError, match="never overwritten"):
            LiveSession(simulated.address, path)
        with LiveSession(simulated.address, tmp_path / "other.jsonl"):
            pass
    assert path.read_text() == "precious"


def test_a_disk_that_fills_up_is_told_and_the_readings_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with meter() as simulated, LiveSession(simulated.address, tmp_path / "visit.jsonl") as session:
        poll_until(session, lambda seen: len(readings(seen)) >= 3)

        def full(writer: CaptureWriter, line: bytes) -> None:
            raise CaptureError("recording stopped: no space left on device")

        monkeypatch.setattr(CaptureWriter, "_append", full)
        events = poll_until(session, lambda seen: NoticeKind.RECORDING in told(seen))
        monkeypatch.undo()
        events += poll_until(session, lambda seen: len(readings(seen)) >= 3)
    [notice] = [event for event in events if isinstance(event, Notice)]
    assert "no space left" in notice.text
    with CaptureReader(tmp_path / "visit.jsonl") as capture:
        recorded = b"".join(event.data for event in capture if isinstance(event, Received))
    assert recorded.count(b"\n") >= 3  # a piece may hold several readings
    assert (capture.damaged, capture.warnings) == ([], [])


def test_polling_a_meter_that_says_nothing_ends_in_time() -> None:
    with meter() as simulated:
        simulated.sleep()
        with LiveSession(simulated.address) as session:
            for _ in range(5):
                assert readings(session.poll(0.01)) == []


def test_a_refused_command_comes_as_a_note() -> None:
    with meter("scpi") as simulated:
        simulated.instrument.refused = ("DET:BAND",)
        with LiveSession(simulated.address) as session:
            events = poll_until(session, lambda seen: len(readings(seen)) >= 1)
    notes = [event.text for event in events if isinstance(event, Mark) and event.kind == "note"]
    assert len(notes) == 1
    assert "DET:BAND" in notes[0]


def test_what_is_no_voltmeter_is_refused(tmp_path: Path) -> None:
    with meter("scpi") as simulated:
        simulated.instrument.voltmeter = False
        simulated.instrument.identity = "SIMULATED,SUPPLY,0,1"
        with pytest.raises(OpeningError, match="no voltmeter"):
            LiveSession(simulated.address, tmp_path / "visit.jsonl")
    assert not (tmp_path / "visit.jsonl").exists()
