"""Before a visit to a dead circuit: what goes together, and what is looked at before a source."""

from contextlib import ExitStack
from dataclasses import replace

import pytest

from drivers.address import Address, parse_address
from drivers.readings import Function
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.job import Job, write_job
from meterlink.circuit.setup import Hookup
from meterlink.errors import UsageError
from meterlink.live import dead_circuit
from meterlink.live.dead_circuit import Bench, prepare

CIRCUIT = Circuit("Dead", ("A", "B"), volts=120.0, breaker_amps=15.0)
DIRECT = replace(CIRCUIT, load_kind=LoadKind.DIRECT_SOURCE, load_amps=5.0)
LINES, SCPI = parse_address("lines:/dev/ttyUSB0"), parse_address("scpi:COM1")


@pytest.fixture
def happened(monkeypatch) -> list[str]:
    """What was done, in order; mains and supply are played."""
    done: list[str] = []

    def look(job: Job, address: Address, say: object) -> None:
        done.append("looked for mains")

    class Supply:
        identity, was_on, reverses = "SUPPLY 1", False, True

        def __init__(self, address: Address, limits: object) -> None:
            done.append(f"opened a source of {limits.amps:g} A, {limits.volts:g} V")  # type: ignore[attr-defined]

        def __enter__(self) -> "Supply":
            return self

        def __exit__(self, *error: object) -> None:
            done.append("source off")

    monkeypatch.setattr(dead_circuit, "look_for_mains", look)
    monkeypatch.setattr(dead_circuit, "ScpiSource", Supply)
    monkeypatch.setattr(dead_circuit, "tell", lambda text, *more: done.append(str(text)))
    return done


def prepared(tmp_path, circuit: Circuit, address: Address | None, **more: object) -> Bench:
    asked = {"source": None, "amps": None, "volts": 12.0} | more
    with ExitStack() as stack:
        return prepare(write_job(tmp_path / "job", circuit), address, stack, **asked)


def test_an_ohmmeter_reads_paths_once_no_mains_is_seen(tmp_path, happened) -> None:
    bench = prepared(tmp_path, CIRCUIT, LINES)
    assert bench.hookups == (Hookup.PATH_RESISTANCE,)
    assert bench.source is None
    assert happened == ["looked for mains", "Now turn the meter to ohms, leads nulled."]


def test_an_instrument_turns_itself(tmp_path, happened) -> None:
    bench = prepared(tmp_path, CIRCUIT, SCPI)
    assert happened == ["looked for mains"]
    assert bench.address is not None
    assert bench.address.settings["function"] == Function.OHM


@pytest.mark.parametrize(
    ("grounded", "hookups"),
    [
        (True, (Hookup.NEUTRAL_NEUTRAL, Hookup.NEUTRAL_GROUND)),
        (False, (Hookup.NEUTRAL_NEUTRAL,)),
    ],
)
def test_a_source_that_a_person_switches_needs_volts_and_grounds_give_one_hookup_more(
    tmp_path, happened, grounded: bool, hookups: tuple
) -> None:
    bench = prepared(tmp_path, replace(DIRECT, grounded=grounded), LINES)
    assert bench.hookups == hookups
    assert happened[-1] == "Now turn the meter to DC volts."
    assert bench.job.circuit.load_amps == 5.0


def test_a_supply_is_opened_which_is_off_before_mains_are_looked_for_and_is_off_in_the_end(
    tmp_path, happened
) -> None:
    bench = prepared(tmp_path, CIRCUIT, SCPI, source="scpi:COM2", amps=5.0)
    assert happened == [
        "opened a source of 5 A, 12 V",
        "SUPPLY 1: 5 A, at most 12 V; turns its current by itself. It is off.",
        "looked for mains",
        "source off",
    ]
    assert bench.job.circuit.load_kind is LoadKind.DIRECT_SOURCE
    assert bench.source is not None


def test_a_supply_that_was_found_on_is_told(tmp_path, happened, monkeypatch) -> None:
    monkeypatch.setattr(dead_circuit.ScpiSource, "was_on", True)
    monkeypatch.setattr(dead_circuit.ScpiSource, "reverses", False)
    prepared(tmp_path, CIRCUIT, SCPI, source="scpi:COM2", amps=5.0)
    assert "SUPPLY 1 was ON when it was found" in happened[1]
    assert "is switched on and off. It is off." in happened[2]


@pytest.mark.parametrize(
    ("circuit", "address", "more", "words"),
    [
        (CIRCUIT, SCPI, {"amps": 5.0}, "--source-amps goes with --source"),
        (CIRCUIT, SCPI, {"source": "scpi:COM2"}, "Say how much current the source gives"),
        (CIRCUIT, SCPI, {"source": "scpi:COM2", "amps": 12.5}, "more than 80 % of the breaker's"),
        (CIRCUIT, None, {"source": "scpi:COM2", "amps": 5.0}, "give --meter too"),
    ],
)
def test_what_does_not_go_together_is_refused_before_anything_is_opened(
    tmp_path, happened, circuit, address, more: dict, words: str
) -> None:
    with pytest.raises(UsageError) as refused:
        prepared(tmp_path, circuit, address, **more)
    assert words in str(refused.value)
    assert happened == []


def test_typed_readings_need_no_meter_and_nothing_is_opened(tmp_path, happened) -> None:
    assert prepared(tmp_path, DIRECT, None).address is None
    assert happened == []


def test_the_job_on_the_disk_stays_as_it_was(tmp_path, happened) -> None:
    bench = prepared(tmp_path, CIRCUIT, SCPI, source="scpi:COM2", amps=5.0)
    kept = (bench.job.folder / "job.toml").read_text("utf-8")
    assert "direct-source" not in kept
    assert bench.job.circuit.load_amps == 5.0
