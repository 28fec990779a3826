"""One line of a capture to and from an event. Pure; bounded in what it takes in."""

import json
from collections.abc import Mapping
from datetime import datetime
from typing import NoReturn

from drivers.readings import MARK_KINDS, Event, Header, Mark, Received, Sent

VERSION = 1
MAX_LINE_BYTES = 1 << 20
MAX_NESTING = 8
MAX_TEXT = 10_000
MAX_T_S = 1e8  # three years

_SETUP_FIELDS = ("hookup", "lead_a", "lead_b", "load_at", "side", "return_at")
SETTINGS = ("low", "high")


class LineError(ValueError):
    """A line that is none of a capture; the message says what is wrong with it."""


class UnknownMarkError(LineError):
    """A mark of a kind that is not known; the line is sound otherwise."""


def read_object(line: bytes) -> dict[str, object]:
    """Read one JSON object within bounds of size and depth.

    Raises:
        LineError: It is none, or beyond the bounds.
    """
    if len(line) > MAX_LINE_BYTES:
        raise LineError(f"longer than {MAX_LINE_BYTES} bytes")
    if line.count(b"{") + line.count(b"[") > MAX_NESTING and _depth(line) > MAX_NESTING:
        raise LineError(f"nested deeper than {MAX_NESTING} levels")
    try:
        value = json.loads(line, parse_constant=_refuse_constant)
    except UnicodeDecodeError as error:
        raise LineError("not UTF-8 text") from error
    except (ValueError, RecursionError) as error:
        raise LineError("not a JSON object") from error
    if not isinstance(value, dict):
        raise LineError("not a JSON object")
    return value


def _refuse_constant(name: str) -> NoReturn:
    raise ValueError(name)


def _depth(line: bytes) -> int:
    """Greatest nesting of brackets outside quoted text."""
    depth = deepest = 0
    quoted = escaped = False
    for byte in line:
        if escaped:
            escaped = False
        elif quoted:
            escaped = byte == 0x5C
            quoted = byte != 0x22
        elif byte == 0x22:
            quoted = True
        elif byte in b"{[":
            depth += 1
            deepest = max(deepest, depth)
        elif byte in b"}]":
            depth -= 1
    return deepest


def read_header(line: bytes) -> Header:
    """Read the first line of a capture; whether its driver exists is not checked here.

    Raises:
        LineError: It is no header, or of a version that is not known.
    """
    value = read_object(line)
    version = value.get("capture")
    if version is None:
        raise LineError('no header: {"capture": 1, ...} is expected')
    if version != VERSION or isinstance(version, bool):
        raise LineError(f"capture version {version!r:.40}, and this program reads version 1")
    driver = value.get("driver")
    if not isinstance(driver, str):
        raise LineError("the header names no driver")
    settings = _object_field(value, "settings")
    circuit = value.get("circuit")
    if circuit is not None:
        circuit = _object_field(value, "circuit")
    instrument = {k: v for k, v in _object_field(value, "instrument").items() if isinstance(v, str)}
    return Header(_started(value.get("started")), driver, settings, circuit, instrument)


def _object_field(value: Mapping[str, object], name: str) -> dict[str, object]:
    found = value.get(name, {})
    if not isinstance(found, dict):
        raise LineError(f"{name} in the header is not an object")
    return found


def _started(text: object) -> datetime:
    if not isinstance(text, str):
        raise LineError("the header does not say when it started")
    try:
        started = datetime.fromisoformat(text)
    except ValueError as error:
        raise LineError(f"started is no ISO 8601 time: {text[:40]!r}") from error
    if started.tzinfo is None:
        raise LineError(f"started has no offset from UTC: {text[:40]!r}")
    return started


def write_header(header: Header) -> bytes:
    """Write the first line, line end included."""
    value: dict[str, object] = {
        "capture": VERSION,
        "started": header.started.isoformat(),
        "driver": header.driver,
        "settings": dict(header.settings),
    }
    if header.instrument:
        value["instrument"] = dict(header.instrument)
    if header.circuit is not None:
        value["circuit"] = dict(header.circuit)
    return _to_line(value)


def read_event(line: bytes) -> Event:
    """Read one event.

    Raises:
        UnknownMarkError: A mark of another kind than is known.
        LineError: No event, or beyond the bounds.
    """
    value = read_object(line)
    t_s = value.get("t")
    if isinstance(t_s, bool) or not isinstance(t_s, int | float):
        raise LineError("no time t in seconds")
    if not 0 <= t_s <= MAX_T_S:  # nan as well; an integer may be too long for a float
        raise LineError("time t is not between 0 and 1e8 s")
    kinds = [kind for kind in ("rx", "tx", "mark") if kind in value]
    if len(kinds) != 1:
        raise LineError("not exactly one of rx, tx and mark")
    if kinds[0] == "mark":
        return _read_mark(value, float(t_s))
    data = _read_bytes(value[kinds[0]])
    return Received(float(t_s), data) if kinds[0] == "rx" else Sent(float(t_s), data)


def _read_bytes(text: object) -> bytes:
    if not isinstance(text, str) or len(text) % 2 or not text.isalnum():
        raise LineError("bytes are not written as pairs of hex digits")
    try:
        return bytes.fromhex(text)
    except ValueError as error:
        raise LineError("bytes are not written as pairs of hex digits") from error


def _read_mark(value: Mapping[str, object], t_s: float) -> Mark:
    kind = value["mark"]
    if not isinstance(kind, str):
        raise LineError("the mark is not a text")
    if kind not in MARK_KINDS:
        raise UnknownMarkError(f"mark {kind[:40]!r} is not known")
    text = _text_field(value, "text") or ""
    fields = {name: _text_field(value, name) for name in _SETUP_FIELDS}
    if kind == "test":
        for name in ("hookup", "lead_a"):  # the dead circuit has tests without a load
            if not fields[name]:
                raise LineError(f"the test does not say {name}")
    setting = _text_field(value, "setting")
    if setting not in (None, *SETTINGS):
        raise LineError(f"the setting {setting!r:.40} is neither low nor high")
    return Mark(t_s, kind, text, **fields, setting=setting)


def _text_field(value: Mapping[str, object], name: str) -> str | None:
    text = value.get(name)
    if text is None:
        return None
    if not isinstance(text, str):
        raise LineError(f"{name} is not a text")
    if len(text) > MAX_TEXT:
        raise LineError(f"{name} is longer than {MAX_TEXT} characters")
    return text


def write_event(event: Event) -> bytes:
    """Write one event, line end included.

    Raises:
        LineError: A text in it, or the whole, is beyond the bounds.
    """
    if isinstance(event, Received):
        return b'{"t": %s, "rx": "%s"}\n' % (_seconds(event.t_s), event.data.hex().encode())
    if isinstance(event, Sent):
        return b'{"t": %s, "tx": "%s"}\n' % (_seconds(event.t_s), event.data.hex().encode())
    value: dict[str, object] = {"t": round(event.t_s, 6), "mark": event.kind}
    for name in (*_SETUP_FIELDS, "setting", "text"):
        text = getattr(event, name)
        if text:
            value[name] = text
    line = _to_line(value)
    read_event(line)  # what was written must be readable: the same bounds hold both ways
    return line


def _seconds(t_s: float) -> bytes:
    return repr(round(t_s, 6)).encode()


def _to_line(value: Mapping[str, object]) -> bytes:
    line = json.dumps(value, ensure_ascii=False).encode("utf-8", "replace") + b"\n"
    if len(line) > MAX_LINE_BYTES:
        raise LineError(f"longer than {MAX_LINE_BYTES} bytes")
    return line
