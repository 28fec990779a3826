"""Damaged and hostile input for every reader, made from sound input, and what each may answer.

A reader takes bytes; on any of them it returns, or raises an error that is documented, in bounded
time. ``tests/benchmarks/fuzz_readers.py`` tries a great many, ``tests/test_mutants.py`` a few.
"""

import random
from collections.abc import Callable
from itertools import islice
from pathlib import Path

from drivers.address import parse_address
from drivers.capture import CaptureReader, replay
from drivers.errors import DriverError
from drivers.readings import Reading, make_decoder
from drivers.simulated_bytes import lines_text, nr3_text
from meterlink.circuit.job import JOB_FILE, read_job
from meterlink.errors import MeterlinkError
from meterlink.lab.worklist import JOURNAL_FILE, Journal
from meterlink.testlog.columns import COLUMNS
from meterlink.testlog.findings import FINDINGS_FILE, WITHDRAWN_FILE, read_findings, withdrawn_tests
from meterlink.testlog.from_capture import read_visit
from meterlink.testlog.log import TestLog
from meterlink.testlog.reader import read_rows
from meterlink.testlog.recorded import LOGGED_FILE, Ledger, recorded_tests
from meterlink.tree.resolve import resolve
from meterlink.visit.cautions import CAUTIONS_FILE, are_confirmed

DOCUMENTED = (MeterlinkError, DriverError)
FIXTURES = Path(__file__).parents[1] / "fixtures"

JOB = b"""[circuit]
name = "Up"
receptacles = ["Door", "Desk", "Bed"]
grounded = true
[supply]
volts = 120
hertz = 60
breaker_amps = 15
[wire]
conductor = "14 AWG copper"
[load]
amps = 12.1
[rooms]
Desk = "Study"
[run_lengths_m]
Desk = 3.5
"""
_ROW = (
    "{n},2026-03-02T09:14:05.250+00:00,neutral-ground,{a},,{load},12.1,5.2,0.7,{on},1.1,5.3,890.1,"
    "{drop},3.1,12.5,in-path,40,60,live,visit.jsonl,gap,'=note"
)
_ROWS = (("Desk", "Desk", 900), ("Bed", "Bed", 1500), ("Desk", "Bed", 880), ("Door", "Desk", 400))
LOG = b"\r\n".join(
    [
        ",".join(COLUMNS).encode(),
        *(
            (_ROW.format(n=n, a=a, load=load, on=drop + 5, drop=drop).encode())
            + b"," * (len(COLUMNS) - 23)
            for n, (a, load, drop) in enumerate(_ROWS, 1)
        ),
        b"",
    ]
)
WITHDRAWN = b'{"test": 2, "time": "2026-03-02T09:14:05+00:00", "why": "wrong"}\n' * 3
LEDGER = b'{"test": 2, "sha256": "' + b"0f" * 32 + b'", "capture": "visit.jsonl"}\n'
CAUTIONS = b'{"time": "2026-03-02T09:14:05+00:00", "by": "Kim", "sha256": "' + b"0f" * 32 + b'"}\n'
JOURNAL = b'{"sha256": "0f", "job": "", "capture": "visit.jsonl", "tests": 5}\n'
ISOLATION = (
    b"finding,time,cut,at,receptacle,found,note\r\n"
    b"1,2026-03-02T09:14:05+00:00,parted,Door,Desk,dead,\r\n"
    b"2,2026-03-02T09:15:05+00:00,breaker-off,,Bed,live,\"a, 'b'\"\r\n"
)
ADDRESSES = (
    b"lines:/dev/ttyUSB0,9600,8N1",
    b"segments:COM5,2400,8N1,dtr=on,rts=off",
    b"scpi:TCPIP::192.168.1.7::5025::SOCKET,range=1,nplc=0.2,visa=@ivi",
    b"lines:socket://127.0.0.1:4000,unit=mV,function=AC,ask=44,every=0.5",
)


def _capture() -> bytes:
    """The first test of a recorded visit."""
    lines = []
    with (FIXTURES / "captures" / "circuit-101" / "visit.jsonl").open("rb") as stream:
        for line in islice(stream, 250):
            lines.append(line)
            if b'"end"' in line:
                break
    return b"".join(lines)


CAPTURE = _capture()
_SEGMENTS = FIXTURES / "captures" / "circuit-111" / "visit.jsonl"


def _frames() -> bytes:
    with CaptureReader(_SEGMENTS) as reader:
        return b"".join(getattr(event, "data", b"") for event in islice(reader, 40))


LINES = b"".join(lines_text(v) for v in (0.0061, 0.0062, 0.815, 120.3)) * 3
REPLIES = b"".join(nr3_text(v) for v in (0.0061, 0.0062, 0.815, None)) * 3
FRAMES = _frames()

#: Numbers of any size and kind, for the place of a number.
NUMBERS = (
    *(b"0", b"-0", b"-1", b"1e300", b"-1e300", b"1e309", b"1e-320", b"nan", b"inf", b"-inf"),
    *(b"99999999", b"9" * 30, b"9" * 400, b"9" * 5000, b"0.0000000001", b"1_000", b"0x10"),
    *(b"true", b"null", b'"7"', b"[]", b"{}", b"1e5", b"18446744073709551616", "٣".encode()),
)
_TOKENS = (
    *(b'"', b"\\", b",", b"\r", b"\n", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"[", b"{", b"=" * 9),
    *(b"[" * 500, b'{"a":' * 50, b"'" * 300, b"\xed\xa0\x80", b"\xe2\x80\xae", b" " * 1000),
)


def mutant(sound: bytes, chance: random.Random) -> bytes:
    """Sound input with one to four damages."""
    data = sound
    for _ in range(chance.randint(1, 4)):
        place = chance.randrange(len(data) + 1)
        other = min(len(data), place + chance.randint(1, chance.choice([2, 10, 200])))
        match chance.randrange(8):
            case 0:
                data = data[:place] + data[other:]
            case 1:
                data = data[:place] + chance.randbytes(other - place) + data[other:]
            case 2:
                data = data[:place] + chance.choice(_TOKENS) + data[place:]
            case 3:
                data = data[:other] + data[place:]
            case 4:
                data = data[:place]
            case 5 | 6:
                data = _other_number(data, place, chance)
            case _:
                flipped = bytes([data[place] ^ 1 << chance.randrange(8)]) if data[place:] else b""
                data = data[:place] + flipped + data[place + 1 :]
    return data


def _other_number(data: bytes, place: int, chance: random.Random) -> bytes:
    """The next number in the data replaced by one of another kind."""
    digits = b"0123456789.-+eE"
    start = next((at for at in range(place, len(data)) if data[at : at + 1].isdigit()), None)
    if start is None:
        return data
    stop = next((at for at in range(start, len(data)) if data[at] not in digits), len(data))
    return data[:start] + chance.choice(NUMBERS) + data[stop:]


def _decoded(name: str) -> Callable[[bytes, Path], object]:
    def read(data: bytes, folder: Path) -> object:
        del folder
        decoder = make_decoder(name, {})
        half = len(data) // 2
        found = decoder.feed(data[:half], 0.0) + decoder.feed(data[half:], 1.0)
        if not all(isinstance(reading, Reading) for reading in found):
            raise TypeError(found)
        return found

    return read


def _capture_events(data: bytes, folder: Path) -> object:
    path = folder / "visit.jsonl"
    path.write_bytes(data)
    list(recorded_tests(path))
    with CaptureReader(path) as reader:
        return sum(1 for _ in replay(reader))


def _capture_rows(data: bytes, folder: Path) -> object:
    path = folder / "visit.jsonl"
    path.write_bytes(data)
    return read_visit(path, folder / "no job")


def _log_rows(data: bytes, folder: Path) -> object:
    (folder / "tests.csv").write_bytes(data)
    return list(read_rows(folder / "tests.csv", lambda _problem: None))


def _log_appended(data: bytes, folder: Path) -> object:
    path = folder / "tests.csv"
    path.write_bytes(data)
    before = list(read_rows(path, lambda _problem: None))
    with TestLog(path) as log:
        if before:
            row = log.append(before[0])
            after = list(log.rows(lambda _problem: None))
            if row not in after or len(after) < len(before):
                raise AssertionError("a row that was logged is not there")
    return before


def _map(data: bytes, folder: Path) -> object:
    (folder / JOB_FILE).write_bytes(JOB)
    job = read_job(folder)
    rows = [
        row
        for row in _log_rows(data, folder)  # type: ignore[attr-defined]
        if {row.setup.lead_a, row.setup.load_at} <= set(job.circuit.receptacles)
        and not row.setup.lead_b
    ]
    return resolve(job.circuit, rows)


def _job(data: bytes, folder: Path) -> object:
    (folder / JOB_FILE).write_bytes(data)
    return read_job(folder)


def _in(name: str, read: Callable[[Path], object]) -> Callable[[bytes, Path], object]:
    def written(data: bytes, folder: Path) -> object:
        (folder / name).write_bytes(data)
        return read(folder)

    return written


def _address(data: bytes, folder: Path) -> object:
    del folder
    text = data.decode("utf-8", "surrogateescape")
    return parse_address(str(parse_address(text)))


#: Name: what is read, sound input, and of how many mutants in a thousand it gets.
READERS: dict[str, tuple[Callable[[bytes, Path], object], tuple[bytes, ...], int]] = {
    "lines decoder": (_decoded("lines"), (LINES,), 223),
    "segments decoder": (_decoded("segments"), (FRAMES,), 120),
    "scpi decoder": (_decoded("scpi"), (REPLIES,), 120),
    "address": (_address, ADDRESSES, 120),
    "capture": (_capture_events, (CAPTURE,), 40),
    "capture to rows": (_capture_rows, (CAPTURE,), 6),
    "log": (_log_rows, (LOG,), 100),
    "log, appended to": (_log_appended, (LOG,), 30),
    "log to map": (_map, (LOG,), 1),
    "job": (_job, (JOB,), 80),
    "withdrawn": (_in(WITHDRAWN_FILE, withdrawn_tests), (WITHDRAWN,), 50),
    "ledger": (_in(LOGGED_FILE, lambda f: Ledger(f / "tests.csv")), (LEDGER * 3,), 30),
    "isolation": (
        _in(FINDINGS_FILE, lambda f: read_findings(f, lambda _text: None)),
        (ISOLATION,),
        50,
    ),
    "cautions": (_in(CAUTIONS_FILE, are_confirmed), (CAUTIONS,), 15),
    "journal": (_in(JOURNAL_FILE, lambda f: len(Journal(f))), (JOURNAL * 3,), 15),
}


def try_one(name: str, chance: random.Random, folder: Path) -> tuple[bytes, Exception | None]:
    """One mutant for a reader: the bytes, and an error that is none of the documented ones."""
    read, sound, _ = READERS[name]
    data = mutant(chance.choice(sound), chance)
    try:
        read(data, folder)
    except DOCUMENTED:
        pass
    except Exception as error:  # noqa: BLE001 (that is what is looked for)
        return data, error
    return data, None
