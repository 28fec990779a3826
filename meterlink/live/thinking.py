"""Work that takes seconds, in a thread that never holds the program's end up."""

import queue
import threading
from collections.abc import Callable

from meterlink.visit.planning import Outlook


class Thinking:
    """Works things out in a thread of its own, which never holds the program's end up."""

    def __init__(self) -> None:
        self._asked: queue.SimpleQueue[Callable[[], Outlook | None]] = queue.SimpleQueue()
        self._found: queue.SimpleQueue[Outlook | Exception] = queue.SimpleQueue()
        self._waiting = 0
        threading.Thread(target=self._run, name="thinking", daemon=True).start()

    def ask(self, work: Callable[[], Outlook]) -> None:
        """Have something worked out; what was asked before is not waited for any more."""
        self._waiting += 1
        self._asked.put(work)

    def do(self, work: Callable[[], None]) -> None:
        """Have something done after what was asked; it has no answer."""
        self._asked.put(work)

    def answer(self) -> Outlook | None:
        """The answer to the last question, once, when it is there.

        Raises:
            MeterlinkError: It could not be worked out.
        """
        while not self._found.empty():
            found = self._found.get()
            self._waiting -= 1
            if isinstance(found, Exception):
                raise found
            if self._waiting == 0:
                return found
        return None

    def _run(self) -> None:
        while True:
            work = self._asked.get()
            try:
                found = work()
                if found is not None:
                    self._found.put(found)
            except Exception as error:  # noqa: BLE001 (told in the visit's thread)
                self._found.put(error)
