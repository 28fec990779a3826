"""What a person types or presses, carried into the visit; what makes no sense is said."""

from collections.abc import Callable

from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import Setup
from meterlink.errors import UsageError
from meterlink.page.hub import Press
from meterlink.visit.keyboard import Typed, own_setup, places
from meterlink.visit.loop import Visit
from meterlink.visit.typed_levels import typed_levels, typed_step
from meterlink.visit.view import Command, Key


class VisitCommands:
    """Answers of terminal, script and page.

    Args:
        visit: The visit that they are for.
        circuit: Its circuit.
        say: Takes sentences for the person.
        show: A report, the isolation check or the map is asked for.
    """

    def __init__(
        self,
        visit: Visit,
        circuit: Circuit,
        say: Callable[[str], None],
        show: Callable[[Command], None],
    ) -> None:
        self._visit = visit
        self._names = circuit.receptacles
        self._direct = circuit.load_kind is LoadKind.DIRECT_SOURCE
        self._say = say
        self._show = show

    def pressed(self, press: Press) -> None:
        """A press on the page; one that comes late means nothing any more."""
        if isinstance(press.key, Key):
            self._visit.press(press.key, press.text, press.step)
        elif press.step == self._visit.view.step or press.key in (Command.UNDO, Command.RHYTHM):
            self.typed(Typed(press.key, press.text), by_number=True)

    def typed(self, typed: Typed, *, by_number: bool = False) -> None:
        """What was typed; with ``by_number`` receptacles are named by their numbers only."""
        try:
            match typed.what:
                case Key.STOP if typed.blind:
                    self._visit.stop()
                case Key():
                    self._visit.press(typed.what, typed.text, blind=typed.blind)
                case Command():
                    self._obey(typed.what, typed.text, by_number=by_number)
        except UsageError as error:
            self._say(str(error))

    def _obey(self, command: Command, text: str, *, by_number: bool) -> None:
        match command:
            case Command.CHOOSE:
                if not self._visit.choose(self._own_setup(text, by_number=by_number)):
                    self._say("Another test can be picked before the load is on.")
            case Command.NOT_NOW:
                self._leave_out(places(text, self._names, by_number=by_number))
            case Command.UNDO:
                self._undo(text)
            case Command.RHYTHM:
                self._visit.set_rhythm(on=not self._visit.view.rhythm)
            case Command.IDLE | Command.ON | Command.LEVELS:
                self._take_levels(command, text)
            case _:
                self._show(command)

    def _own_setup(self, text: str, *, by_number: bool) -> Setup:
        hookups = self._visit.view.choices.hookups
        return own_setup(
            text, self._names, by_number=by_number, hookups=hookups, direct=self._direct
        )

    def _take_levels(self, command: Command, text: str) -> None:
        """Levels that were typed: one of them, or both."""
        visit, setup = self._visit, self._visit.setup
        if setup is None or visit.view.typed is None:
            self._say("No reading is wanted now.")
            return
        values = typed_levels(text, setup.hookup)
        if command is Command.LEVELS and len(values) == 2:
            meant = visit.type_levels(values[0], values[1])
        elif len(values) == 2:
            raise UsageError("One reading goes with that word.")
        elif command is Command.ON or visit.view.typed.word is Command.ON:
            step = typed_step(text, setup.hookup)
            meant = visit.type_levels(None, values[0], step)
        else:
            meant = visit.type_levels(values[0], None)
        if not meant:
            self._say("Type the reading without load first.")

    def _undo(self, text: str) -> None:
        digits = text.strip().removeprefix("#")
        if not (digits.isascii() and digits.isdigit()) or not self._visit.undo(int(digits[:9])):
            raise UsageError(f"Test {text[:20]!r} cannot be undone now: name one of the log.")

    def _leave_out(self, names: frozenset[str]) -> None:
        """Receptacles that cannot be reached, or can again."""
        away = self._visit.not_now ^ names
        if self._visit.leave_out(away):
            self._say(f"Skipped for now: {', '.join(sorted(away)) or 'none'}.")
        else:
            self._say("That can be said when the leads are asked for.")
