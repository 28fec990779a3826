"""A headless Chromium for tests, spoken to over its debugging pipe: nothing to install besides it.

The pipe carries JSON messages ended by a zero byte (the browser's own DevTools protocol).
"""

import base64
import json
import os
import subprocess
import tempfile
from pathlib import Path
from typing import Any

from drivers.closing import Closing

FLAGS = (
    "--headless",
    "--disable-gpu",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--remote-debugging-pipe",
)

EXPECTED = ("409 (Conflict)", "net::ERR_CONNECTION_REFUSED")


class Chromium(Closing):
    """A running browser. Closing it ends its process and removes its profile."""

    def __init__(self, path: str) -> None:
        self._profile = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        self._contexts: list[str] = []
        commands, self._to = os.pipe()
        self._from, answers = os.pipe()
        sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []

        def place() -> None:
            """The browser reads commands from 3 and writes answers to 4."""
            high = [os.dup(fd) for fd in (commands, answers)]
            os.dup2(high[0], 3)
            os.dup2(high[1], 4)

        self._process = subprocess.Popen(
            [path, *FLAGS, *sandbox, f"--user-data-dir={self._profile.name}"],
            preexec_fn=place,
            close_fds=False,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(commands)
        os.close(answers)
        self._waiting = bytearray()
        self._number = 0
        self.events: list[dict[str, Any]] = []

    def call(self, method: str, session: str | None = None, **parameters: Any) -> Any:
        """Send a command and wait for its answer; events that come meanwhile are kept."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if session is not None:
            message["sessionId"] = session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._read()
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                return answer["result"]
            self.events.append(answer)

    def _read(self) -> dict[str, Any]:
        while (end := self._waiting.find(b"\0")) < 0:
            piece = os.read(self._from, 1 << 16)
            if not piece:
                raise RuntimeError("the browser ended")
            self._waiting += piece
        message = json.loads(self._waiting[:end])
        del self._waiting[: end + 1]
        return message

    def open(self, address: str, width: int = 360, height: int = 740) -> "Tab":
        """Open an address in a window of its own, with cookies of its own."""
        context = self.call("Target.createBrowserContext")["browserContextId"]
        self._contexts.append(context)
        target = self.call("Target.createTarget", url="about:blank", browserContextId=context)
        session = self.call("Target.attachToTarget", targetId=target["targetId"], flatten=True)
        tab = Tab(self, session["sessionId"])
        tab.size(width, height)
        tab.call("Runtime.enable")
        tab.call("Log.enable")
        tab.call("Page.enable")
        tab.call("Page.navigate", url=address)
        tab.wait("document.readyState === 'complete'")
        return tab

    def close_tabs(self) -> None:
        """Close every tab that is open: forty of them keep a processor busy."""
        while self._contexts:
            self.call("Target.disposeBrowserContext", browserContextId=self._contexts.pop())

    def close(self) -> None:
        """End the browser and remove its profile."""
        self._process.terminate()
        self._process.wait()
        os.close(self._to)
        os.close(self._from)
        self._profile.cleanup()


class Tab:
    """One open page."""

    def __init__(self, browser: Chromium, session: str) -> None:
        self._browser = browser
        self._session = session

    def call(self, method: str, **parameters: Any) -> Any:
        """A command to this page."""
        return self._browser.call(method, self._session, **parameters)

    def run(self, script: str) -> Any:
        """The value of an expression, awaited if it is a promise."""
        result = self.call(
            "Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True
        )
        if "exceptionDetails" in result:
            raise RuntimeError(json.dumps(result["exceptionDetails"])[:500])
        return result["result"].get("value")

    def comes_true(self, condition: str, within_s: float) -> bool:
        """Whether an expression becomes true in time."""
        script = f"""new Promise((done) => {{
          const end = Date.now() + {within_s * 1000};
          const look = () => {{
            let ok = false;
            try {{ ok = Boolean({condition}); }} catch {{ ok = false; }}
            if (ok || Date.now() > end) done(ok); else setTimeout(look, 10);
          }};
          look();
        }})"""
        return bool(self.run(script))

    def wait(self, condition: str, within_s: float = 10.0) -> None:
        """Wait until an expression is true."""
        if not self.comes_true(condition, within_s):
            text = self.run("document.body.innerText.slice(0, 600)")
            raise AssertionError(f"never true: {condition}\n{text}")

    def text(self, selector: str) -> str:
        """Text of an element."""
        return str(self.run(f"document.querySelector({json.dumps(selector)}).textContent"))

    def click(self, selector: str) -> None:
        """Press an element that can be seen."""
        quoted = json.dumps(selector)
        self.wait(f"document.querySelector({quoted}).offsetParent !== null")
        self.run(f"document.querySelector({quoted}).click()")

    def tap(self, selector: str) -> None:
        """Press an element as a finger does: where it is seen, if nothing covers it."""
        quoted = json.dumps(selector)
        self.wait(f"document.querySelector({quoted})?.offsetParent")
        x, y = self.run(
            f"""(() => {{
              const found = document.querySelector({quoted});
              found.scrollIntoView({{block: "nearest"}});
              const box = found.getBoundingClientRect();
              const at = [box.x + box.width / 2, box.y + box.height / 2];
              return found.contains(document.elementFromPoint(...at)) ? at : [-1, -1];
            }})()"""
        )
        assert x >= 0, f"{selector} cannot be reached"
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def size(self, width: int, height: int) -> None:
        """Give the window another size."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=2,
            mobile=width < 600,
        )

    def prefer(self, **features: str) -> None:
        """What the person prefers, such as ``prefers_color_scheme="dark"``."""
        named = [{"name": k.replace("_", "-"), "value": v} for k, v in features.items()]
        self.call("Emulation.setEmulatedMedia", features=named)

    def online(self, yes: bool) -> None:
        """Cut the page off from all networks, or give them back."""
        self.call("Network.enable")
        self.call(
            "Network.emulateNetworkConditions",
            offline=not yes, latency=0, downloadThroughput=-1, uploadThroughput=-1,
        )  # fmt: skip

    def complaints(self) -> list[str]:
        """What the page or the browser logged as an error.

        A key that the laptop refuses because its step is over is none, nor that it has ended.
        """
        self.run("1")
        return [
            json.dumps(event["params"])[:300]
            for event in self._browser.events
            if event.get("sessionId") == self._session
            and (
                event["method"] == "Runtime.exceptionThrown"
                or (
                    event["method"] == "Log.entryAdded"
                    and event["params"]["entry"]["level"] == "error"
                    and not any(text in event["params"]["entry"]["text"] for text in EXPECTED)
                )
            )
        ]

    def screenshot(self, path: Path) -> None:
        """What is on the screen, as PNG."""
        data = self.call("Page.captureScreenshot", format="png")["data"]
        path.write_bytes(base64.b64decode(data))
