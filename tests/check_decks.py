"""Decks of circuits with real op amps, written here on their own, and run in the simulator.

The op amp is A0, two poles and an output resistance, with offset and bias sources and, for noise,
equivalent resistors: 4kT*R of a resistor is the square of the voltage density, and the density of
1 kohm through a transconductance is the current density.
"""

from __future__ import annotations

import re
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from synth.checking.model import OpAmpModel
from synth.network.model import Network
from tests.simulator import EXECUTABLE

BOLTZMANN, KELVIN = 1.380649e-23, 300.0
Array = npt.NDArray[np.float64]


def deck(
    network: Network,
    model: OpAmpModel,
    *,
    opened: str | None = None,
    drive: float = 1.0,
    noisy: bool = False,
    offsets: bool = False,
    stray: Sequence[str] = (),
) -> list[str]:
    """Lines of a deck; `opened` names an op amp whose controlled source is fed with 1 V instead."""
    reference = network.reference
    assert reference in ("0", "gnd"), reference
    lines = ["* check", ".options temp=26.85 tnom=26.85 gmin=1e-18", *stray]
    lines.append(f"vdrive {network.input} 0 dc 0 ac {drive}")
    lines += [f"{b.name} {b.nodes[0]} {b.nodes[1]} {b.value!r}" for b in network.branches]
    for u in network.op_amps:
        k = u.name.lower()
        a0, wt = model.dc_gain, 2 * np.pi * model.gain_bandwidth
        offset = model.offset if offsets else 0.0
        lines += [
            f"voff_{k} {u.plus} p_{k} dc {-offset!r}",
            f"e_in_{k} d_{k} 0 p_{k} {u.minus} 1",
            f"g_1_{k} 0 x_{k} d_{k} 0 1",
            f"r_1_{k} x_{k} 0 {a0!r} noisy=0",
            f"c_1_{k} x_{k} 0 {1 / wt!r}",
        ]
        source = f"x_{k}"
        if opened == u.name:
            lines.append(f"v_test_{k} test_{k} 0 dc 0 ac 1")
            source = f"test_{k}"
        second = 1 / (2 * np.pi * model.second_pole)
        lines += [
            f"e_2_{k} y_{k} 0 {source} 0 1",
            f"r_2_{k} y_{k} z_{k} 1 noisy=0",
            f"c_2_{k} z_{k} 0 {second!r}",
            f"e_3_{k} w_{k} 0 z_{k} 0 1",
            f"r_3_{k} w_{k} {u.out} {model.output_resistance!r} noisy=0",
        ]
        if offsets:
            plus, minus = (model.bias_current + s * model.offset_current / 2 for s in (1.0, -1.0))
            lines += [f"i_p_{k} 0 {u.plus} dc {plus!r}", f"i_m_{k} 0 {u.minus} dc {minus!r}"]
        if noisy:
            lines += noise_lines(k, u.plus, u.minus, model)
            lines[lines.index(f"e_in_{k} d_{k} 0 p_{k} {u.minus} 1")] = (
                f"e_in_{k} d0_{k} 0 p_{k} {u.minus} 1\ne_n_{k} d_{k} d0_{k} n_{k} 0 1"
            )
    return lines


def noise_lines(k: str, plus: str, minus: str, model: OpAmpModel) -> list[str]:
    resistance = model.noise_voltage**2 / (4 * BOLTZMANN * KELVIN)
    transconductance = model.noise_current / (4 * BOLTZMANN * KELVIN * 1e3) ** 0.5
    lines = [f"r_n_{k} n_{k} 0 {resistance!r}"]
    for sign, node in (("p", plus), ("m", minus)):
        lines += [f"r_i{sign}_{k} i{sign}_{k} 0 1k"]
        lines += [f"g_i{sign}_{k} 0 {node} i{sign}_{k} 0 {transconductance!r}"]
    return lines


def run(lines: Sequence[str], control: Sequence[str], files: Sequence[str]) -> list[Array]:
    """Run control commands that write files with wrdata; return their tables."""
    if EXECUTABLE is None:
        pytest.skip("ngspice is not installed")
    text = [*lines, ".control", "set numdgt=15", *control, ".endc", ".end", ""]
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "deck.cir").write_text("\n".join(text), encoding="utf-8")
        done = subprocess.run(
            [str(EXECUTABLE), "-b", "deck.cir"],
            cwd=folder,
            capture_output=True,
            text=True,
            errors="replace",
            stdin=subprocess.DEVNULL,
            timeout=120,
            check=False,
        )
        tables = []
        for name in files:
            path = Path(folder, name)
            if not path.is_file():
                pytest.fail(f"ngspice refused the deck:\n{done.stderr}\n{done.stdout[-3000:]}")
            tables.append(np.loadtxt(path, ndmin=2))
        return tables


def ac(
    lines: Sequence[str], what: str, low: float, high: float, points: int = 20
) -> tuple[Array, npt.NDArray[np.complex128]]:
    """Frequencies in Hz and a vector such as ``v(out)``."""
    (table,) = run(lines, [f"ac dec {points} {low!r} {high!r}", f"wrdata a.txt {what}"], ["a.txt"])
    return table[:, 0], table[:, 1] + 1j * table[:, 2]


def noise(lines: Sequence[str], node: str, low: float, high: float) -> tuple[Array, Array, float]:
    """Frequencies, density in V/sqrt(Hz), and the total in V rms."""
    spectrum, total = run(
        lines,
        [
            f"noise v({node}) vdrive dec 60 {low!r} {high!r}",
            "setplot noise1",
            "wrdata s.txt onoise_spectrum",
            "setplot noise2",
            "wrdata t.txt onoise_total",
        ],
        ["s.txt", "t.txt"],
    )
    return spectrum[:, 0], spectrum[:, 1], float(total[0, 1])


def operating_point(lines: Sequence[str], nodes: Sequence[str]) -> dict[str, float]:
    wanted = " ".join(f"v({n})" for n in nodes)
    (table,) = run(lines, ["op", f"wrdata o.txt {wanted}"], ["o.txt"])
    return {n: float(table[0, 2 * k + 1]) for k, n in enumerate(nodes)}


def poles(lines: Sequence[str], source: str, node: str) -> list[complex]:
    """Poles by the simulator's own pole-zero analysis, rad/s; it fails on many larger circuits."""
    text = [*lines, ".control", "set numdgt=15", f"pz {source} 0 {node} 0 vol pol", "print all"]
    done = subprocess.run(
        [str(EXECUTABLE), "-b"],
        input="\n".join([*text, ".endc", ".end", ""]),
        capture_output=True,
        text=True,
        errors="replace",
        timeout=120,
        check=False,
    )
    found = re.findall(r"pole\(\d+\) = ([-+\deE.]+),([-+\deE.]+)", done.stdout)
    return [complex(float(a), float(b)) for a, b in found]
