"""A full check of a second-order circuit against the bare imports that it needs."""

from __future__ import annotations

import subprocess
import sys
import time

PROGRAM = """
import time
start = time.perf_counter()
import numpy, tomllib, click
middle = time.perf_counter()
from synth.catalog import stage
from synth.checking.figures import figures
from synth.checking.model import op_amp_model
network, model = stage("{name}").circuit(), op_amp_model("general-purpose")
begin = time.perf_counter()
figures(network, model, source_resistance=100.0, load=10e3)
print(middle - start, time.perf_counter() - begin)
"""
STAGES = (
    "sallen-key-lowpass-unity",
    "sallen-key-highpass-gain",
    "multiple-feedback-bandpass",
    "tow-thomas-lowpass",
)


def once(name: str) -> tuple[float, float]:
    """Seconds of the imports and of the check, in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM.format(name=name)],
        capture_output=True,
        text=True,
        check=True,
    )
    imports, check = map(float, done.stdout.split())
    return imports, check


def main() -> None:
    """Print the ratios."""
    print("small-signal figures of a circuit / bare imports of numpy and click (limit: 1)")
    for name in STAGES:
        runs = [once(name) for _ in range(5)]
        imports, check = (min(column) for column in zip(*runs, strict=True))
        print(f"  {name}: {check / imports:.2f} ({1e3 * check:.0f} ms)")
        time.sleep(0.1)


if __name__ == "__main__":
    main()
