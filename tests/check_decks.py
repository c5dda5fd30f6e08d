"""Decks of circuits with real op amps, written here on their own, and run in the simulator.

The op amp is A0, two poles and an output resistance, with offset and bias sources and, for noise,
equivalent resistors: 4kT*R of a resistor is the square of the voltage density, and the density of
1 kohm through a transconductance is the current density.  What rises as 1/f below the corners comes
from the simulator's own flicker noise of a resistor that carries 0.5 mA.
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
#: Density at 1 Hz of the flicker source, V/sqrt(Hz): 0.5 mA through 500 ohm.
FLICKER = 0.25
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
    lines = [f"r_n_{k} nw_{k} 0 {resistance!r}"]
    lines += flicker_lines(f"n_{k}")
    rise = model.noise_voltage * model.noise_voltage_corner**0.5 / FLICKER
    lines.append(f"e_nf_{k} n_{k} nw_{k} f_n_{k} 0 {rise!r}")
    rise = model.noise_current * model.noise_current_corner**0.5 / FLICKER
    for sign, node in (("p", plus), ("m", minus)):
        lines += [f"r_i{sign}_{k} i{sign}_{k} 0 1k", *flicker_lines(f"i{sign}_{k}")]
        lines += [f"g_i{sign}_{k} 0 {node} i{sign}_{k} 0 {transconductance!r}"]
        lines += [f"g_f{sign}_{k} 0 {node} f_i{sign}_{k} 0 {rise!r}"]
    return lines


def flicker_lines(name: str) -> list[str]:
    """Return a source whose density at node ``f_name`` is `FLICKER` over the root of f in Hz.

    The noise current of a resistor is kf*I^af/f in power: 1 V drives 0.5 mA through two of 1 kohm,
    and half of the noise voltage of one is seen between them.
    """
    return [
        f"v_f_{name} b_{name} 0 dc 1",
        f"r_f_{name} b_{name} f_{name} flicker_{name} 1k",
        f"r_l_{name} f_{name} 0 1k noisy=0",
        f".model flicker_{name} r kf=1 af=2",
    ]


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


def fitted_poles(
    lines: Sequence[str], what: str, low: float, high: float, points: int = 30
) -> npt.NDArray[np.complex128]:
    """Poles of a response, rad/s, from a rational fit of the simulator's own AC analysis.

    The fit is Y. Nakatsukasa, O. Sete and L. N. Trefethen's (SIAM J. Sci. Comput. 40 (2018)
    A1494-A1522, from memory): barycentric, support points added where the error is largest.  For
    circuits on which the simulator's pole-zero analysis does not come to an end.
    """
    from scipy.linalg import eigvals

    f, h = ac(lines, what, low, high, points)
    scale = 2 * np.pi * np.sqrt(low * high)
    # a real network: the response at -f is the conjugate
    z = np.concatenate([-2j * np.pi * f[::-1], 2j * np.pi * f]) / scale
    values = np.concatenate([np.conj(h[::-1]), h])
    support: list[int] = []
    fit = np.full(len(z), values.mean())
    for _ in range(14):
        support.append(int(np.argmax(np.abs(fit - values))))
        rest = np.setdiff1d(np.arange(len(z)), support)
        cauchy = 1 / (z[rest][:, None] - z[support][None, :])
        loewner = values[rest][:, None] * cauchy - cauchy * values[support][None, :]
        weights = np.linalg.svd(loewner, full_matrices=False)[2][-1].conj()
        fit = values.copy()
        fit[rest] = (cauchy @ (weights * values[support])) / (cauchy @ weights)
        if np.abs(fit - values).max() < 1e-11 * np.abs(values).max():
            break
    m = len(support)
    a = np.zeros((m + 1, m + 1), dtype=complex)
    a[0, 1:], a[1:, 0], a[1:, 1:] = weights, 1.0, np.diag(z[support])
    found = eigvals(a, np.diag([0.0, *np.ones(m)]))
    return np.asarray(found[np.isfinite(found)] * scale)
