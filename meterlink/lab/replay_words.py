"""The summary of a replay of many captures, in words and as JSON."""

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from meterlink.lab.many import Outcome
from meterlink.show.format import counted
from meterlink.show.text_width import clean


@dataclass(slots=True)
class Totals:
    """What has become of the captures so far.

    Attributes:
        captures, skipped: How many were looked at, and how many of them were done before.
        tests, added: Their tests, and rows appended.
        failed: Capture and reason.
    """

    captures: int = 0
    skipped: int = 0
    tests: int = 0
    added: int = 0
    failed: list[tuple[str, str]] = field(default_factory=list)

    def count(self, outcome: Outcome) -> None:
        """Add an outcome."""
        self.captures += 1
        self.skipped += outcome.skipped
        self.tests += outcome.tests
        self.added += outcome.added
        if outcome.error:
            self.failed.append((str(outcome.task.capture), outcome.error))


def summary_lines(totals: Totals) -> Iterator[str]:
    """The summary and the table of failures."""
    read = totals.captures - totals.skipped - len(totals.failed)
    yield (
        f"{counted(totals.captures, 'capture')}: {read} read, {totals.skipped} done before, "
        f"{len(totals.failed)} failed; {counted(totals.tests, 'test')}, {totals.added} appended"
    )
    if totals.failed:
        yield ""
        yield "failed:"
        width = min(max(len(clean(path)) for path, _ in totals.failed), 50)
        for path, why in totals.failed:
            yield f"  {clean(path):{width}}  {clean(why.removeprefix(path).lstrip(':, '))}"


def summary_json(totals: Totals) -> str:
    """The same as one JSON object."""
    failed: Sequence[dict[str, str]] = [
        {"capture": path, "why": why} for path, why in totals.failed
    ]
    content = {
        "captures": totals.captures,
        "done_before": totals.skipped,
        "tests": totals.tests,
        "added": totals.added,
        "failed": failed,
    }
    return json.dumps(content, indent=1)
