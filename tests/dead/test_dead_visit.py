"""The whole visit to a dead circuit, with a simulated meter and supply over SCPI."""

import json
import os
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.address import parse_address
from drivers.errors import OperatingError
from drivers.readings import Function
from drivers.scpi_source import StillOnError
from drivers.simulated import SimulatedMeter
from meterlink.circuit.job import Job, write_job
from meterlink.circuit.setup import Hookup
from meterlink.live import dead_circuit
from meterlink.live.dead_circuit import with_function
from meterlink.live.visiting import VisitRun
from meterlink.testlog.columns import Source
from meterlink.testlog.log import TestLog
from meterlink.testlog.reader import read_rows
from meterlink.visit.keyboard import Typed
from meterlink.visit.view import Command, VisitStage

from .house import FEED, SPEED, House, Person

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")
MOST_S = 60.0
DIRECT = (Hookup.NEUTRAL_NEUTRAL,)
OHMS = (Hookup.PATH_RESISTANCE,)


@pytest.fixture
def house() -> Iterator[House]:
    with House() as made:
        yield made


def visited(
    job: Job, house: House, person: Person, hookups, source=None, side: str = "neutral"
) -> VisitRun:
    """A visit to its end; one that hangs is stopped and fails."""
    function = Function.OHM if hookups == OHMS else Function.DC
    address = with_function(parse_address(house.meter.address), function)
    with (
        TestLog(job.log_path) as log,
        VisitRun(
            job, log, address, person, speed=SPEED, hookups=hookups, side=side, source=source
        ) as run,  # type: ignore[arg-type]
    ):
        watchdog = threading.Timer(MOST_S, run.visit.stop)
        watchdog.start()
        run.run()
        assert watchdog.is_alive(), person.shown[-5:]
        watchdog.cancel()
    return run


def order_of(job: Job, meterlink) -> dict[str, str]:
    found = json.loads(meterlink("map", job.folder, "--json").out)
    assert found["settled"], found
    return {point["name"]: point["fed_from"] for point in found["points"]}


def replayed(job: Job, meterlink, into: Path) -> list:
    (capture,) = job.captures_path.glob("visit-*.jsonl")
    done = meterlink("replay", capture, "--job", into)
    assert done.code == 0, done.err
    rows = read_rows(into / "tests.csv")
    return [replace(row, source=Source.LIVE, capture=capture.name) for row in rows]


@pytest.mark.parametrize("reversal", ["relay", ""])
def test_a_direct_source_settles_the_order_and_is_off_in_the_end(
    tmp_path: Path, meterlink, reversal: str
) -> None:
    with House(reversal=reversal) as house:
        job = write_job(tmp_path / "job", house.direct)
        person = Person(house)
        with house.source() as source:
            visited(job, house, person, DIRECT, source)
            assert not house.supply.output
    assert order_of(job, meterlink) == {name: feed for name, (feed, _) in FEED.items()}
    rows = list(read_rows(job.log_path))
    for row in rows:
        house.setup = row.setup
        assert row.drop_mv == pytest.approx(5.0 * house.neutral_mohm(row.setup), abs=0.05)
        assert row.cycles == (3 if reversal else 2)
        assert row.amps == pytest.approx(5.0)
    assert replayed(job, meterlink, tmp_path / "again") == rows
    assert any("current is ON: touch nothing" in text for text in person.shown)


@pytest.mark.parametrize("side", ["neutral", "hot"])
def test_an_ohmmeter_settles_the_order_without_anything_being_switched(
    tmp_path: Path, meterlink, house: House, side: str
) -> None:
    job = write_job(tmp_path / "job", house.circuit)
    visited(job, house, Person(house), OHMS, side=side)
    assert order_of(job, meterlink) == {name: feed for name, (feed, _) in FEED.items()}
    rows = list(read_rows(job.log_path))
    assert {(row.setup.load_at, row.setup.side) for row in rows} == {("", side)}
    assert all(row.path_u_mohm < 1.0 for row in rows)  # four wires
    assert replayed(job, meterlink, tmp_path / "again") == rows


def test_a_source_that_drops_out_voids_the_test_and_is_off(tmp_path: Path, house: House) -> None:
    job = write_job(tmp_path / "job", house.direct)
    person = Person(house, most_tests=1)
    dropped = []

    def drop(_: float) -> None:
        if not dropped:
            dropped.append(True)
            house.supply.ohms = 4.0

    house.on_flow = drop
    with house.source() as source:
        # the person mends the contact when told
        hear = person.say
        person.say = lambda text: (hear(text), setattr(house.supply, "ohms", 0.4))[0]
        visited(job, house, person, DIRECT, source)
        assert not house.supply.output
    assert any("limits" in text for text in person.heard)
    assert len(list(read_rows(job.log_path))) == 1


def test_pulling_the_meters_cable_while_the_current_flows_switches_it_off(
    tmp_path: Path, house: House
) -> None:
    job = write_job(tmp_path / "job", house.direct)
    person = Person(house, most_tests=1)
    seen: list[bool] = []

    def pull(_: float) -> None:
        if not seen:
            seen.append(True)
            threading.Thread(target=house.meter.unplug, daemon=True).start()

    house.on_flow = pull
    watch = threading.Timer(8.0, house.meter.unplug)  # in case nothing ever flows
    watch.start()
    with house.source() as source:
        function = with_function(parse_address(house.meter.address), Function.DC)
        with (
            TestLog(job.log_path) as log,
            VisitRun(job, log, function, person, speed=SPEED, hookups=DIRECT, source=source) as run,  # type: ignore[arg-type]
        ):
            stop = threading.Timer(6.0, run.visit.stop)
            stop.start()
            run.run()
        assert seen
        assert not house.supply.output
    watch.cancel()
    assert any("meter was lost" in text for text in person.heard), person.heard


def test_a_supply_whose_cable_was_out_for_a_moment_is_off_in_the_end(
    tmp_path: Path, house: House
) -> None:
    job = write_job(tmp_path / "job", house.direct)
    pulled: list[bool] = []

    def pull(_: float) -> None:
        if not pulled:
            pulled.append(True)
            house.cable.pulled_at, house.cable.closed_for = house.cable.messages, 1

    house.on_flow = pull
    with house.source() as source:
        visited(job, house, Person(house, most_tests=1), DIRECT, source)
        assert not house.supply.output
    assert pulled
    (row,) = read_rows(job.log_path)
    house.setup = row.setup
    assert row.drop_mv == pytest.approx(5.0 * house.neutral_mohm(row.setup), abs=0.05)


def test_a_supply_that_stays_away_is_said_to_be_on_still(tmp_path: Path, house: House) -> None:
    job = write_job(tmp_path / "job", house.direct)
    person = Person(house)

    def pull(_: float) -> None:
        house.cable.pulled_at, house.cable.closed_for = house.cable.messages, 10_000

    house.on_flow = pull
    source = house.source()
    with TestLog(job.log_path) as log:
        address = with_function(parse_address(house.meter.address), Function.DC)
        with VisitRun(
            job,
            log,
            address,
            person,
            speed=SPEED,
            hookups=DIRECT,
            source=source,  # type: ignore[arg-type]
        ) as run:
            hear = person.say
            person.say = lambda text: (hear(text), run.visit.stop())[0]  # type: ignore[method-assign]
            stop = threading.Timer(MOST_S, run.visit.stop)
            stop.start()
            run.run()
            stop.cancel()
    assert any("front panel" in text for text in person.heard), person.heard
    with pytest.raises(StillOnError, match="NOW"):
        source.close()
    assert not list(read_rows(job.log_path))


def test_a_defect_in_the_visit_leaves_the_output_off(tmp_path: Path, house: House) -> None:
    job = write_job(tmp_path / "job", house.direct)
    person = Person(house)

    def fail(_: object) -> None:
        if house.supply.output:
            raise OperatingError("broken")

    original = person.event
    person.event = lambda event: (original(event), fail(event))[0]  # type: ignore[method-assign]
    with pytest.raises(OperatingError, match="broken"), house.source() as source:
        visited(job, house, person, DIRECT, source)
    assert not house.supply.output


def test_the_command_walks_the_dead_circuit_over_two_ports(tmp_path: Path, house: House) -> None:
    import subprocess
    import sys

    job = write_job(tmp_path / "job", house.circuit)
    with SimulatedMeter(
        lambda _: 0.0, driver="scpi", rate_hz=200.0, instrument=house.supply
    ) as supply:
        ran = subprocess.Popen(
            [
                *(sys.executable, "-m", "meterlink", "test", str(job.folder), "--json"),
                *("--confirm-cautions", "--dead", "--meter", house.meter.address),
                *("--source", supply.address, "--source-amps", "5", "--speed", "20"),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        watchdog = threading.Timer(MOST_S, ran.kill)
        watchdog.start()
        assert ran.stdin is not None
        assert ran.stdout is not None
        answered, rows = -1, 0
        for line in ran.stdout:
            event = json.loads(line)
            rows += event["event"] == "row"
            if event["event"] != "view" or event["step"] == answered:
                continue
            answered = event["step"]
            if rows >= 1 or event["stage"] == "settled":
                ran.stdin.write("stop\n")
            elif event["stage"] == "set-up":
                house.setup = _setup_of(event)
                ran.stdin.write("ready\n")
            ran.stdin.flush()
        ran.stdin.close()
        messages = ran.stderr.read() if ran.stderr else ""
        code = ran.wait(timeout=20)
        watchdog.cancel()
        ran.stdout.close()
        if ran.stderr:
            ran.stderr.close()
    assert code == 0, messages
    assert "No mains" in messages
    assert "at most 12 V" in messages
    assert not house.supply.output
    (row,) = read_rows(job.log_path)
    assert row.drop_mv == pytest.approx(5.0 * house.neutral_mohm(row.setup), abs=0.1)


def _setup_of(event: dict) -> object:
    """Where the leads and the source go, as the command says it."""
    from meterlink.circuit.setup import made_setup

    told = event["setup"]
    return made_setup(
        Hookup(told["hookup"]), told["lead_a"], told["lead_b"], told["load_at"], direct=True
    )


def test_a_supply_that_a_killed_visit_left_on_is_off_before_mains_are_looked_for(
    tmp_path: Path, house: House, monkeypatch, capsys
) -> None:
    job = write_job(tmp_path / "job", house.circuit)
    house.supply.output = True

    def live(*_: object) -> None:
        assert not house.supply.output
        raise dead_circuit.LiveCircuitError("live")

    monkeypatch.setattr(dead_circuit, "look_for_mains", live)
    meter = parse_address(house.meter.address)
    with (
        SimulatedMeter(
            lambda _: 0.0, driver="scpi", rate_hz=200.0, instrument=house.supply
        ) as supply,
        ExitStack() as stack,
        pytest.raises(dead_circuit.LiveCircuitError),
    ):
        dead_circuit.prepare(job, meter, stack, source=supply.address, amps=5.0, volts=12.0)
    assert not house.supply.output
    assert "was ON when it was found" in capsys.readouterr().err


def test_a_conductor_is_chosen_on_the_dead_circuit_only(
    tmp_path: Path, meterlink, house: House
) -> None:
    job = write_job(tmp_path / "job", house.circuit)
    done = meterlink("test", job.folder, "--side", "hot", "--confirm-cautions")
    assert done.code == 2
    assert "--dead" in done.err


def test_leads_of_a_two_wire_ohmmeter_are_read_first_and_taken_off(
    tmp_path: Path, meterlink, house: House
) -> None:
    house.meter.instrument.refused = ("CONF:FRES",)
    house.lead_mohm = 3000.0  # a long wander lead, not nulled at the meter
    job = write_job(tmp_path / "job", house.circuit)
    person = Person(house, most_tests=2)
    visited(job, house, person, OHMS)
    rows = list(read_rows(job.log_path))
    for row in rows:
        assert row.path_mohm == pytest.approx(house.neutral_mohm(row.setup), abs=1.0)
        assert row.path_u_mohm > 2.9  # contacts of two wires
    assert any("The leads have 3000" in text for text in person.heard)
    assert replayed(job, meterlink, tmp_path / "again") == rows


def test_a_signal_while_the_leads_are_read_ends_the_visit_in_order(
    tmp_path: Path, house: House, monkeypatch
) -> None:
    import signal

    house.meter.instrument.refused = ("CONF:FRES",)
    monkeypatch.setattr(dead_circuit, "NULL_S", 1e6)  # nobody presses the tips together
    monkeypatch.setattr(house, "_seen", lambda _: 1e9)
    job = write_job(tmp_path / "job", house.circuit)
    person = Person(house)

    def interrupt(text: str) -> None:
        person.heard.append(text)
        if "Press the tips" in text:
            signal.raise_signal(signal.SIGINT)

    person.say = interrupt  # type: ignore[method-assign]
    run = visited(job, house, person, OHMS)
    assert run.was_interrupted
    assert list(read_rows(job.log_path)) == []
    (capture,) = job.captures_path.glob("visit-*.jsonl")
    assert '"mark": "null"' in capture.read_text() or '"mark":"null"' in capture.read_text()


def test_a_loop_is_read_where_somebody_picks_it(tmp_path: Path, house: House) -> None:
    job = write_job(tmp_path / "job", house.circuit)
    person = Person(house, most_tests=1)
    show, picked = person.show, []

    def pick(visit) -> None:
        if not picked and visit.view.stage is VisitStage.SET_UP:
            picked.append(True)
            person._keys.append(Typed(Command.CHOOSE, "lr 1 hot+ground"))
        elif picked and (visit.setup is None or visit.setup.hookup is Hookup.LOOP_RESISTANCE):
            show(visit)

    person.show = pick  # type: ignore[method-assign]
    visited(job, house, person, OHMS)
    (row,) = read_rows(job.log_path)
    assert (row.setup.hookup, row.setup.side) == (Hookup.LOOP_RESISTANCE, "hot+ground")
    assert row.path_mohm == pytest.approx(90.0, abs=1.0)


@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP", "SIGINT"])
def test_a_signal_while_the_current_flows_leaves_the_output_off(
    tmp_path: Path, house: House, name: str
) -> None:
    import signal
    import subprocess
    import sys

    job = write_job(tmp_path / "job", house.circuit)
    with SimulatedMeter(
        lambda _: 0.0, driver="scpi", rate_hz=200.0, instrument=house.supply
    ) as supply:
        ran = subprocess.Popen(
            [
                *(sys.executable, "-m", "meterlink", "test", str(job.folder), "--json"),
                *("--confirm-cautions", "--dead", "--meter", house.meter.address),
                *("--source", supply.address, "--source-amps", "5", "--speed", "20"),
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        flowed: list[float] = []

        def end(amps: float) -> None:
            if not flowed:
                ran.send_signal(getattr(signal, name))
            flowed.append(amps)

        house.on_flow = end
        watchdog = threading.Timer(MOST_S, ran.kill)
        watchdog.start()
        assert ran.stdin is not None
        assert ran.stdout is not None
        answered = -1
        for line in ran.stdout:
            event = json.loads(line)
            if event["event"] == "view" and event["stage"] == "set-up":
                if event["step"] != answered and not flowed:
                    house.setup = _setup_of(event)
                    ran.stdin.write("ready\n")
                    ran.stdin.flush()
                answered = event["step"]
        ran.wait(timeout=20)
        watchdog.cancel()
        ran.stdin.close()
        ran.stdout.close()
        assert flowed
        assert not house.supply.output
