"""A scripted operator with a phone: presses the keys of the page in a real browser."""

from pathlib import Path

from ..chromium import Chromium, Tab
from .hands import SimulatedOperator
from .script_operator import ScriptOperator


class PageOperator(ScriptOperator):
    """The command is told nothing but what is pressed on its page.

    Attributes:
        tab: The page.
    """

    most_s = 120.0  # a browser takes its time on a busy machine

    def __init__(
        self,
        job: Path,
        hands: SimulatedOperator,
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

    def _answer(self, view: dict) -> None:
        """Look at the page once it shows what the command has said."""
        self.tab.wait(f"Number(document.body.dataset.step) >= {view['step']}")
        super()._answer(view)

    def say(self, line: str) -> None:
        """Press the key of that name; one that the trace has answered already is gone."""
        key = f"document.querySelector('[data-key={line}]')"
        if line.startswith("load"):
            self.tab.wait(f"!{key} || {key}.ariaDisabled === 'false' && !void {key}.click()")
        else:
            press(self.tab, line)


def press(tab: Tab, key: str) -> None:
    """Tap a key of the page as soon as it counts, and confirm it where the page asks again.

    A key that is drawn anew under the finger is tapped once more, as a person would.
    """
    this, yes = (f"document.querySelector('[data-key={name}]')" for name in (key, "yes"))
    tab.wait(f"{this}?.ariaDisabled === 'false'")
    step = tab.run("document.body.dataset.step")
    taken = f"({yes} || !{this} || document.body.dataset.step !== {step!r})"
    for _ in range(5):
        tab.tap(f"[data-key={key}]")
        if tab.comes_true(taken, within_s=1.0):
            break
    if key != "yes" and tab.run(f"{yes} !== null"):
        press(tab, "yes")
