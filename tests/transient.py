"""Sines through circuits of op amps that clip and slew, in the circuit simulator ngspice."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from synth.checking.model import OpAmpModel
from synth.network.model import Network

Array = npt.NDArray[np.float64]
LETTERS = {0: "R", 1: "C"}
#: Periods measured, and steps in each.
_PERIODS, _STEPS = 2, 500


def behavioural(model: OpAmpModel) -> str:
    """An op amp of one pole whose first stage delivers a limited current and whose output is
    clamped (macromodel: G. R. Boyle et al., IEEE J. Solid-State Circuits SC-9 (1974) 353-364,
    from memory; here with hard limits)."""
    wt = 2 * np.pi * model.gain_bandwidth
    most = min(model.slew_rate / wt, 1e9)
    low, high = model.output_range
    return "\n".join(
        (
            ".subckt limited plus minus out",
            f"Bin 0 x I=max({-most:.12g},min({most:.12g},V(plus,minus)))",
            f"Rx x 0 {min(model.dc_gain, 1e9):.12g}",
            f"Cx x 0 {1 / wt:.12g}",
            f"Bout e 0 V=max({low:.12g},min({high:.12g},V(x)))",
            f"Rout e out {max(model.output_resistance, 1e-3):.12g}",
            ".ends",
        )
    )


def deck(network: Network, model: OpAmpModel, source: str, cards: str) -> str:
    """Write the parts with behavioural op amps, a source and the lines that ask for something.

    The current out of op amp U1 is ``i(vau1)``, that into the input's source ``i(vin)``.
    """
    lines = ["levels", f"VIN {network.input} {network.reference} {source}"]
    for b in network.branches:
        lines.append(f"{LETTERS[b.power]}_{b.name} {b.nodes[0]} {b.nodes[1]} {b.value!r}")
    for u in network.op_amps:  # with an ammeter at the output
        lines += [
            f"X{u.name} {u.plus} {u.minus} o_{u.name} limited",
            f"VA{u.name} o_{u.name} {u.out} 0",
        ]
    return "\n".join((*lines, behavioural(model), cards, ".end", ""))


def sine(
    network: Network,
    model: OpAmpModel,
    amplitude: float,
    frequency: float,
    settle_s: float,
    extra: str = "",
) -> Mapping[str, Array]:
    """Return the voltages over the last two periods, after `settle_s` seconds, and ``time``."""
    settle = np.ceil(settle_s * frequency + 3) / frequency
    stop = settle + _PERIODS / frequency
    step = 1 / (frequency * _STEPS)
    cards = f".tran {step:.9g} {stop:.12g} {settle:.12g} {step:.9g}\n.options reltol=1e-5\n{extra}"
    return run(deck(network, model, f"SIN(0 {amplitude!r} {frequency!r})", cards))


def run(text: str) -> Mapping[str, Array]:
    """Run a deck of a transient analysis or an operating point; vectors by lower-case name."""
    executable = shutil.which("ngspice")
    if executable is None:
        pytest.skip("ngspice is not installed")
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "deck.cir").write_text(text)
        done = subprocess.run(
            [executable, "-b", "-r", "deck.raw", "deck.cir"],
            cwd=folder,
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
            timeout=120,
            check=False,
        )
        raw = Path(folder) / "deck.raw"
        if done.returncode or not raw.exists():
            pytest.fail(f"ngspice refused the deck:\n{done.stderr}\n{done.stdout[-2000:]}\n{text}")
        head, _, body = raw.read_bytes().partition(b"Binary:\n")
    lines = head.decode("utf-8", "replace").splitlines()
    start = lines.index("Variables:") + 1
    names = [line.split()[1].lower() for line in lines[start:] if line.strip()]
    table = np.frombuffer(body, dtype=np.float64).reshape(-1, len(names))
    return {(n[2:-1] if n.startswith("v(") else n): table[:, k].copy() for k, n in enumerate(names)}


def fundamental(waves: Mapping[str, Array], node: str, frequency: float) -> tuple[float, float]:
    """Return amplitude of a node's fundamental, and the rest of it over that (rms over rms)."""
    t, v = waves["time"], waves[node.lower()]
    even = np.linspace(t[0], t[-1], 4 * _STEPS, endpoint=False)
    v = np.interp(even, t, v)
    w = 2 * np.pi * frequency * even
    basis = np.column_stack([np.cos(w), np.sin(w), np.ones_like(w)])
    fit, *_ = np.linalg.lstsq(basis, v, rcond=None)
    rest = v - basis @ fit
    size = float(np.hypot(fit[0], fit[1]))
    return size, float(np.sqrt(np.mean(rest**2)) / (size / np.sqrt(2)))
