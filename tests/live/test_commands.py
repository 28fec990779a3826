"""``watch``, ``meters`` and ``simulate`` as a person calls them."""

import contextlib
import json
import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from conftest import Run

from drivers import discovery
from drivers.capture import CaptureReader, replay
from drivers.readings import Function, Mark, Reading
from drivers.simulated import Display, SimulatedMeter, available

pytestmark = pytest.mark.skipif(not available(), reason="no pseudo-terminals here")

Meterlink = Callable[..., Run]
WITHIN_S = 20.0  # of the wall clock; only a failure takes so long


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("METERLINK_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.fixture
def meter() -> Iterator[SimulatedMeter]:
    with SimulatedMeter(lambda _: 0.008, rate_hz=50, display=Display(noise_v=1e-4)) as simulated:
        yield simulated


def test_watch_streams_a_json_line_a_reading_and_records(
    meterlink: Meterlink, meter: SimulatedMeter, tmp_path: Path
) -> None:
    path = tmp_path / "visit.jsonl"
    run = meterlink("watch", "--meter", meter.address, "--json", "--for", 0.5, "--record", path)
    lines = [json.loads(line) for line in run.out.splitlines()]
    assert run.code == 0
    assert len(lines) > 5
    assert {line["function"] for line in lines} == {"AC"}
    with CaptureReader(path) as capture:
        recorded = [event for event in replay(capture) if isinstance(event, Reading)]
    assert [line["volts"] for line in lines] == [r.volts for r in recorded][: len(lines)]


def test_watch_without_a_file_records_to_the_users_folder_and_keeps_the_newest(
    meterlink: Meterlink, meter: SimulatedMeter, home: Path
) -> None:
    folder = home / "recordings"
    folder.mkdir(parents=True)
    for number in range(30):
        (folder / f"watch-2020{number:04}.jsonl").write_text("")
    run = meterlink("watch", "--meter", meter.address, "--for", 0.3)
    kept = sorted(folder.iterdir())
    assert len(kept) == 20
    assert f"recording to {kept[-1]}" in run.err
    assert "mV AC" in run.out


def test_watch_says_what_is_wrong_with_the_meter(
    meterlink: Meterlink, meter: SimulatedMeter
) -> None:
    meter.display.function, meter.display.quantity = Function.OHM, "ohm"
    run = meterlink("watch", "--meter", meter.address, "--json", "--for", 0.5)
    assert "The meter shows ohms. Turn it to AC volts." in run.err
    assert all(json.loads(line)["volts"] is None for line in run.out.splitlines())


def test_watch_of_a_meter_that_says_nothing_fails_in_words(
    meterlink: Meterlink, meter: SimulatedMeter
) -> None:
    meter.sleep()
    run = meterlink("watch", "--meter", meter.address, "--for", 0.3)
    assert run.code == 1
    assert "No reading came" in run.err


def test_watch_of_another_kind_of_meter_shows_its_bytes_and_names_the_driver(
    meterlink: Meterlink, meter: SimulatedMeter
) -> None:
    run = meterlink("watch", "--meter", meter.address.replace("lines", "segments"), "--for", 0.5)
    assert run.code == 1
    assert "mV AC" in run.err
    assert "They look like lines, 8N1" in run.err


@pytest.mark.parametrize(
    ("address", "code", "words"),
    [
        ("nobody", 2, "no meter of the name"),
        ("morse:/dev/ttyS9", 2, "none of the drivers"),
        ("lines:/dev/ttyS9,fast", 2, "'fast' is not understood"),
        ("lines:/dev/no-such-port", 1, "is not there"),
        ("lines:/dev/null", 1, "no serial port"),
        ("lines:socket://127.0.0.1:1", 1, "refused"),
        ("scpi:TCPIP::127.0.0.1::1::SOCKET", 1, "refused"),
        ("scpi:NONSENSE::1::INSTR", 1, "cannot be opened"),
        ("scpi:TCPIP::127.0.0.1::1::SOCKET,visa=/no/library.so", 1, "VISA library"),
    ],
)
def test_a_wrong_address_is_refused_in_words(
    meterlink: Meterlink, address: str, code: int, words: str
) -> None:
    run = meterlink("watch", "--meter", address, "--for", 0.3)
    assert (run.code, run.out) == (code, "")
    assert words in run.err
    assert "Traceback" not in run.err


def test_watch_does_not_overwrite(
    meterlink: Meterlink, meter: SimulatedMeter, tmp_path: Path
) -> None:
    path = tmp_path / "visit.jsonl"
    path.write_text("precious")
    run = meterlink("watch", "--meter", meter.address, "--record", path, "--for", 0.3)
    assert run.code == 1
    assert "never overwritten" in run.err
    assert path.read_text() == "precious"


def test_meters_finds_the_meter_at_a_named_port_and_watch_opens_what_it_prints(
    meterlink: Meterlink, meter: SimulatedMeter
) -> None:
    run = meterlink("meters", meter.port)
    address = re.search(r"--meter (\S+)", run.out)
    assert run.code == 0
    assert address is not None
    assert address[1] == f"lines:{meter.port},9600,8N1"
    assert meterlink("watch", "--meter", address[1], "--for", 0.3).code == 0


def test_meters_prints_json(meterlink: Meterlink, meter: SimulatedMeter) -> None:
    run = meterlink("meters", "--json", meter.port, "/dev/no-such-port")
    found, absent = (json.loads(line) for line in run.out.splitlines())
    assert found["address"] == f"lines:{meter.port},9600,8N1"
    assert absent["address"] is None
    assert "is not there" in absent["seen"]


def test_meters_that_finds_nothing_says_what_to_check(meterlink: Meterlink) -> None:
    run = meterlink("meters", "/dev/no-such-port")
    assert run.code == 1
    assert "Is the meter on" in run.err


def test_a_remembered_meter_is_opened_by_its_name(
    meterlink: Meterlink, meter: SimulatedMeter
) -> None:
    assert meterlink("meters", "--remember", f"bench={meter.address}").code == 0
    assert meterlink("watch", "--meter", "bench", "--for", 0.3).code == 0
    assert meterlink("meters", "--forget", "bench").code == 0
    assert "write NAME=ADDRESS" in meterlink("meters", "--remember", "bench").err
    assert meterlink("watch", "--meter", "bench", "--for", 0.3).code == 2


def start(*arguments: object, **kinds: object) -> "subprocess.Popen[bytes]":
    command = [sys.executable, "-m", "meterlink", *map(str, arguments)]
    return subprocess.Popen(command, stdin=subprocess.DEVNULL, **kinds)


@contextlib.contextmanager
def watching_on_a_terminal(*arguments: object) -> Iterator[tuple[int, "subprocess.Popen[bytes]"]]:
    """A watch in a terminal of its own; gives the terminal's far end and the process."""
    far, near = os.openpty()
    command = [sys.executable, "-m", "meterlink", "watch", *map(str, arguments)]
    process = subprocess.Popen(command, stdin=near, stdout=near, stderr=near)
    os.close(near)
    try:
        yield far, process
    finally:
        process.kill()
        process.wait()
        os.close(far)


def read_until(far: int, words: bytes, seen: bytes = b"") -> bytes:
    until_s = time.monotonic() + WITHIN_S
    while words not in seen:
        assert time.monotonic() < until_s, seen[-500:]
        if select.select([far], [], [], 0.5)[0]:
            seen += os.read(far, 10_000)
    return seen


def test_keys_on_a_terminal_become_marks_and_the_screen_shows_the_meter(
    meter: SimulatedMeter, tmp_path: Path
) -> None:
    path = tmp_path / "visit.jsonl"
    with watching_on_a_terminal("--meter", meter.address, "--record", path) as (far, process):
        read_until(far, b"jitter")
        for keys, answer in (
            (b"l", b"load on"),
            (b"o", b"load off"),
            (b"nlamp too", b"note: lamp too"),
            (b"\r", b"note lamp too"),
            (b"q", b"readings\r\n"),
        ):
            os.write(far, keys)
            read_until(far, answer)
        assert process.wait(WITHIN_S) == 0
    with CaptureReader(path) as capture:
        marks = [(e.kind, e.text) for e in capture if isinstance(e, Mark)][1:]
    assert marks == [("load-on", ""), ("load-off", ""), ("note", "lamp too")]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_watch_is_ended_in_order_by_a_signal(
    number: signal.Signals, meter: SimulatedMeter, tmp_path: Path
) -> None:
    path = tmp_path / "visit.jsonl"
    with watching_on_a_terminal("--meter", meter.address, "--record", path) as (far, process):
        read_until(far, b"jitter")
        process.send_signal(number)
        read_until(far, b"readings\r\n")
        assert process.wait(WITHIN_S) == 0
    with CaptureReader(path) as capture:
        list(capture)
    assert (capture.damaged, capture.warnings) == ([], [])


def test_watch_that_is_killed_leaves_a_valid_capture(meter: SimulatedMeter, tmp_path: Path) -> None:
    path = tmp_path / "visit.jsonl"
    process = start(
        "watch", "--meter", meter.address, "--record", path, "--json", stdout=subprocess.PIPE
    )
    assert process.stdout is not None
    shown = [json.loads(process.stdout.readline())["volts"] for _ in range(20)]
    process.kill()
    process.communicate()
    with CaptureReader(path) as capture:
        recorded = [event.volts for event in replay(capture) if isinstance(event, Reading)]
    assert recorded[:20] == shown
    assert capture.damaged == []


def test_a_reader_that_stops_reading_ends_the_watch(meter: SimulatedMeter) -> None:
    process = start(
        "watch", "--meter", meter.address, "--json", stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.readline()
    process.stdout.close()
    assert process.wait(WITHIN_S) == 0
    assert b"Traceback" not in process.stderr.read()
    process.stderr.close()


def test_simulate_is_a_meter_that_watch_can_open(meterlink: Meterlink) -> None:
    process = start(
        *(
            "simulate",
            "--driver",
            "segments",
            "--rate",
            50,
            "--drop",
            150,
            "--phase",
            0,
            "--at",
            "0.1:on",
        ),
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    assert process.stdout is not None
    try:
        address = process.stdout.readline().decode().strip()
        run = meterlink("watch", "--meter", address, "--json", "--for", 1)
    finally:
        process.send_signal(signal.SIGINT)
        assert process.wait(WITHIN_S) == 0
        process.stdout.close()
    volts = [json.loads(line)["volts"] for line in run.out.splitlines()]
    assert abs(max(volt for volt in volts if volt is not None) - 0.158) < 0.01


@pytest.mark.parametrize("step", ["5", "x:on", "5:dance", "-1:on"])
def test_simulate_refuses_a_script_that_it_does_not_understand(
    meterlink: Meterlink, step: str
) -> None:
    run = meterlink("simulate", "--at", step)
    assert run.code == 2
    assert "Known actions" in run.err


def test_watch_shows_ohms_where_ohms_are_meant(meterlink: Meterlink, meter: SimulatedMeter) -> None:
    meter.display.function, meter.display.quantity = Function.OHM, "ohm"
    run = meterlink("watch", "--meter", meter.address, "--ohms", "--json", "--for", 0.5)
    readings = [json.loads(line) for line in run.out.splitlines()]
    assert all(r["volts"] is None and r["function"] == "OHM" for r in readings)
    assert any(r["ohms"] is not None for r in readings)
    assert "Turn it to" not in run.err


@pytest.mark.parametrize(("options", "searched"), [((), 0), (("--ask",), 1)])
def test_the_network_is_searched_for_instruments_only_where_asking_is_allowed(
    meterlink, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], searched: int
) -> None:
    searches = []
    monkeypatch.setattr(discovery, "serial_ports", list)
    monkeypatch.setattr(discovery, "visa_resources", lambda library: searches.append(library) or [])
    done = meterlink("meters", *options)
    assert done.code == 1
    assert len(searches) == searched
    assert ("with --ask" in done.err) is not bool(searched)
