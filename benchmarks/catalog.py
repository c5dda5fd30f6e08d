"""Verifying every stage, and ordinary use of the catalogue, against the bare imports it needs."""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys

IMPORTS = "import numpy, tomllib, json, fractions, hashlib, difflib"
ROWS = (
    (
        "verifying every stage",
        "from synth.catalog import verify; verify()",
        3.0,
    ),
    ("loading every stage, as verified", "from synth.catalog import stages; stages()", 3.0),
    ("loading one stage", "from synth.catalog import stage; stage('fliege-notch')", 2.5),
)


def seconds(code: str, times: int = 9) -> float:
    """Median processor time of fresh processes."""
    found = []
    for _ in range(times):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        found.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return statistics.median(found)


def main() -> None:
    """Print the ratios."""
    for name, code, limit in ROWS:
        ours, plain = seconds(code), seconds(IMPORTS)
        print(f"{name} / python -c '{IMPORTS}' (limit: {limit:g})")
        print(f"  {ours / plain:.2f}")


if __name__ == "__main__":
    main()
