"""A visit as it is run, in this process: typed readings, a log that fails, undone tests, signals.

The clock runs fifty times faster; the person is a list of what is typed when.
"""

import signal
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest

from drivers.address import parse_address, steady_s
from drivers.capture import CaptureWriter
from drivers.errors import CaptureError, OpeningError
from drivers.readings import Header, Mark
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import Job, read_job, write_job
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.errors import LogError, MeterlinkError
from meterlink.live import visit_recording, visiting
from meterlink.live.visit_recording import VisitLog, VisitRecording
from meterlink.live.visiting import VisitRun
from meterlink.page.hub import Press
from meterlink.testlog.columns import TestRow
from meterlink.testlog.findings import withdraw, withdrawn_tests
from meterlink.testlog.log import TestLog
from meterlink.testlog.reader import read_rows
from meterlink.visit.keyboard import Typed
from meterlink.visit.loop import Visit
from meterlink.visit.planning import Outlook
from meterlink.visit.state import SetMark, TypedTest
from meterlink.visit.view import Command, Key, VisitStage

CIRCUIT = Circuit("Flat", ("Door", "Desk", "Bed"), volts=120.0, hertz=60.0, load_amps=12.0)
SETUP = Setup(Hookup.NEUTRAL_GROUND, "Door", None, "Door")
MOST_TURNS = 5000  # of a visit that ends; each takes two milliseconds


def planned(circuit: Circuit, rows: Sequence[TestRow], *more: object, **how: object) -> Outlook:
    """What is worth testing next, without working it out: one receptacle after another."""
    at = circuit.receptacles[len(rows) % 3]
    setup = Setup(Hookup.NEUTRAL_GROUND, at, None, at)
    return Outlook(settled=False, setup=setup, why="To know.", known=SimpleNamespace())


@pytest.fixture
def job(tmp_path: Path, monkeypatch) -> Iterator[Job]:
    monkeypatch.setattr(visiting, "steady_s", lambda: 50 * steady_s())
    monkeypatch.setattr(visiting, "POLL_S", 0.002)
    monkeypatch.setattr(visiting, "_LAST_LOOK_S", 0.0)
    monkeypatch.setattr(visiting, "look_ahead", planned)
    write_job(tmp_path, CIRCUIT)
    return read_job(tmp_path)


class Person:
    """A surface with a person at it: answers whenever a reading, or anything, is wanted."""

    def __init__(self, *answers: Typed | Callable[[Visit], None]) -> None:
        self.answers = list(answers)
        self.said: list[str] = []
        self.rows: list[int] = []
        self.outlooks = 0
        self.commands: list[Command] = []
        self._visit: Visit | None = None
        self._answered = -1
        self.turns = 0

    def typed(self) -> Sequence[Typed]:
        visit = self._visit
        ready = (VisitStage.SET_UP, VisitStage.SETTLED)
        if visit is None or visit.view.stage not in ready or visit.view.step == self._answered:
            return ()
        self._answered = visit.view.step
        answer = self.answers.pop(0) if self.answers else Typed(Key.STOP, blind=True)
        if isinstance(answer, Typed):
            return (answer,)
        answer(visit)
        return ()

    def show(self, visit: Visit) -> None:
        self._visit = visit
        self.turns += 1
        assert self.turns < MOST_TURNS, visit.view

    def event(self, event: object) -> None:
        raise AssertionError("no meter is there")

    def row(self, row) -> None:
        self.rows.append(row.test)

    def outlook(self, outlook) -> None:
        self.outlooks += 1

    def say(self, text: str) -> None:
        self.said.append(text)

    def command(self, command: Command, outlook) -> None:
        self.commands.append(command)


LEVELS = Typed(Command.LEVELS, "6 815")


def run(job: Job, person: Person, **how: object) -> tuple[VisitRun, bool]:
    with (
        TestLog(job.log_path) as log,
        VisitRun(job, log, None, person, rows=list(read_rows(job.log_path)), **how) as visit,
    ):
        return visit, visit.run()


def test_typed_readings_are_logged_one_after_another_until_the_person_stops(job: Job) -> None:
    person = Person(LEVELS, Typed(Key.JUMP, blind=True), Typed(Key.NO_JUMP, blind=True))
    visit, whole = run(job, person)
    rows = list(read_rows(job.log_path))
    assert whole
    assert person.rows == [1, 2, 3] == [row.test for row in rows]
    assert (rows[0].idle_mv, rows[0].on_mv) == (6.0, 815.0)
    assert [row.verdict for row in rows[1:]] == [Verdict.IN_PATH, Verdict.NOT_IN_PATH]
    assert person.outlooks == 4  # before the first test, and after each
    assert visit.latest is not None
    assert visit.session is None
    assert not visit.was_interrupted


def test_a_visit_goes_on_where_the_last_one_was(job: Job) -> None:
    run(job, Person(LEVELS))
    person = Person(LEVELS)
    visit, _ = run(job, person)
    assert person.rows == [2]
    assert [row.test for row in visit.rows] == [1, 2]


def test_a_row_that_cannot_be_written_is_tried_again_and_logged_once(job: Job, monkeypatch) -> None:
    real, fails = TestLog.append, [2]

    def append(self, row, *more, **named):
        if fails[0]:
            fails[0] -= 1
            raise LogError("The disk is full.")
        return real(self, row, *more, **named)

    monkeypatch.setattr(TestLog, "append", append)
    person = Person(LEVELS)
    _, whole = run(job, person)
    assert whole
    assert person.rows == [1]
    assert len(list(read_rows(job.log_path))) == 1


def test_a_visit_that_ends_before_its_row_is_written_is_not_whole(job: Job, monkeypatch) -> None:
    def append(self, *row, **more):
        raise LogError("The disk is full.")

    monkeypatch.setattr(TestLog, "append", append)
    monkeypatch.setattr(Person, "typed", lambda self: stop_when_logging(self))

    def stop_when_logging(self: Person) -> Sequence[Typed]:
        stage = self._visit.view.stage if self._visit else None
        if stage is VisitStage.SET_UP and self.answers:
            return (self.answers.pop(0),)
        saving = self._visit is not None and "Saving" in self._visit.view.instruction
        return (Typed(Key.STOP, blind=True),) if saving else ()

    _, whole = run(job, Person(LEVELS))
    assert not whole
    assert list(read_rows(job.log_path)) == []


def test_a_test_is_undone_from_here_and_seen_to_be_undone_elsewhere(job: Job) -> None:
    def elsewhere(visit: Visit) -> None:
        withdraw(job.folder, 2, datetime(2026, 3, 2, tzinfo=UTC))

    person = Person(LEVELS, LEVELS, Typed(Command.UNDO, "1"), elsewhere)
    waits = person.typed

    def patient() -> Sequence[Typed]:
        """The last thing typed waits for what another terminal did."""
        if not person.answers and not any("elsewhere" in text for text in person.said):
            return ()
        return waits()

    person.typed = patient  # type: ignore[method-assign]
    visit, _ = run(job, person)
    assert "Test 1 is undone; it stays in the log and does not count." in person.said
    assert "Test 2 was undone elsewhere; it does not count." in person.said
    assert [row.test for row in visit.rows] == []
    assert set(withdrawn_tests(job.folder)) == {1, 2}
    assert len(list(read_rows(job.log_path))) == 2  # nothing leaves the log


def test_an_undoing_that_cannot_be_written_is_said_and_the_test_counts(
    job: Job, monkeypatch
) -> None:
    def fails(*what: object) -> None:
        raise LogError("withdrawn.jsonl cannot be written.")

    monkeypatch.setattr(visit_recording, "withdraw", fails)
    person = Person(LEVELS, Typed(Command.UNDO, "1"))
    person_typed = person.typed

    def until_said() -> Sequence[Typed]:
        if not person.answers and not person.said:
            return ()
        if person.said:
            return (Typed(Key.STOP, blind=True),)
        return person_typed()

    person.typed = until_said  # type: ignore[method-assign]
    visit, _ = run(job, person)
    assert person.said == ["withdrawn.jsonl cannot be written."]
    assert [row.test for row in visit.rows] == [1]


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_a_visit_in_order(job: Job, number: signal.Signals) -> None:
    person = Person(LEVELS, lambda _visit: signal.raise_signal(number))
    visit, whole = run(job, person)
    assert whole
    assert visit.was_interrupted
    assert person.rows == [1]


def test_what_is_asked_for_besides_is_passed_on(job: Job) -> None:
    person = Person(Typed(Command.MAP), LEVELS)
    answered = person.typed

    def again() -> Sequence[Typed]:
        """Asking for the map is no answer: the same step is answered again."""
        if person.commands and len(person.answers) == 1:
            person._answered = -1
        return answered()

    person.typed = again  # type: ignore[method-assign]
    run(job, person)
    assert person.commands == [Command.MAP]
    assert person.rows == [1]


def test_what_cannot_be_worked_out_ends_the_visit_with_its_message(job: Job, monkeypatch) -> None:
    def fails(*what: object, **more: object) -> None:
        raise MeterlinkError("The log names a receptacle that is not there.")

    monkeypatch.setattr(visiting, "look_ahead", fails)
    with pytest.raises(MeterlinkError, match="a receptacle that is not there"):
        run(job, Person())


class PlayedHub:
    """A page with a person at it."""

    def __init__(self, *presses: str) -> None:
        self.waiting = list(presses)
        self.views: list[object] = []
        self.papers: list[object] = []
        self.speed = 0.0
        self._step = -1

    def hurry(self, speed: float) -> None:
        self.speed = speed

    def presses(self) -> list[Press]:
        view = self.views[-1] if self.views else None
        if view is None or view.stage not in (VisitStage.SET_UP, VisitStage.SETTLED):
            return []
        if view.step == self._step or not (self.waiting or self.papers):
            return []
        self._step = view.step
        if self.waiting:
            return [Press(Command.LEVELS, view.step, self.waiting.pop(0))]
        return [Press(Key.STOP, view.step)]

    def show(self, view: object) -> None:
        self.views.append(view)

    def keep(self, papers: object) -> None:
        self.papers.append(papers)


def test_the_page_sees_every_view_and_its_presses_count_as_typed(job: Job, monkeypatch) -> None:
    monkeypatch.setattr(visiting, "papers_of", lambda job, rows, known: len(rows))
    person, hub = Person(), PlayedHub("6 815")
    person.typed = lambda: ()  # type: ignore[method-assign]
    _, whole = run(job, person, hub=hub)
    assert whole
    assert person.rows == [1]
    assert hub.speed == 1.0
    assert hub.papers[:1] == [1]


def test_papers_that_cannot_be_made_are_said_and_the_visit_goes_on(job: Job, monkeypatch) -> None:
    def fail(job: Job, rows: object, known: object) -> None:
        raise ValueError("no way from the panel")

    monkeypatch.setattr(visiting, "papers_of", fail)
    person, hub = Person(LEVELS, LEVELS, LEVELS), PlayedHub()
    hub.presses = list  # type: ignore[method-assign]
    _, whole = run(job, person, hub=hub)
    assert whole
    assert person.rows == [1, 2, 3]
    assert any("no way from the panel" in text for text in person.said)


# recordings


class PlayedSession:
    """A session that writes a real capture, and breaks when it is told to."""

    opened: list["PlayedSession"]
    refuses: OpeningError | None = None

    def __init__(self, address: object, path: Path, **more: object) -> None:
        if self.refuses is not None:
            path.touch()
            raise self.refuses
        self.capture, self.more = path, more
        self.started = datetime(2026, 3, 2, tzinfo=UTC)
        self.is_recording = True
        self.fails = False
        self.meter = SimpleNamespace(settings={})
        self.marks: list[str] = []
        self._writer = CaptureWriter(path, Header(self.started, "lines"))
        self.opened.append(self)

    def mark(self, kind: str, text: str = "", **place: object) -> None:
        if self.fails:
            raise CaptureError("The disk is full.")
        self.marks.append(kind)
        named = {name: value for name, value in place.items() if value}
        self._writer.append(Mark(float(len(self.marks)), kind, text, **named))
        self._writer.sync()

    def close(self) -> None:
        self.is_recording = False
        self._writer.close()


@pytest.fixture
def sessions(monkeypatch) -> list[PlayedSession]:
    opened: list[PlayedSession] = []
    kind = type("Played", (PlayedSession,), {"opened": opened})
    monkeypatch.setattr(visit_recording, "LiveSession", kind)
    return opened


ADDRESS = parse_address("lines:/dev/ttyUSB0")


def test_a_recording_has_a_name_of_its_own_in_the_folder_of_captures(job: Job, sessions) -> None:
    with VisitRecording(job, ADDRESS) as recording:
        assert recording.name.startswith("visit-")
        assert recording.session.capture.parent == job.captures_path
        assert sessions[0].more["circuit"]["receptacles"] == ["Door", "Desk", "Bed"]
    assert not sessions[0].is_recording


def test_a_folder_that_cannot_be_made_is_told(job: Job, sessions) -> None:
    job.captures_path.write_text("a file")
    with pytest.raises(CaptureError, match="cannot be made"):
        VisitRecording(job, ADDRESS)


def test_a_meter_that_is_not_there_leaves_no_empty_recording(
    job: Job, sessions, monkeypatch
) -> None:
    kind = visit_recording.LiveSession
    monkeypatch.setattr(kind, "refuses", OpeningError("/dev/ttyUSB0 is not there."))
    with pytest.raises(OpeningError, match="is not there"):
        VisitRecording(job, ADDRESS)
    assert list(job.captures_path.iterdir()) == []


def test_a_recording_that_could_not_be_written_for_a_while_voids_its_test(
    job: Job, sessions
) -> None:
    recording = VisitRecording(job, ADDRESS)
    recording.mark(SetMark("test", setup=SETUP))
    sessions[0].fails = True
    with pytest.raises(CaptureError, match="The disk is full"):
        recording.mark(SetMark("load-on"))
    with pytest.raises(CaptureError):
        recording.go_on()  # it still is
    sessions[0].fails = False
    recording.go_on()
    recording.go_on()  # once is enough
    assert sessions[0].marks == ["test", "void"]
    assert len(sessions) == 1
    recording.close()


def test_a_recording_that_broke_off_is_ended_and_a_new_one_begun(job: Job, sessions) -> None:
    recording = VisitRecording(job, ADDRESS)
    recording.mark(SetMark("test", setup=SETUP))
    broken = recording.session.capture
    sessions[0].close()
    recording.go_on()
    assert len(sessions) == 2
    assert recording.session.capture != broken
    assert '"void"' in broken.read_text().splitlines()[-1]
    recording.close()


# the log of a visit


def test_a_measured_test_needs_a_recording(job: Job) -> None:
    with TestLog(job.log_path) as log:
        kept = VisitLog(job, log, (), None)
        with pytest.raises(LogError, match="No recording runs"):
            kept.append(SimpleNamespace(started_s=1.0))  # type: ignore[arg-type]
        row = kept.append(TypedTest(SETUP, 6.0, 815.0))
        assert (row.test, row.drop_mv is not None) == (1, True)
        assert kept.rows == [row]


def test_a_file_of_removed_tests_that_cannot_be_read_removes_none(job: Job, monkeypatch) -> None:
    def fails(folder: Path) -> None:
        raise LogError("It cannot be read.")

    with TestLog(job.log_path) as log:
        kept = VisitLog(job, log, (), None)
        row = kept.append(TypedTest(SETUP, verdict=Verdict.IN_PATH))
        monkeypatch.setattr(visit_recording, "withdrawn_tests", fails)
        assert kept.undone_elsewhere() == []
        assert kept.rows == [row]
