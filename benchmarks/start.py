"""Whole commands against bare interpreter imports, each in a fresh process."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

IMPORTS = "import sympy, scipy.optimize, scipy.signal, networkx"
COMMAND = "import sys; from synth.cli.main import run; sys.argv = ['synth', *{}]; run()"
MASK = ["--pass", "0:1kHz=0.5dB", "--stop", "1.35kHz:inf=40dB"]
ROWS = (
    ("synth --help", ["--help"], "import numpy", 1.5),
    (
        "synth realise, a Butterworth biquad",
        ["realise", "lowpass", "--family", "butterworth", "--order", "2", "--at", "1kHz"],
        IMPORTS,
        3.0,
    ),
    (
        "synth realise, a 50 Hz notch",
        ["realise", "bandstop", "--at", "50Hz", "--q", "5"],
        IMPORTS,
        3.0,
    ),
    (
        "synth realise, an elliptic low-pass of order 8",
        ["realise", "lowpass", "--family", "elliptic", "--order", "8", "--at", "1kHz"],
        IMPORTS,
        10.0,
    ),
    (
        "synth realise, a Chebyshev band-pass of order 8",
        [
            "realise",
            "bandpass",
            "--family",
            "chebyshev",
            "--order",
            "8",
            "--at",
            "8kHz",
            "--q",
            "8",
        ],
        IMPORTS,
        10.0,
    ),
    (
        "synth realise --op-amp, a Butterworth biquad",
        ["realise", "lowpass", "--order", "2", "--at", "1kHz", "--op-amp", "general-purpose"],
        IMPORTS,
        5.0,
    ),
    (
        "synth realise --op-amp, a 50 Hz notch",
        ["realise", "bandstop", "--at", "50Hz", "--q", "5", "--op-amp", "general-purpose"],
        IMPORTS,
        5.0,
    ),
    (
        "synth check, a catalogue stage",
        ["check", "tow-thomas-bandpass", "--op-amp", "jfet-10mhz"],
        IMPORTS,
        1.0,
    ),
    (
        "synth realise, a mask of order 8 to ranked circuits with proven values",
        ["realise", *MASK, "--family", "chebyshev"],
        IMPORTS,
        10.0,
    ),
    ("synth target, the same mask, all families", ["target", *MASK], IMPORTS, 2.0),
    ("synth analyse, a catalogue stage", ["analyse", "tow-thomas-bandpass"], IMPORTS, 1.0),
)


def seconds(code: str, times: int = 7) -> float:
    """Median wall-clock time of fresh processes."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", code], check=False, stdout=subprocess.DEVNULL)
        found.append(time.perf_counter() - start)
    return statistics.median(found)


def main() -> None:
    """Print the ratios."""
    for name, arguments, reference, limit in ROWS:
        ours, plain = seconds(COMMAND.format(arguments)), seconds(reference)
        print(f"{name} / python -c '{reference}' (limit: {limit:g})")
        print(f"  {ours / plain:.2f}")


if __name__ == "__main__":
    main()
