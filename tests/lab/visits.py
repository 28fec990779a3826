"""Captures made for tests: a meter that prints millivolts, a few tests each."""

import json
import random
from pathlib import Path

NAMES = ("Door", "Desk", "Bed")


def write_visit(
    path: Path, *, seed: int = 1, tests: int = 2, names: tuple[str, ...] = NAMES
) -> Path:
    """Write a capture of neutral-ground tests with a drop of some 100 mV."""
    rng = random.Random(seed)
    circuit = {"name": "Flat", "receptacles": list(names), "volts": 230, "hertz": 50, "amps": 10}
    started = f"2026-03-{1 + seed % 28:02}T09:00:00+00:00"
    lines: list[dict[str, object]] = [
        {"capture": 1, "started": started, "driver": "lines", "settings": {"function": "AC"}}
        | {"circuit": circuit}
    ]
    t = 0.0
    for number in range(tests):
        at = names[number % len(names)]
        lines.append(
            {"t": t, "mark": "test", "hookup": "neutral-ground", "lead_a": at, "load_at": at}
        )
        for tenth in range(300):
            now = round(t + tenth / 10, 3)
            if tenth in (100, 200):
                lines.append({"t": now, "mark": "load-on" if tenth == 100 else "load-off"})
            level = 5 + (100 if 100 <= tenth < 200 else 0) + rng.gauss(0, 0.3)
            lines.append({"t": now, "rx": f"{level:.2f} mV AC\r\n".encode().hex()})
        t += 30
        lines.append({"t": t, "mark": "end"})
        t += 5
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
    return path
