"""``meterlink replay`` from the command line to the files."""

import json
import os
import random
import re
import subprocess
import sys
from pathlib import Path

import pytest

from meterlink.testlog.columns import COLUMNS
from meterlink.testlog.reader import read_rows

HEADER = {
    "capture": 1,
    "started": "2026-03-02T09:14:05+00:00",
    "driver": "lines",
    "settings": {},
    "circuit": {"name": "Up", "receptacles": ["Door", "Desk"], "amps": 10},
}


def capture_of(path: Path, *events: dict[str, object], **header: object) -> Path:
    lines = [json.dumps(line) for line in [HEADER | header, *events]]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def visit(lead_a: str = "Desk", load_at: str = "Desk") -> list[dict[str, object]]:
    """A test of 120 mV on 3 mV: ten seconds idle, twelve on, ten after, three readings a second."""
    mark = {"mark": "test", "hookup": "neutral-ground", "lead_a": lead_a, "load_at": load_at}
    events: list[dict[str, object]] = [{"t": 0.0} | mark]
    for n in range(96):
        t = round(0.2 + n / 3, 3)
        level = 120.0 if 10.5 < t < 22.5 else 3.0
        text = f"{level + (n * 7 % 5) / 10:.1f} mV AC\r\n"
        events.append({"t": t, "rx": text.encode().hex()})
    events += [{"t": 10.0, "mark": "load-on"}, {"t": 22.0, "mark": "load-off"}]
    return [*sorted(events, key=lambda event: event["t"]), {"t": 32.5, "mark": "end"}]


def test_every_recorded_visit_gives_a_row_a_test(tmp_path, captures, meterlink):
    for folder in sorted(captures.iterdir()):
        truth = json.loads((folder / "truth.json").read_text())
        done = meterlink("replay", folder / "visit.jsonl", "--job", tmp_path / folder.name)
        assert done.code == 0
        rows = list(read_rows(tmp_path / folder.name / "tests.csv"))
        assert [(r.setup.hookup, r.setup.lead_a, r.setup.load_at) for r in rows] == [
            (t["hookup"], t["lead_a"], t["load_at"]) for t in truth["tests"]
        ]
        assert f"{len(rows)} of {len(rows)} tests appended" in done.err
        assert len(done.out.splitlines()) > len(rows)


def test_the_same_capture_into_two_jobs_gives_byte_identical_logs(tmp_path, captures, meterlink):
    for job in ("one", "two"):
        meterlink("replay", captures / "circuit-101" / "visit.jsonl", "--job", tmp_path / job)
    one, two = (tmp_path / job / "tests.csv" for job in ("one", "two"))
    assert one.read_bytes() == two.read_bytes()


@pytest.mark.parametrize("name", ["again.jsonl", "visit.jsonl"])
def test_the_same_capture_again_adds_nothing_whatever_its_name(tmp_path, captures, meterlink, name):
    source = captures / "circuit-101" / "visit.jsonl"
    job = tmp_path / "job"
    meterlink("replay", source, "--job", job)
    before = (job / "tests.csv").read_bytes()
    (tmp_path / name).write_bytes(source.read_bytes())
    done = meterlink("replay", tmp_path / name, "--job", job)
    assert done.code == 0
    assert "none was added" in done.err
    assert (job / "tests.csv").read_bytes() == before
    assert [path.name for path in (job / "captures").iterdir()] == ["visit.jsonl"]


def test_another_visit_of_the_same_file_name_is_kept_beside_the_first(tmp_path, meterlink):
    first = capture_of(tmp_path / "visit.jsonl", *visit())
    job = tmp_path / "job"
    meterlink("replay", first, "--job", job)
    (tmp_path / "b").mkdir()
    other = capture_of(
        tmp_path / "b" / "visit.jsonl", *visit(), started="2026-03-03T09:00:00+00:00"
    )
    assert meterlink("replay", other, "--job", job).code == 0
    names = [row.capture for row in read_rows(job / "tests.csv")]
    assert names[0] == "visit.jsonl"
    assert len(set(names)) == 2
    assert sorted(names) == sorted(path.name for path in (job / "captures").iterdir())


def test_a_recording_that_went_on_adds_only_its_new_tests(tmp_path, meterlink):
    first, later = visit(), [event | {"t": event["t"] + 40} for event in visit("Door")]
    job = tmp_path / "job"
    meterlink("replay", capture_of(tmp_path / "visit.jsonl", *first), "--job", job)
    grown = capture_of(tmp_path / "visit.jsonl", *first, *later)
    assert "1 of 2 tests appended" in meterlink("replay", grown, "--job", job).err
    assert [row.setup.lead_a for row in read_rows(job / "tests.csv")] == ["Desk", "Door"]
    assert (job / "captures" / "visit.jsonl").read_bytes() == grown.read_bytes()


def test_a_replay_cut_off_at_any_row_goes_on_to_the_same_log(tmp_path, captures, meterlink):
    source = captures / "circuit-101" / "visit.jsonl"
    job = tmp_path / "job"
    meterlink("replay", source, "--job", job)
    whole = (job / "tests.csv").read_bytes()
    for cut in range(len(whole) // 9, len(whole), len(whole) // 9):
        (job / "tests.csv").write_bytes(whole[: max(cut, whole.index(b"\n") + 1)])
        assert meterlink("replay", source, "--job", job).code == 0
        assert (job / "tests.csv").read_bytes() == whole


def test_json_gives_the_rows_of_the_log(tmp_path, meterlink):
    source = capture_of(tmp_path / "visit.jsonl", *visit())
    done = meterlink("replay", source, "--job", tmp_path / "job", "--json")
    answer = json.loads(done.out)
    assert answer["added"] == 1
    assert tuple(answer["rows"][0]) == COLUMNS
    assert answer["rows"][0]["drop_mV"] == pytest.approx(120, abs=6)
    again = json.loads(meterlink("replay", source, "--job", tmp_path / "job", "--json").out)
    assert again == answer | {"added": 0}


def test_a_job_that_is_there_keeps_its_file_and_the_visit_its_amps(tmp_path, meterlink):
    job = tmp_path / "job"
    job.mkdir()
    text = '[circuit]\nname = "Mine"\nreceptacles = ["Desk", "Door", "Bed"]\n[load]\namps = 8\n'
    (job / "job.toml").write_text(text)
    meterlink("replay", capture_of(tmp_path / "visit.jsonl", *visit()), "--job", job)
    assert (job / "job.toml").read_text() == text
    assert next(read_rows(job / "tests.csv")).amps == 10


def test_odd_lines_are_told_with_their_numbers_and_the_rest_is_used(tmp_path, meterlink):
    events = visit()
    events.insert(3, {"t": 0.3, "mark": "sneeze"})
    source = capture_of(tmp_path / "visit.jsonl", *events)
    lines = source.read_text().splitlines()
    lines[6] = lines[6][:20]
    source.write_text("\n".join(lines) + '\n{"t": 33, "no')
    done = meterlink("replay", source, "--job", tmp_path / "job")
    assert done.code == 0
    assert "visit.jsonl, line 5: mark 'sneeze' is not known" in done.err
    assert "visit.jsonl, line 7: " in done.err
    assert "torn" in done.err


BAD_CAPTURES = {
    "empty": (b"", "is empty"),
    "rubbish": (bytes(range(256)) * 40, "line 1: not a capture"),
    "version": (json.dumps(HEADER | {"capture": 9}).encode(), "line 1: .*version 9"),
    "driver": (json.dumps(HEADER | {"driver": "x"}).encode(), "line 1: driver 'x' is not known"),
    "no-test": (json.dumps(HEADER).encode() + b"\n", "no test in it"),
    "no-circuit": (
        json.dumps({k: v for k, v in HEADER.items() if k != "circuit"}).encode() + b"\n",
        "line 1: the header describes no circuit",
    ),
    "last-year": (
        "\n".join(
            json.dumps(line)
            for line in [
                HEADER | {"started": "9999-12-31T23:59:59+00:00"},
                *({**event, "t": event["t"] + 5} for event in visit()),
            ]
        ).encode(),
        "Correct 'started'",
    ),
}


@pytest.mark.parametrize(("data", "message"), BAD_CAPTURES.values(), ids=list(BAD_CAPTURES))
def test_a_file_that_is_no_capture_is_refused_and_nothing_is_made(
    tmp_path, meterlink, data, message
):
    (tmp_path / "visit.jsonl").write_bytes(data)
    done = meterlink("replay", tmp_path / "visit.jsonl", "--job", tmp_path / "job")
    assert done.code == 1
    assert done.out == ""
    assert re.search(message, done.err), done.err
    assert not (tmp_path / "job").exists()


BAD_CIRCUITS = {
    "negative-volts": ({"volts": -120}, r"line 1, circuit.volts is -120"),
    "twins": ({"receptacles": ["Desk", "Desk"]}, "line 1, circuit.receptacles has 'Desk' twice"),
    "many": ({"receptacles": [str(n) for n in range(10_000)]}, "lists 10000 receptacles"),
    "reserved": ({"receptacles": ["Desk", "panel"]}, "'panel'"),
    "amps": ({"amps": 1e9}, "line 1, circuit.amps is 1000000000.0"),
}


@pytest.mark.parametrize(("change", "message"), BAD_CIRCUITS.values(), ids=list(BAD_CIRCUITS))
def test_a_header_with_a_nonsense_circuit_is_refused(tmp_path, meterlink, change, message):
    circuit = {"name": "Up", "receptacles": ["Door", "Desk"]} | change
    source = capture_of(tmp_path / "visit.jsonl", *visit(), circuit=circuit)
    done = meterlink("replay", source, "--job", tmp_path / "job")
    assert done.code == 1
    assert message in done.err
    assert not (tmp_path / "job").exists()


@pytest.mark.parametrize(
    ("events", "message"),
    [
        (visit("Dsek"), "line 2: the lead is at 'Dsek', which is no receptacle of 'Up'. Did you"),
        (visit("Desk", "Attic"), "line 2: the load is at 'Attic'"),
        ([{**visit()[0], "hookup": "ohms"}, *visit()[1:]], "line 2: .*hookup 'ohms'"),
        ([{**visit()[0], "hookup": "neutral-neutral"}, *visit()[1:]], "line 2: .*Name the second"),
        (
            [*visit(), {**visit()[0], "t": 40.0, "lead_a": "Garage"}],
            "line 102: the lead is at 'Garage'",
        ),
    ],
)
def test_an_unknown_name_is_refused_with_its_line_and_nothing_is_logged(
    tmp_path, meterlink, events, message
):
    good = capture_of(tmp_path / "good.jsonl", *visit())
    job = tmp_path / "job"
    meterlink("replay", good, "--job", job)
    before = {path: path.read_bytes() for path in job.rglob("*") if path.is_file()}
    done = meterlink("replay", capture_of(tmp_path / "visit.jsonl", *events), "--job", job)
    assert done.code == 1
    assert re.search(message, done.err), done.err
    assert {path: path.read_bytes() for path in job.rglob("*") if path.is_file()} == before


def test_a_missing_file_a_folder_and_a_device_are_no_captures(tmp_path, meterlink):
    for path in (tmp_path / "nowhere.jsonl", tmp_path, Path("/dev/zero")):
        done = meterlink("replay", path, "--job", tmp_path / "job")
        assert done.code == 1
        assert str(path) in done.err
        assert not (tmp_path / "job").exists()


def test_a_file_in_the_place_of_the_job_folder_is_told(tmp_path, meterlink):
    source = capture_of(tmp_path / "visit.jsonl", *visit())
    (tmp_path / "job").write_text("not a folder")
    done = meterlink("replay", source, "--job", tmp_path / "job")
    assert done.code == 1
    assert "job" in done.err


def in_process(arguments: list[object], *, before: str = "") -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own, after some preparation."""
    code = f"{before}\nfrom meterlink.cli import main\nmain()"
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        cwd="/",
    )


ORDINARY_USER = """
import os
import drivers.lines, meterlink.commands.job_input, meterlink.commands.replay
import encodings.utf_8_sig, meterlink.show.format, meterlink.testlog.from_capture
if os.geteuid() == 0:  # who may do everything, also where the interpreter cannot be read by others
    os.seteuid(65534)
"""


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="permissions are those of POSIX")
def test_no_permission_is_told_and_nothing_changes(tmp_path, meterlink):
    for folder in (tmp_path, *list(tmp_path.parents)[:2]):
        folder.chmod(0o755)
    source = capture_of(tmp_path / "visit.jsonl", *visit())
    job = tmp_path / "job"
    meterlink("replay", source, "--job", job)
    before = (job / "tests.csv").read_bytes()
    source.chmod(0)
    done = in_process(["replay", source, "--job", job], before=ORDINARY_USER)
    assert (done.returncode, "permission denied" in done.stderr.lower()) == (1, True)
    source.chmod(0o644)
    job.chmod(0o555)
    done = in_process(["replay", source, "--job", job], before=ORDINARY_USER)
    assert (done.returncode, "permission denied" in done.stderr.lower()) == (1, True)
    assert "Traceback" not in done.stderr
    assert (job / "tests.csv").read_bytes() == before
    job.chmod(0o755)


FULL_DISK = """
import resource, signal
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, ({size}, {size}))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="the limit of a file's size is POSIX")
@pytest.mark.parametrize("room", [0, 400])
def test_a_full_disk_is_told_and_the_log_keeps_whole_rows(tmp_path, captures, room):
    # A limit on the size of files stands in for the full disk: writes fail in the same place.
    source = captures / "circuit-101" / "visit.jsonl"
    job = tmp_path / "job"
    in_process(["replay", source, "--job", job])
    whole = (job / "tests.csv").read_bytes()
    start = whole[: whole.index(b"\n") + 1]
    (job / "tests.csv").write_bytes(start)
    done = in_process(
        ["replay", source, "--job", job], before=FULL_DISK.format(size=len(start) + room)
    )
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert "File too large" in done.stderr
    kept = (job / "tests.csv").read_bytes()
    assert whole.startswith(kept)
    assert kept.endswith(b"\r\n")
    assert in_process(["replay", source, "--job", job]).returncode == 0
    assert (job / "tests.csv").read_bytes() == whole


def test_an_unknown_conductor_is_remarked_and_the_tests_are_logged_all_the_same(
    tmp_path, meterlink
):
    circuit = {"name": "Up", "receptacles": ["Door", "Desk"], "conductor": "bell wire"}
    source = capture_of(tmp_path / "visit.jsonl", *visit(), circuit=circuit)
    done = meterlink("replay", source, "--job", tmp_path / "job")
    assert done.code == 0
    assert "line 1, circuit.conductor: Conductor 'bell wire' is not known" in done.err


def damaged(lines: list[bytes], chance: random.Random) -> bytes:
    """A capture with some lines cut, changed, moved, doubled or lost."""
    lines = list(lines)
    for _ in range(chance.choice([1, 5, 30])):
        place, other = chance.randrange(1, len(lines)), chance.randrange(1, len(lines))
        line = lines[place]
        middle = chance.randrange(len(line) + 1)
        changes = (
            [line[:middle]],
            [line[:middle] + bytes([chance.randrange(256)]) + line[middle + 1 :]],
            [line, lines[other]],
            [line.replace(b"load-on", b"load-off")],
            [line.replace(b'"rx"', b'"tx"')],
            [],
        )
        lines[place : place + 1] = chance.choice(changes)
    start = chance.randrange(1, len(lines))
    return b"\n".join(lines[:start] + lines[start + chance.choice([0, 0, 100]) :])


@pytest.mark.parametrize("seed", range(12))
def test_a_damaged_capture_gives_rows_or_one_clear_error(tmp_path, captures, meterlink, seed):
    chance = random.Random(seed)
    folder = chance.choice(["circuit-101", "circuit-105", "circuit-111"])
    lines = (captures / folder / "visit.jsonl").read_bytes().split(b"\n")
    (tmp_path / "visit.jsonl").write_bytes(damaged(lines, chance))
    done = meterlink("replay", tmp_path / "visit.jsonl", "--job", tmp_path / "job")
    if done.code == 0:
        assert list(read_rows(tmp_path / "job" / "tests.csv"))
    else:
        assert "visit.jsonl" in done.err
        assert not (tmp_path / "job").exists()
