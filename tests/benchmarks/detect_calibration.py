"""How honest ``drop_u_mv`` is, and how often a jump is invented or missed, on invented tests.

Run: ``python tests/benchmarks/detect_calibration.py [--trials 400] [--seed 1]``
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from invented_readings import Style, Trial, trial

from drivers.readings import Reading
from meterlink.circuit.setup import Hookup, Verdict
from meterlink.levels.detector import Measurement, TestDetector

STYLES = {
    "usual": Style(),
    "bench meter": Style(every_s=0.12, lag_s=0.3, digits=1_000_000, overload_s=(0.0, 0.1)),
    "slow hand-held": Style(every_s=0.5, lag_s=0.25, overload_s=(0.5, 1.5), jitter_mv=(0.3, 1.0)),
    "restless supply": Style(supply_wander=0.002, pickup_wander=0.08),
}
DROPS_MV = (0.0, 5.0, 10.0, 20.0, 40.0, 80.0, 150.0, 400.0, 1000.0, 3000.0)
SAGS_MV = (0.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)


def measured(case: Trial) -> Measurement:
    """Run one invented test through the detector."""
    detector = TestDetector(case.setup, 0.0, hertz=case.hertz)
    for event in case.events:
        if isinstance(event, Reading):
            detector.add(event)
        else:
            detector.mark(*event)
    return detector.finish(case.end_s)


def line(name: str, hookup: Hookup, drop_mv: float, style: Style, seed: int, trials: int) -> str:
    """One line of the table."""
    rng = np.random.default_rng([seed, int(drop_mv), len(hookup)])
    results = [measured(trial(rng, hookup, drop_mv, style)) for _ in range(trials)]
    usable = [m for m in results if m.drop_mv is not None and m.drop_u_mv]
    z = np.array([(m.drop_mv - drop_mv) / m.drop_u_mv for m in usable])
    u = np.median([m.drop_u_mv for m in usable])
    says = [sum(m.verdict is verdict for m in results) for verdict in Verdict]
    shares = "  ".join(f"{np.mean(np.abs(z) <= k):6.1%}" for k in (1, 2, 3))
    wrong = sum(m.verdict is (Verdict.NOT_IN_PATH if drop_mv else Verdict.IN_PATH) for m in results)
    flagged = sum(any(flag != "no-after" for flag in m.flags) for m in results)
    return (
        f"{name:16} {hookup:16} {drop_mv:7g} {u:8.2f} {z.mean():+6.2f}  {shares}  "
        f"{says[0]:5d} {says[1]:5d} {says[2]:5d}  {wrong / trials:6.1%} {flagged / trials:6.1%}"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--style", choices=list(STYLES))
    arguments = parser.parse_args()
    print(
        "style            hookup           drop mV  u mV(med)  bias   in 1u   in 2u   in 3u"
        "     in   not unclear  wrong flagged"
    )
    for name, style in STYLES.items():
        if arguments.style not in (None, name):
            continue
        for hookup in (Hookup.NEUTRAL_NEUTRAL, Hookup.LINE_DROP):
            for drop_mv in SAGS_MV if hookup is Hookup.LINE_DROP else DROPS_MV:
                print(line(name, hookup, drop_mv, style, arguments.seed, arguments.trials))


if __name__ == "__main__":
    main()
