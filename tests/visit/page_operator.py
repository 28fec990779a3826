"""A scripted operator with a phone: presses the keys of the page in a real browser."""

import json
from pathlib import Path

from ..chromium import Chromium, Tab
from .hands import Hands
from .script_operator import ScriptOperator


class PageOperator(ScriptOperator):
    """The command is told nothing but what is pressed on its page.

    Attributes:
        tab: The page.
    """

    def __init__(
        self,
        job: Path,
        hands: Hands,
        browser: Chromium,
        *more: str,
        width: int = 360,
        stop_when_settled: bool = True,
    ) -> None:
        super().__init__(job, hands, "--page", *more, stop_when_settled=stop_when_settled)
        assert self.process.stderr is not None
        for line in self.process.stderr:
            if line.startswith("Page: "):
                break
        else:
            raise AssertionError("the command says no address of its page")
        self.tab: Tab = browser.open(line.removeprefix("Page: ").strip(), width=width)

    def say(self, line: str) -> None:
        """Press the key of that name, twice where the page asks again."""
        key = f"document.querySelector('[data-key={line}]')"
        last = json.dumps(self.said.split(". ")[-1])
        said = f"document.querySelector('#instruction').textContent.endsWith({last})"
        self.tab.wait(f"{said} && {key} && !{key}.disabled")
        self.tab.click(f"[data-key={line}]")
        if line in ("void", "stop"):
            self.tab.wait(f"{key}.textContent.includes('again')")
            self.tab.click(f"[data-key={line}]")
