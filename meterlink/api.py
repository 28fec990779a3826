"""The front door for Python: plain arguments in, frozen results out, every trap an error.

Heavy parts are imported inside the functions, so that a program that only measures arrays does not
load the resolver, and one that only resolves does not load a driver.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from numbers import Real
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from drivers.readings import Reading
from meterlink.assumptions import USUAL, Assumptions
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import LIVE_HOOKUPS, Hookup, Setup, Verdict, made_setup
from meterlink.errors import UsageError
from meterlink.levels.detector import Measurement, TestDetector
from meterlink.levels.drop import LIMIT_IN_U
from meterlink.levels.statistics import Floats
from meterlink.testlog.columns import Source, TestRow, row_mapping

if TYPE_CHECKING:
    from meterlink.answers.protection import Protection
    from meterlink.plan.next_test import NextTest
    from meterlink.tree.wiring import WiringMap


AnyPath = str | PathLike[str]
Times = float | Sequence[float] | None


@dataclass(frozen=True, slots=True)
class Test:
    """One test as a program states it; only what was measured need be given.

    Attributes:
        hookup: ``neutral-neutral``, ``neutral-ground``, ``line-drop``, ``path-resistance`` or
            ``loop-resistance``.
        lead_a, lead_b: Receptacles of the leads.
        load: Receptacle of the load; ``None`` for an ohmmeter.
        drop_mv, u_mv: The drop that the load made and its standard uncertainty, in mV.
        jump: Instead of a drop, whether a jump was seen.
        amps: Current of the load, where it is another than the circuit's.
        path_mohm, path_u_mohm: What an ohmmeter read, in milliohms.
        side: Conductors measured on the dead circuit (``neutral``, ``hot+ground``, …); a path is
            that of the neutral where nothing is said.

    Raises:
        UsageError: A word that is not known, a figure that is no number, or nothing measured.
    """

    __test__ = False  # keeps pytest from collecting the class by its name

    hookup: str
    lead_a: str
    lead_b: str | None = None
    load: str | None = None
    drop_mv: float | None = None
    u_mv: float | None = None
    jump: bool | None = None
    amps: float | None = None
    path_mohm: float | None = None
    path_u_mohm: float | None = None
    side: str = ""

    def __post_init__(self) -> None:
        for name in ("lead_a", "lead_b", "load"):
            value = getattr(self, name)
            if not isinstance(value, str) and (value is not None or name == "lead_a"):
                raise UsageError(f"{name} is {value!r:.60}; give a name of a receptacle.")
        if self.jump is not None and not isinstance(self.jump, bool):
            raise UsageError(f"jump is {self.jump!r:.60}; give True or False.")
        ohms = self._setup().hookup.ohms
        others = ("drop_mv", "u_mv", "jump", "amps") if ohms else ("path_mohm", "path_u_mohm")
        for name in others:
            if getattr(self, name) is not None:
                raise UsageError(f"{name} is nothing that a test of {self.hookup} has.")
        for name in ("drop_mv", "u_mv", "amps", "path_mohm", "path_u_mohm"):
            value = getattr(self, name)
            if value is not None and not math.isfinite(_number(value, name)):
                raise UsageError(f"{name} is {value}; give a finite number, or leave it out.")
        for name in ("u_mv", "path_u_mohm", "amps"):
            value = getattr(self, name)
            if value is not None and value <= 0:
                raise UsageError(f"{name} is {value:g}; it is above 0.")
        if self.drop_mv is None and self.jump is None and self.path_mohm is None:
            raise UsageError("A test needs drop_mv (with u_mv), jump, or path_mohm.")
        if self.drop_mv is not None and self.jump is not None:
            raise UsageError("Give drop_mv or jump: one of them says what was seen.")
        if (self.drop_mv is None) != (self.u_mv is None):
            raise UsageError("A drop needs its standard uncertainty: give drop_mv and u_mv.")
        if (self.path_mohm is None) != (self.path_u_mohm is None):
            raise UsageError("Give path_mohm and path_u_mohm together.")

    def _setup(self) -> Setup:
        try:
            hookup = Hookup(self.hookup)
        except ValueError as error:
            known = ", ".join(one.value for one in Hookup)
            raise UsageError(f"hookup is {self.hookup!r}; expected one of {known}.") from error
        direct = bool(self.side) and not hookup.ohms
        a, b = self.lead_a, self.lead_b
        return made_setup(hookup, a, b, self.load, side=self.side, direct=direct)

    def row(self, number: int) -> TestRow:
        """The same as a row of a log."""
        drop, u = self.drop_mv, self.u_mv
        limit = None if u is None else LIMIT_IN_U * u
        jump = self.jump if drop is None or u is None else abs(drop) > 3 * u
        verdicts = {None: Verdict.UNCLEAR, True: Verdict.IN_PATH, False: Verdict.NOT_IN_PATH}
        at, path, path_u = datetime(1970, 1, 1, tzinfo=UTC), self.path_mohm, self.path_u_mohm
        row = TestRow(number, at, self._setup(), self.amps, path_mohm=path, path_u_mohm=path_u)
        return replace(row, drop_mv=drop, drop_u_mv=u, limit_mv=limit, verdict=verdicts[jump])


class Rows(tuple[TestRow, ...]):
    """Rows of a test log, in order."""

    __slots__ = ()

    def to_pandas(self) -> Any:  # pandas is no dependency
        """A ``pandas.DataFrame``, one row a test, the log's columns by name.

        Raises:
            UsageError: pandas is not installed.
        """
        try:
            import pandas
        except ImportError as error:
            raise UsageError("to_pandas needs pandas: pip install pandas.") from error
        frame = pandas.DataFrame([row_mapping(row) for row in self])
        if "time" in frame:
            frame["time"] = pandas.to_datetime(frame["time"], utc=True)
        return frame


@contextmanager
def readings(
    address: str, *, record: AnyPath | None = None, patience_s: float = 60.0
) -> Iterator[Iterator[Reading]]:
    """The readings of a live meter, as they come.

    Args:
        address: As ``meterlink meters`` gives it, such as ``lines:/dev/ttyUSB0,9600``.
        record: A file that does not exist yet, to record every byte in.
        patience_s: How long to wait for a reading; ``math.inf`` waits for ever.

    Example:
        with ml.readings("lines:/dev/ttyUSB0,9600") as stream:
            for reading in stream:
                print(reading.t_s, reading.volts)

    Raises:
        DriverError: There is no such meter, it cannot be opened, or it says nothing for longer.
    """
    from drivers.errors import SilentError
    from meterlink.live.session import LiveSession

    def stream(session: LiveSession) -> Iterator[Reading]:
        last_s = session.now_s()
        while session.now_s() - last_s <= patience_s:
            for event in session.poll(timeout_s=min(0.2, patience_s)):
                if isinstance(event, Reading):
                    yield event
                    last_s = session.now_s()
        raise SilentError(
            f"No reading came from {address} for {patience_s:g} s. Check that the meter is on and "
            "its cable in place; patience_s waits longer."
        )

    with LiveSession(address, None if record is None else Path(record)) as session:
        yield stream(session)


def replay(paths: AnyPath | Iterable[AnyPath], *, circuit: Circuit | None = None) -> Rows:
    """The tests in recorded visits, measured anew; nothing is written.

    Args:
        paths: Captures, or folders whose ``*.jsonl`` files are captures.
        circuit: Takes the place of the one that the captures describe.

    Raises:
        MeterlinkError: A capture describes no circuit, or names what the circuit does not have.
        DriverError: A capture cannot be read.
    """
    from drivers.capture import CaptureReader
    from drivers.capture import replay as events
    from meterlink.circuit.job import circuit_from_header
    from meterlink.levels.visit_split import completed_tests
    from meterlink.testlog.from_capture import checked_names_in
    from meterlink.testlog.rows import measured_row

    rows: list[TestRow] = []
    if circuit is not None:
        _circuit(circuit)
    given: object = paths
    if not isinstance(given, str | PathLike | Iterable):
        raise UsageError(f"paths is {given!r:.60}; give a capture, a folder, or a list of them.")
    for path in _captures([paths] if isinstance(paths, str | PathLike) else paths):
        with CaptureReader(path) as capture:
            described = circuit
            if described is None:
                header = capture.header.circuit
                if header is None:
                    raise UsageError(f"{path} describes no circuit; give one with circuit=.")
                described, _ = circuit_from_header(header, str(path))
            started = capture.header.started
            named = checked_names_in(events(capture), path, described)
            four_wire = capture.header.settings.get("wires") == 4
            for done in completed_tests(named, described, four_wire=four_wire):
                amps, source = described.load_amps, Source.REPLAY
                row = measured_row(
                    done, started=started, amps=amps, source=source, capture=path.name
                )
                rows.append(row)
    return Rows(_numbered(rows))


def read_log(path: AnyPath) -> Rows:
    """The rows of a test log (``tests.csv``), or of a job folder's.

    Raises:
        LogError: It is no test log, or a row cannot be read.
    """
    from meterlink.circuit.job import LOG_FILE
    from meterlink.testlog.reader import read_rows

    given: object = path
    if not isinstance(given, str | PathLike):
        raise UsageError(f"path is {given!r:.60}; give a test log, or a job folder with one.")
    log = Path(path)
    log = log / LOG_FILE if log.is_dir() else log
    if not log.exists():
        raise UsageError(f"{log} is not there. Give a test log, or a job folder with one.")
    return Rows(read_rows(log))


def resolve(
    circuit: Circuit, tests: Iterable[Test | TestRow], *, assumptions: Assumptions = USUAL
) -> "WiringMap":
    """What the tests say about the wiring, with probabilities.

    Args:
        circuit: The receptacles, and what else is known.
        tests: Tests of your own, or rows of a log.
        assumptions: Priors and noise.

    Raises:
        UsageError: A test names a receptacle that the circuit does not have.
    """
    from meterlink.tree.resolve import resolve as resolved

    return resolved(_circuit(circuit), _rows(tests), assumptions=assumptions)


def next_test(
    circuit: Circuit,
    tests: Iterable[Test | TestRow],
    *,
    goal: str = "order",
    cover: Sequence[str] = (),
    dead: Sequence[str] = (),
    hookups: Sequence[str] = (),
    not_now: Sequence[str] = (),
    assumptions: Assumptions = USUAL,
) -> "NextTest":
    """The test that is worth most now.

    Args:
        circuit: The receptacles, and what else is known.
        tests: What was tested so far.
        goal: ``order``, ``first``, ``protect``, ``fault`` or ``joints``.
        cover: Receptacles to protect, for ``protect``; all by default.
        dead: Receptacles that are dead, for ``fault``.
        hookups: Limits the hookups.
        not_now: Receptacles that are not accessible.
        assumptions: Priors and noise.

    Raises:
        UsageError: A word or a name that is not known, or no test is possible.
    """
    from meterlink.plan.next_test import next_test as planned
    from meterlink.plan.questions import Goal, Question
    from meterlink.tree.infer import infer

    rows = _rows(tests)
    question = Question(_word(Goal, goal, "goal"), _names(cover, "cover"), _names(dead, "dead"))
    return planned(
        infer(_circuit(circuit), rows, assumptions=assumptions),
        last=rows[-1].setup if rows else None,
        question=question,
        hookups=[_word(Hookup, name, "hookup") for name in _names(hookups, "hookups")] or None,
        not_now=_names(not_now, "not_now"),
        assumptions=assumptions,
    )


def protect(
    circuit: Circuit,
    tests: Iterable[Test | TestRow],
    *,
    cover: Sequence[str] = (),
    at: Sequence[str] = (),
    assumptions: Assumptions = USUAL,
) -> "Protection":
    """Where ground-fault devices go so that all receptacles, or those named, are protected.

    Args:
        circuit: The receptacles, and what else is known.
        tests: What was tested.
        cover: Receptacles to protect; all by default.
        at: Places of devices to judge instead of choosing them.
        assumptions: Priors and noise.

    Raises:
        UsageError: A name that the circuit does not have.
    """
    from meterlink.answers.protection import protect as protected
    from meterlink.answers.wirings import known_of

    wanted, places = _names(cover, "cover"), _names(at, "at")
    for name in (*wanted, *places):
        if name not in _circuit(circuit).receptacles:
            raise UsageError(f"{name!r} is no receptacle of the circuit.")
    known = known_of(_circuit(circuit), _rows(tests), assumptions=assumptions)
    return protected(known.wirings, wanted, places)


def _captures(paths: Iterable[AnyPath]) -> Iterator[Path]:
    for path in map(Path, paths):
        found = sorted(path.glob("*.jsonl")) if path.is_dir() else [path]
        if not found:
            raise UsageError(f"{path} has no capture (*.jsonl) in it.")
        yield from found


def _numbered(rows: Iterable[TestRow]) -> Iterator[TestRow]:
    return (replace(row, test=number) for number, row in enumerate(rows, start=1))


def _circuit(circuit: object) -> Circuit:
    if not isinstance(circuit, Circuit):
        raise UsageError(f"circuit is {circuit!r:.60}; give a Circuit.")
    return circuit


def _names(names: object, what: str) -> tuple[str, ...]:
    """Names as a caller lists them; one text would be taken for a list of letters."""
    if isinstance(names, str) or not isinstance(names, Iterable):
        raise UsageError(f"{what} is {names!r:.60}; give a list of names.")
    return tuple(names)


def _rows(tests: Iterable[Test | TestRow]) -> list[TestRow]:
    """Rows of a log as they are; tests of the caller's own get numbers."""
    given: object = tests
    if not isinstance(given, Iterable):
        raise UsageError(f"tests is {given!r:.60}; give a list of tests, or rows of a log.")
    rows = []
    for number, test in enumerate(tests, start=1):
        if not isinstance(test, Test | TestRow):
            raise UsageError(f"Test {number} is {test!r:.60}; expected a Test or a row of a log.")
        rows.append(test.row(number) if isinstance(test, Test) else test)
    return rows


def _word(kind: Any, word: str, what: str) -> Any:
    try:
        return kind(word)
    except ValueError as error:
        known = ", ".join(one.value for one in kind)
        raise UsageError(f"{what} is {word!r}; expected one of {known}.") from error


def _number(value: object, name: str) -> float:
    if isinstance(value, bool) or not isinstance(value, Real):  # numpy's numbers are real ones
        raise UsageError(f"{name} is {value!r:.60}; give a number.")
    return float(value)


def measure(
    t_s: npt.ArrayLike,
    volts: npt.ArrayLike,
    *,
    on: Times = None,
    off: Times = None,
    hertz: float | None = 60.0,
    hookup: str = Hookup.NEUTRAL_NEUTRAL,
    direct: bool = False,
    smallest_drop_mv: float | None = None,
    assumptions: Assumptions = USUAL,
) -> Measurement:
    """Measure one test.

    Args:
        t_s: Times of the readings in seconds, not decreasing.
        volts: What the meter showed, in volts, finite; leave out overload.
        on: When somebody said that the load was switched on: about, one time or several.
        off: The same for off. Without both the load is looked for in the readings alone, and
            "no jump" cannot be said.
        hertz: Of the supply; 0 for direct current, ``None`` where it is not known (taken as AC).
        hookup: ``neutral-neutral``, ``neutral-ground`` or ``line-drop``.
        direct: The load draws a direct current, and the readings are DC volts.
        smallest_drop_mv: Drop on the smallest run that could be there; 80 mV (1 m at 10 A).
        assumptions: Priors and noise.

    Returns:
        Levels, drop, verdict and flags, in mV.

    Raises:
        UsageError: Shapes that differ, NaN, times that run back, an unknown word.

    Example:
        >>> import numpy as np
        >>> t = np.arange(0.0, 30.0, 0.25)
        >>> volts = np.where((t > 10) & (t < 20), 0.3, 0.006)
        >>> found = measure(t, volts, on=9.0, off=19.5)
        >>> found.verdict, 290 < found.drop_mv < 310
        (<Verdict.IN_PATH: 'in-path'>, True)
    """
    times, values = _series("t_s", t_s), _series("volts", volts)
    if times.size != values.size:
        raise UsageError(f"t_s has {times.size} values and volts {values.size}; give one for each.")
    back = np.flatnonzero(np.diff(times) < 0)
    if back.size:
        k = int(back[0]) + 1
        raise UsageError(
            f"t_s[{k}] is {times[k]:g} after {times[k - 1]:g}: times must not run back. Sort them."
        )
    if hertz is not None and not 0 <= hertz < math.inf:
        raise UsageError(f"hertz is {hertz!r}; give a frequency, 0 for direct current, or None.")
    if hookup not in LIVE_HOOKUPS:
        known = ", ".join(LIVE_HOOKUPS)
        raise UsageError(f"The hookup {hookup!r:.40} is not known; known are {known}.")
    setup = Setup(Hookup(hookup), "A", "B" if Hookup(hookup).has_lead_b else None, "load")
    start_s = float(times[0]) if times.size else 0.0
    detector = TestDetector(
        setup,
        start_s,
        hertz=hertz,
        smallest_drop_mv=smallest_drop_mv,
        direct=direct,
        assumptions=assumptions,
    )
    for name, times_s in (("on", on), ("off", off)):
        for mark_s in sorted(_times(name, times_s)):
            detector.mark(f"load-{name}", mark_s)
    for one_s, value in zip(times.tolist(), values.tolist(), strict=True):
        detector.add(Reading(one_s, value))
    return detector.finish(float(times[-1]) if times.size else start_s)


def _series(name: str, values: npt.ArrayLike) -> Floats:
    """A series of finite numbers.

    Raises:
        UsageError: It is none.
    """
    try:
        series = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise UsageError(f"{name} is no series of numbers: {error}.") from error
    if series.ndim != 1:
        raise UsageError(f"{name} has {series.ndim} dimensions; give one series.")
    wild = np.flatnonzero(~np.isfinite(series))
    if wild.size:
        k = int(wild[0])
        raise UsageError(f"{name}[{k}] is {series[k]}: leave out what has no value.")
    return series


def _times(name: str, times: Times) -> list[float]:
    """Times of taps, in order."""
    if times is None:
        return []
    return sorted(_series(name, [times] if isinstance(times, int | float) else times).tolist())
