"""Many damaged inputs for every reader: nothing but documented errors, in bounded time and memory.

``python tests/benchmarks/fuzz_readers.py [MUTANTS] [SEED]``; default 250,000, some ten minutes.
Prints a line a reader: mutants, undocumented errors, longest processor time, and the memory.
"""

import random
import resource
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from mutants import READERS, try_one


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 250_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    total = failed = 0
    print(f"{'reader':<20}{'mutants':>9}{'errors':>8}{'mean ms':>9}{'max ms':>9}{'peak MB':>9}")
    with tempfile.TemporaryDirectory() as name:
        for reader, (_, _, share) in READERS.items():
            chance = random.Random(f"{seed} {reader}")
            many, errors, longest_s, begin_s = count * share // 1000, 0, 0.0, time.process_time()
            for _ in range(many):
                start_s = time.process_time()
                data, error = try_one(reader, chance, Path(name))
                longest_s = max(longest_s, time.process_time() - start_s)
                if error is not None:
                    errors += 1
                    if errors <= 3:
                        print(f"  {type(error).__name__}: {error!s:.120} from {data!r:.300}")
            mean_ms = 1e3 * (time.process_time() - begin_s) / max(many, 1)
            peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(
                f"{reader:<20}{many:>9}{errors:>8}{mean_ms:>9.2f}{1e3 * longest_s:>9.0f}"
                f"{peak_mb:>9.0f}",
                flush=True,
            )
            total += many
            failed += errors
    print(f"{total} mutants, {failed} undocumented errors")
    sys.exit(failed > 0)


if __name__ == "__main__":
    main()
