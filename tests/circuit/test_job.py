"""job.toml: what it may say, what it may not, and that it is written whole."""

import os
import unicodedata
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import JOB_FILE, circuit_from_header, header_of, read_job, write_job
from meterlink.errors import JobError

GOOD = """\
[circuit]
name = "Upstairs bedrooms"
receptacles = ["Door", "Desk", "Bed"]
[supply]
volts = 120
hertz = 60
breaker_amps = 15
[wire]
conductor = "14 AWG copper"
[load]
amps = 12.1
"""

UPSTAIRS = Circuit(
    name="Upstairs bedrooms",
    receptacles=("Door", "Desk", "Bed"),
    volts=120.0,
    hertz=60.0,
    breaker_amps=15.0,
    conductor="14 AWG copper",
    load_amps=12.1,
)


def job_with(folder: Path, text: str | bytes) -> Path:
    data = text if isinstance(text, bytes) else text.encode()
    (folder / JOB_FILE).write_bytes(data)
    return folder


def test_the_documented_example_is_read(tmp_path):
    job = read_job(job_with(tmp_path, GOOD))
    assert job.circuit == UPSTAIRS
    assert job.remarks == ()
    assert job.log_path == tmp_path / "tests.csv"


def test_rooms_lengths_grounds_and_temperature_are_read(tmp_path):
    more = GOOD.replace("[supply]", "grounded = false\n[supply]").replace(
        "[load]", "temperature_c = 35\n[load]"
    )
    more += '[rooms]\nDoor = "Hall"\n[run_lengths_m]\n"Desk" = 3.5\n'
    circuit = read_job(job_with(tmp_path, more)).circuit
    assert circuit.rooms == {"Door": "Hall"}
    assert circuit.run_lengths_m == {"Desk": 3.5}
    assert not circuit.grounded
    assert circuit.wire_temperature_c == 35.0


@pytest.mark.parametrize(("table", "key"), [("circuit", "ring_usual"), ("supply", "sub_panel")])
def test_how_a_house_is_wired_is_read_and_written_as_stated(tmp_path, table, key):
    job = job_with(tmp_path, GOOD.replace(f"[{table}]", f"[{table}]\n{key} = true"))
    circuit = read_job(job).circuit
    assert circuit == replace(UPSTAIRS, **{key: True})
    assert write_job(tmp_path / "again", circuit).circuit == circuit
    assert read_job(tmp_path / "again").circuit == circuit
    assert circuit_from_header(header_of(circuit), "")[0] == circuit


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("volts = 120", "volts = -120", r"line 5, \[supply\] volts is -120; expected 1 to 1000 V"),
        ("volts = 120", "volts = nan", r"line 5, \[supply\] volts is nan"),
        ("volts = 120", "volts = true", r"line 5, \[supply\] volts is True; write a number"),
        ("volts = 120", 'volts = "120"', r"line 5, \[supply\] volts is '120'; write a number"),
        ("volts = 120", "volts = 1" + "0" * 400, r"line 5, \[supply\] volts is 1000"),
        ("amps = 12.1", "amps = 0", r"line 11, \[load\] amps is 0; expected 0.001 to 200 A"),
        ("amps = 12.1", "amps = 1e9", r"line 11, \[load\] amps is 1000000000.0"),
        ("breaker_amps = 15", "breaker_amps = []", r"line 7, \[supply\] breaker_amps is \[\]"),
        ('"Desk"', '"Door"', r"line 3, \[circuit\] receptacles has 'Door' twice"),
        ('"Desk"', '""', "has an empty name"),
        ('"Desk"', '"  "', "has an empty name"),
        ('"Desk"', '"Desk "', "blanks at its ends"),
        ('"Desk"', '"' + "n" * 201 + '"', "a name of 201 characters"),
        ('"Desk"', r'"a\u0007b"', "control characters"),
        ('"Desk"', r'"a\u202Eb"', "control characters"),
        ('"Desk"', '"Panel"', "mean parts of the map"),
        ('"Desk"', '"splice 1"', "mean parts of the map"),
        ('"Desk"', "7", "has 7, which is no text"),
        ('["Door", "Desk", "Bed"]', "[]", "list the names"),
        ('["Door", "Desk", "Bed"]', '"Door"', "list the names"),
        ('["Door", "Desk", "Bed"]', str([str(n) for n in range(10_000)]), "10000 receptacles"),
        ("[supply]", "grounded = 1\n[supply]", "write true or false"),
        ("[supply]", '[rooms]\nAttic = "Roof"\n[supply]', "'Attic', which is no receptacle"),
        ("[supply]", "[run_lengths_m]\nDoor = -1\n[supply]", r"\[run_lengths_m\] is -1"),
        ("[supply]", "rooms = 3\n[supply]\n", ""),
        ("[supply", "", "line 4"),
    ],
)
def test_nonsense_is_refused_with_file_and_line(tmp_path, old, new, message):
    job_with(tmp_path, GOOD.replace(old, new))
    if not message:
        assert read_job(tmp_path).remarks
        return
    with pytest.raises(JobError, match=message) as raised:
        read_job(tmp_path)
    assert JOB_FILE in str(raised.value)
    assert len(str(raised.value)) < 600


@pytest.mark.parametrize(
    "data",
    [b"", b"\xff\xfe\x00binary", b"a = " + b"[" * 100_000, b"x = 1" + b"0" * 300_000, b"\x00" * 99],
    ids=["empty", "not-utf-8", "nested", "huge", "zeros"],
)
def test_rubbish_is_refused(tmp_path, data):
    with pytest.raises(JobError, match=r"job\.toml"):
        read_job(job_with(tmp_path, data))


def test_a_missing_folder_a_file_as_folder_and_a_folder_as_file_are_refused(tmp_path):
    with pytest.raises(JobError, match="is not there"):
        read_job(tmp_path / "nowhere")
    (tmp_path / "file").write_text("x")
    with pytest.raises(JobError, match=r"is a file\. Give the job folder"):
        read_job(tmp_path / "file")
    (tmp_path / JOB_FILE).mkdir()
    with pytest.raises(JobError, match="Is a directory"):
        read_job(tmp_path)


def test_a_job_is_not_written_into_a_file(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(JobError, match=r"is a file\. Give a folder"):
        write_job(tmp_path / "file", read_job(job_with(tmp_path, GOOD.encode())).circuit)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
@pytest.mark.parametrize("name", ["job.toml", "tests.csv", "isolation.csv", "cautions.jsonl"])
def test_a_pipe_in_the_place_of_a_file_is_refused_and_not_waited_for(tmp_path, name):
    job_with(tmp_path, GOOD.encode())
    (tmp_path / name).unlink(missing_ok=True)
    os.mkfifo(tmp_path / name)
    with pytest.raises(JobError, match="device or pipe"):
        read_job(tmp_path)


def test_unknown_keys_and_tables_are_remarked_and_left_aside(tmp_path):
    text = GOOD.replace("hertz = 60", "hertz = 60\nphases = 1") + "[colour]\nwall = 3\n"
    job = read_job(job_with(tmp_path, text))
    assert job.circuit == UPSTAIRS
    assert "line 7: '[supply] phases'" in job.remarks[0]
    assert "line 13: '[colour]'" in job.remarks[1]
    assert len(job.remarks) == 2


def test_an_unknown_conductor_is_remarked_and_leaves_lengths_out(tmp_path):
    job = read_job(job_with(tmp_path, GOOD.replace("14 AWG copper", "bell wire")))
    assert "line 9, [wire] conductor" in job.remarks[0]
    assert job.circuit.ohm_per_m() is None


def test_metres_follow_from_conductor_and_temperature():
    # NFPA 70 chapter 9 table 8: 3.07 ohm/kft at 75 °C.
    at_75c = replace(UPSTAIRS, wire_temperature_c=75.0).ohm_per_m()
    assert at_75c == pytest.approx(3.07 / 304.8, rel=0.01)


names = st.text(
    st.characters(blacklist_categories=("Cc", "Cs", "Cf", "Zl", "Zp")), min_size=1, max_size=30
).filter(lambda n: n.strip() == n and n.casefold() != "panel" and not n.casefold().startswith("s"))


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(names, min_size=1, max_size=12, unique_by=lambda n: unicodedata.normalize("NFC", n)),
    st.floats(1, 1000),
    st.booleans(),
)
def test_any_circuit_comes_back_as_it_was_written(tmp_path, receptacles, volts, grounded):
    circuit = Circuit(
        name="x",
        receptacles=tuple(receptacles),
        volts=volts,
        grounded=grounded,
        rooms={receptacles[0]: "Study"},
        run_lengths_m={receptacles[-1]: 2.5},
    )
    write_job(tmp_path, circuit)
    assert read_job(tmp_path).circuit == circuit


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path, monkeypatch):
    write_job(tmp_path, UPSTAIRS)
    before = (tmp_path / JOB_FILE).read_bytes()

    def refuse(_handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(JobError, match="No space left on device"):
        write_job(tmp_path, replace(UPSTAIRS, name="other"))
    assert (tmp_path / JOB_FILE).read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == [JOB_FILE]


def test_a_capture_header_gives_the_same_circuit():
    header = {
        "name": "Upstairs bedrooms",
        "receptacles": ["Door", "Desk", "Bed"],
        "volts": 120,
        "hertz": 60,
        "breaker_amps": 15,
        "amps": 12.1,
        "conductor": "14 AWG copper",
        "mood": "good",
    }
    circuit, remarks = circuit_from_header(header, "visit.jsonl, line 1")
    assert circuit == UPSTAIRS
    assert remarks == ["visit.jsonl, line 1, circuit: 'mood' is not known and left aside."]
    assert circuit_from_header(header_of(circuit), "")[0] == circuit
    with pytest.raises(JobError, match=r"visit\.jsonl, line 1, circuit\.amps is -3"):
        circuit_from_header(header | {"amps": -3}, "visit.jsonl, line 1")


def test_a_pipe_in_the_place_of_a_job_keeps_nobody_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "job.toml")
    with pytest.raises(JobError, match="pipe"):
        read_job(tmp_path)
