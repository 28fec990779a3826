"""Things that are closed at the end of a ``with`` statement."""

from types import TracebackType
from typing import Self


class Closing:
    """Mix-in: leaving the ``with`` statement calls ``close``."""

    def close(self) -> None:
        """Let go of what is held. Calling it again does nothing."""
        raise NotImplementedError

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
