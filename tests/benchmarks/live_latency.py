"""``meterlink watch`` under way: latency, processor share, memory, and how fast help comes.

Run: ``python tests/benchmarks/live_latency.py [latency|cpu|memory|help]`` (default: all; Linux).
Bytes go in through a pseudo-terminal; JSON lines are read from the pipe of a whole process. Latency
is the time from writing the last byte of a reading to having read its line.
"""

import contextlib
import os
import select
import statistics
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Iterator
from pathlib import Path

WATCH = [sys.executable, "-m", "meterlink", "watch"]
TICK_HZ = os.sysconf("SC_CLK_TCK")


@contextlib.contextmanager
def cable() -> Iterator[tuple[int, str]]:
    """A pseudo-terminal: its far end, and the name of the port."""
    far, near = os.openpty()
    tty.setraw(near)
    try:
        yield far, os.ttyname(near)
    finally:
        os.close(far)
        os.close(near)


@contextlib.contextmanager
def watching(
    port: str, *options: str, screen: int | None = None
) -> Iterator["subprocess.Popen[bytes]"]:
    """A watch of a port; its capture goes to a folder that is removed after."""
    with tempfile.TemporaryDirectory() as folder:
        command = [
            *WATCH,
            "--meter",
            f"lines:{port}",
            "--record",
            f"{folder}/visit.jsonl",
            *options,
        ]
        out = subprocess.PIPE if screen is None else screen
        quiet = subprocess.DEVNULL if screen is None else screen
        process = subprocess.Popen(
            command, stdin=quiet if screen else None, stdout=out, stderr=quiet
        )
        try:
            yield process
        finally:
            process.kill()
            process.wait()


def line(number: int) -> bytes:
    """A reading that can be told from all others."""
    return b"%9.4f mV AC\r\n" % (number / 1e4)


def wake(far: int, out: int) -> None:
    """Wait until the watch has opened the port and readings come through."""
    while not select.select([out], [], [], 0.3)[0]:
        os.write(far, line(0))
    while select.select([out], [], [], 0.3)[0]:
        os.read(out, 100_000)


def latency(rate_hz: float, count: int) -> None:
    """Print median and 99th percentile from byte to line."""
    times_s: list[float] = []
    with cable() as (far, port), watching(port, "--json") as process:
        assert process.stdout is not None
        out = process.stdout.fileno()
        wake(far, out)
        sent: list[float] = []
        seen = 0
        due_s = time.perf_counter()
        while seen < count:
            wait_s = max(0.0, due_s - time.perf_counter()) if len(sent) < count else 1.0
            if select.select([out], [], [], wait_s)[0]:
                now_s = time.perf_counter()
                for _ in range(os.read(out, 100_000).count(b"\n")):
                    times_s.append(now_s - sent[seen])
                    seen += 1
            elif len(sent) < count:
                due_s += 1.0 / rate_hz
                sent.append(time.perf_counter())
                os.write(far, line(len(sent)))
            else:
                raise SystemExit(f"{count - seen} readings did not come through")
    times_s.sort()
    median_ms = 1e3 * statistics.median(times_s)
    worst_ms = 1e3 * times_s[int(0.99 * len(times_s))]
    print(f"latency at {rate_hz:6.0f}/s: median {median_ms:6.2f} ms, 99 % {worst_ms:6.2f} ms")


def processor_s(process_id: int) -> float:
    """Processor time of a process so far."""
    fields = Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICK_HZ


def resident_mb(process_id: int) -> float:
    """Memory of a process now."""
    pages = int(Path(f"/proc/{process_id}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def cpu(rate_hz: float, seconds: float) -> None:
    """Print the share of one core with the screen on."""
    screen_far, screen = os.openpty()
    shown = 0
    with cable() as (far, port), watching(port, screen=screen) as process:
        while not select.select([screen_far], [], [], 0.2)[0]:
            pass
        begin_s = used_s = 0.0
        for number in range(int((seconds + 2.0) * rate_hz)):
            if number == int(2.0 * rate_hz):
                begin_s, used_s = time.perf_counter(), processor_s(process.pid)
            os.write(far, line(number % 100))
            time.sleep(1.0 / rate_hz)
            while select.select([screen_far], [], [], 0)[0]:
                shown += os.read(screen_far, 100_000).count(b"jitter")
        share = (processor_s(process.pid) - used_s) / (time.perf_counter() - begin_s)
    os.close(screen)
    os.close(screen_far)
    print(
        f"processor at {rate_hz:4.0f}/s, screen on: {100 * share:.1f} % of one core, the screen "
        f"drawn {shown / (seconds + 2):.1f} times a second"
    )


def memory(first: int, last: int) -> None:
    """Print the memory after some and after many readings, sent as fast as they are taken."""
    with cable() as (far, port), watching(port, "--json") as process:
        assert process.stdout is not None
        out = process.stdout.fileno()
        wake(far, out)
        sent = seen = 0
        after_first_mb = 0.0
        block = b""
        begin_s = time.perf_counter()
        while seen < last:
            if not block and sent < last and sent - seen < 20_000:
                block = b"".join(line(sent + k) for k in range(100))
                sent += 100
            readable, writable, _ = select.select([out], [far] if block else [], [], 5.0)
            if not readable and not writable:
                raise SystemExit(f"stuck at {seen} of {sent} readings")
            if writable:
                block = block[os.write(far, block[:1000]) :]
            if readable:
                seen += os.read(out, 1_000_000).count(b"\n")
            if not after_first_mb and seen >= first:
                after_first_mb = resident_mb(process.pid)
        rate_hz = last / (time.perf_counter() - begin_s)
        after_last_mb = resident_mb(process.pid)
    print(
        f"memory: {after_first_mb:.1f} MB after {first} readings, {after_last_mb:.1f} MB after "
        f"{last}; none lost at {rate_hz:.0f}/s"
    )


def help_time(rounds: int = 15) -> None:
    """Print how long help takes against importing click alone, as whole processes in turn."""
    times_s: dict[str, list[float]] = {"help": [], "click": []}
    for _ in range(rounds):
        for name, command in (
            ("help", [sys.executable, "-m", "meterlink", "--help"]),
            ("click", [sys.executable, "-c", "import click"]),
        ):
            begin_s = time.perf_counter()
            subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
            times_s[name].append(time.perf_counter() - begin_s)
    ours, bare = (statistics.median(times_s[name]) for name in ("help", "click"))
    print(f"help {1e3 * ours:.0f} ms, import click {1e3 * bare:.0f} ms: ratio {ours / bare:.2f}")


def main() -> None:
    """Measure what the command line names, or everything."""
    wanted = sys.argv[1:] or ["latency", "cpu", "memory", "help"]
    if "latency" in wanted:
        latency(10.0, 200)
        latency(1000.0, 10_000)
    if "cpu" in wanted:
        cpu(10.0, 10.0)
    if "memory" in wanted:
        memory(10_000, 1_000_000)
    if "help" in wanted:
        help_time()


if __name__ == "__main__":
    main()
