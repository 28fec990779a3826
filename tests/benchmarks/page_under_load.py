"""The phone's page under load: time to the screen, many viewers, hostile requests.

    python tests/benchmarks/page_under_load.py [--seconds 20] [--requests 10000]

Three tables are printed:

1. Time from a reading's arrival to the screen: the moment the text of the reading has changed and a
   frame has been drawn in headless Chromium on the same machine, against the moment it was shown to
   the hub (both by the wall clock of this machine).
2. Share of one processor with 20 viewers at 10 readings a second, the viewers' own work included.
3. Hostile requests while readings come in: how many were served (none may be), and whether a viewer
   that is admitted lost a reading meanwhile.
"""

import argparse
import http.client
import json
import random
import shutil
import socket
import statistics
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from urllib.parse import urlsplit

sys.path.insert(0, str(Path(__file__).parents[2]))

from meterlink.page.server import PageServer
from tests.chromium import Chromium
from tests.page.fake_visit import IDLE

RATE_HZ = 10.0


def main() -> None:
    """Print the three tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--requests", type=int, default=10_000)
    options = parser.parse_args()
    browser = shutil.which("chromium")
    if browser is None:
        print("time to screen: no chromium here")
    else:
        to_screen(browser, options.seconds)
    many_viewers(options.seconds)
    hostile(options.requests)


def feed(page: PageServer, stop: Callable[[], bool], sent: dict[str, float]) -> None:
    """Show a new reading ten times a second; note when."""
    number = 0
    due = time.monotonic()
    while not stop():
        number += 1
        text = f"{number}.00 mV AC"
        sent[text] = time.time()
        page.hub.trace(number / RATE_HZ, float(number % 50))
        page.hub.show(replace(IDLE, reading=text))
        due += 1 / RATE_HZ
        time.sleep(max(0.0, due - time.monotonic()))


def to_screen(browser: str, seconds: float) -> None:
    """Table 1."""
    sent: dict[str, float] = {}
    with PageServer() as page, Chromium(browser) as running:
        page.hub.show(IDLE)
        tab = running.open(page.address)
        tab.wait("document.querySelector('#instruction').textContent.startsWith('Plug')")
        tab.run(
            """window.seen = [];
            new MutationObserver(() => {
              const text = document.querySelector('#reading').textContent;
              requestAnimationFrame(() => window.seen.push([text, Date.now() / 1000]));
            }).observe(document.querySelector('#reading'),
                       {childList: true, characterData: true, subtree: true}); 1"""
        )
        end = time.monotonic() + seconds
        feed(page, lambda: time.monotonic() > end, sent)
        seen = dict(tab.run("window.seen"))
    delays = sorted(1e3 * (seen[text] - sent[text]) for text in sent if text in seen)
    print(
        f"time to screen: {len(delays)} of {len(sent)} readings seen, median "
        f"{statistics.median(delays):.0f} ms, 99th percentile "
        f"{delays[int(0.99 * (len(delays) - 1))]:.0f} ms, longest {delays[-1]:.0f} ms"
    )


class Viewer(threading.Thread):
    """Reads the events of one viewer and keeps the readings that it was told."""

    def __init__(self, page: PageServer) -> None:
        super().__init__(daemon=True)
        self.heard: list[str] = []
        parts = urlsplit(page.address)
        joined = http.client.HTTPConnection(parts.netloc, timeout=10)
        joined.request("GET", f"{parts.path}?{parts.query}")
        answer = joined.getresponse()
        self.cookie = (answer.getheader("set-cookie") or "").split(";")[0]
        joined.close()
        self._connection = http.client.HTTPConnection(parts.netloc, timeout=10)
        self._connection.request("GET", "/events", headers={"Cookie": self.cookie})
        self._stream = self._connection.getresponse()

    def run(self) -> None:
        """Until the server closes."""
        with suppress(OSError, ValueError, http.client.HTTPException):
            while line := self._stream.readline():
                if line.startswith(b"data: "):
                    news = json.loads(line[6:])
                    self.heard += [point[0] for point in news.get("points", ())]


def many_viewers(seconds: float) -> None:
    """Table 2. The viewers are threads of this process, so that their work is counted with it."""
    with PageServer() as page:
        page.hub.show(IDLE)
        viewers = [Viewer(page) for _ in range(20)]
        for viewer in viewers:
            viewer.start()
        sent: dict[str, float] = {}
        end = time.monotonic() + seconds
        start_cpu, start = time.process_time(), time.monotonic()
        feed(page, lambda: time.monotonic() > end, sent)
        share = (time.process_time() - start_cpu) / (time.monotonic() - start)
        time.sleep(0.3)
    counts = [len(set(viewer.heard)) for viewer in viewers]
    print(
        f"20 viewers at {RATE_HZ:g} readings a second: {100 * share:.1f} % of one processor "
        f"(server and the 20 reading threads together); points heard by each: "
        f"{min(counts)} to {max(counts)} of {len(sent)}"
    )


def hostile(number: int) -> None:
    """Table 3."""
    with PageServer() as page:
        page.hub.show(IDLE)
        viewer = Viewer(page)
        viewer.start()
        sent: dict[str, float] = {}
        done = threading.Event()
        feeder = threading.Thread(target=feed, args=(page, done.is_set, sent), daemon=True)
        feeder.start()
        host, port = urlsplit(page.address).netloc.split(":")
        start = time.monotonic()
        totals: Counter[str] = Counter()
        threads = [
            threading.Thread(target=attack, args=(host, int(port), seed, number // 8, totals))
            for seed in range(8)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        took = time.monotonic() - start
        done.set()
        feeder.join()
        time.sleep(0.3)
        pressed = page.hub.presses()
    served = sum(count for status, count in totals.items() if status in ("200", "204", "303"))
    print(
        f"hostile requests: {sum(totals.values())} in {took:.0f} s, served {served}, keys taken "
        f"{len(pressed)}; answers {dict(sorted(totals.items()))}"
    )
    lost = len(sent) - len(set(viewer.heard))
    print(f"meanwhile {len(sent)} readings shown, {lost} of them never told to the viewer")


def attack(host: str, port: int, seed: int, number: int, totals: Counter[str]) -> None:
    """One attacker: no key, wrong host, path tricks, huge bodies, slow and broken requests."""
    rng = random.Random(seed)
    slow: list[socket.socket] = []
    for _ in range(number):
        data = rng.choice(ATTACKS)(rng, f"{host}:{port}")
        with suppress(OSError):
            connection = socket.create_connection((host, port), timeout=10)
            connection.sendall(data)
            if data.endswith(SLOW):
                slow.append(connection)
                totals["slow"] += 1
                if len(slow) > 5:
                    slow.pop(0).close()
                continue
            answer = connection.recv(64)
            totals[answer[9:12].decode(errors="replace") or "hung up"] += 1
            connection.close()
            continue
        totals["hung up"] += 1
    for connection in slow:
        connection.close()


SLOW = b"X-Slow: "


def request(line: str, host: str, extra: str = "", body: bytes = b"") -> bytes:
    """A request as bytes."""
    return f"{line} HTTP/1.1\r\nHost: {host}\r\n{extra}\r\n".encode() + body


ATTACKS: list[Callable[[random.Random, str], bytes]] = [
    lambda _, host: request("GET /", host),
    lambda _, host: request("GET /events", host),
    lambda rng, host: request(f"GET /join?key={rng.randbytes(16).hex()}", host),
    lambda _, host: request("GET /", "evil.example"),
    lambda rng, host: request(f"GET /{'../' * rng.randrange(1, 9)}etc/passwd", host),
    lambda _, host: request("GET /%2e%2e%2f%2e%2e%2fetc%2fpasswd", host),
    lambda rng, host: request(
        "GET /", host, f"Cookie: meterlink_viewer={rng.randbytes(32).hex()}\r\n"
    ),
    lambda _, host: request("POST /key", host, "Origin: http://evil.example\r\n"),
    lambda _, host: request(
        "POST /key", host, f"Origin: http://{host}\r\nContent-Length: 100000\r\n", b"x" * 100_000
    ),
    lambda _, host: request("POST /operate", host, f"Origin: http://{host}\r\n"),
    lambda rng, _: rng.randbytes(200) + b"\r\n\r\n",
    lambda _, host: request("GET /", host, "X: " + "y" * 60_000 + "\r\n"),
    lambda _, host: f"GET / HTTP/1.1\r\nHost: {host}\r\n".encode() + SLOW,
]


if __name__ == "__main__":
    main()
