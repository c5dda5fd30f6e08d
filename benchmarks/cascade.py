"""The exact arrangement of a cascade against bare imports."""

from __future__ import annotations

import subprocess
import sys
import time

PROGRAM = """
import time
start = time.perf_counter()
import numpy, scipy.signal
middle = time.perf_counter()
from synth.search.arrange import Arranger
from synth.search.partial import factors_of
from synth.transfer.transfer import Transfer
zpk = scipy.signal.ellip({order}, 0.5, 60, 1.0, analog=True, output="zpk")
h = Transfer.from_zpk(*zpk)
begin = time.perf_counter()
arranger = Arranger(factors_of(h))
found = arranger.best()
print(middle - start, time.perf_counter() - begin, sum(map(len, arranger.sets.levels)))
"""


def once(order: int) -> tuple[float, float, int]:
    """Seconds of the imports and of the arrangement, in a process of its own, and its sets."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM.format(order=order)],
        capture_output=True,
        text=True,
        check=True,
    )
    imports, arranged, sets = done.stdout.split()
    return float(imports), float(arranged), int(sets)


def main() -> None:
    """Print the ratios."""
    print("pairing, order and gains of an elliptic cascade / imports of numpy, scipy.signal")
    for order in (8, 14, 20):
        runs = [once(order) for _ in range(3)]
        imports, arranged = (min(r[k] for r in runs) for k in (0, 1))
        print(f"  order {order}, {runs[0][2]} sets: {arranged / imports:.2f} (limit at 20: 10)")
        time.sleep(0.1)


if __name__ == "__main__":
    main()
