"""Ways to stop a run with the load on, at random moments: was it off in the end.

Run: ``python tests/benchmarks/lab_stops.py [RUNS]`` (default 100; some 2 s each; seeded).

Real processes, a simulated meter on a pseudo-terminal, a shell script that switches. Kinds: one
signal, three at once, a second one while "off" runs, a switch that fails or hangs once, SIGKILL.
After SIGKILL the load may be on; then the same command is started again, with a meter that is not
there, and looked at once more.
"""

import random
import shlex
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path

from drivers.simulated import SimulatedMeter

SCRIPT = """
if [ "$1" = off ] && [ -e "$2/fail" ]; then rm "$2/fail"; exit 3; fi
if [ "$1" = off ] && [ -e "$2/hang" ]; then rm "$2/hang"; sleep 600 & wait; fi
if [ "$1" = off ] && [ -e "$2/slow" ]; then sleep 0.3; fi
echo "$1" > "$2/load"
"""
KINDS = ("INT", "TERM", "HUP", "three at once", "second while off runs", "off fails once",
         "off hangs once", "KILL")  # fmt: skip


def command(folder: Path, address: str) -> list[str]:
    """A run of short trials, so that every moment is met."""
    switch = shlex.join(["/bin/sh", str(folder / "switch.sh"), "{state}", str(folder)])
    return [
        *(sys.executable, "-m", "meterlink", "trials", "run", str(folder / "job")),
        *("--meter", address, "--repeat", "9999", "--idle", "1", "--on", "1.5", "--after", "1"),
        *("--hookup", "neutral-ground", "--lead-a", "Desk", "--load-at", "Desk"),
        *("--switch-command", switch, "--switch-limit", "0.6"),
    ]


def send(process: "subprocess.Popen[bytes]", kind: str, folder: Path) -> None:
    """Stop it that way."""
    if kind.startswith("off "):
        (folder / kind.split()[1].removesuffix("s")).touch()
    if kind == "second while off runs":
        (folder / "slow").touch()
    names = {"three at once": ("INT", "TERM", "HUP"), "second while off runs": ("INT",)}
    for name in names.get(kind, (kind if kind in ("INT", "TERM", "HUP", "KILL") else "TERM",)):
        process.send_signal(getattr(signal, f"SIG{name}"))
    if kind == "second while off runs":
        threading.Event().wait(0.25)
        process.send_signal(signal.SIGINT)


def main() -> None:
    """Print the table."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    rng = random.Random(5)
    done: Counter[str] = Counter()
    left: Counter[str] = Counter()
    after: Counter[str] = Counter()
    longest: dict[str, float] = dict.fromkeys(KINDS, 0.0)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        load = folder / "load"
        (folder / "switch.sh").write_text(SCRIPT)
        load.write_text("off\n")
        with SimulatedMeter(
            lambda _t_s: 0.150 if load.read_text() == "on\n" else 0.003, rate_hz=20
        ) as meter:
            for number in range(runs):
                kind = KINDS[number % len(KINDS)]
                process = subprocess.Popen(
                    command(folder, meter.address), stdin=subprocess.DEVNULL,
                    stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                )  # fmt: skip
                threading.Event().wait(rng.uniform(0.1, 5.0))
                began = time.monotonic()
                send(process, kind, folder)
                process.wait(60)
                longest[kind] = max(longest[kind], time.monotonic() - began)
                done[kind] += 1
                left[kind] += load.read_text() == "on\n"
                if kind == "KILL":
                    subprocess.run(
                        command(folder, "lines:/nowhere,9600"), capture_output=True, check=False
                    )
                    after[kind] += load.read_text() == "on\n"
                for flag in ("fail", "hang", "slow"):
                    (folder / flag).unlink(missing_ok=True)
    print(f"{'way':24} {'runs':>5} {'left on':>8} {'after the next start':>21} {'longest s':>10}")
    for kind in KINDS:
        last = str(after[kind]) if kind == "KILL" else "-"
        print(f"{kind:24} {done[kind]:5} {left[kind]:8} {last:>21} {longest[kind]:10.1f}")


if __name__ == "__main__":
    main()
