"""The closure of the catalogue over drives: how long its index takes, and what is in it."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable

from synth.catalog import stages
from synth.search.candidates import SectionTarget
from synth.search.lifted import build_index, candidates_for, index

QUESTIONS = {
    "lowpass": (1.0, 0.0, 0.0),
    "highpass": (0.0, 0.0, 1.0),
    "bandpass": (0.0, 0.2, 0.0),
    "bandstop": (1.0, 0.0, 1.0),
    "allpass": (1.0, -0.2, 1.0),
    "lowpass-notch": (2.0, 0.0, 1.0),
    "highpass-notch": (1.0, 0.0, 2.0),
}
IMPORTS = "import sympy, scipy.optimize, scipy.signal, networkx"


def seconds(work: Callable[[], object]) -> float:
    """Wall-clock time of one run."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> None:
    """Print the ratios and the counts."""
    load = seconds(stages)
    catalogue = stages()
    build = seconds(lambda: build_index(catalogue))
    print("building the index / loading the catalogue (limit: 20)")
    print(f"  {build / load:.1f}")
    index()
    plain = seconds(lambda: subprocess.run([sys.executable, "-c", IMPORTS], check=True))
    print("a question of second order over the warm index / bare imports (limit: 1)")
    for kind, numerator in QUESTIONS.items():
        target = SectionTarget(numerator, (1.0, 0.2, 1.0), 1e4, True)
        start = time.perf_counter()
        found = candidates_for(target)
        ratio = (time.perf_counter() - start) / plain
        amplifiers = [len(c.network.op_amps) for c in found]
        counts = ", ".join(f"{amplifiers.count(n)} with {n}" for n in sorted(set(amplifiers)))
        print(f"  {kind}: {ratio:.3f}; {len(found)} inequivalent circuits (op amps: {counts})")


if __name__ == "__main__":
    main()
