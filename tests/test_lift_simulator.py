"""Lifted circuits in the circuit simulator ngspice, an oracle that shares no code with the library.

Run are the very decks that ``synth lift -o`` writes.  What they are compared with is the numerator
promised in the answer of ``--json``, over the denominator of the circuit before the lift.
"""

from __future__ import annotations

import json
import math
import tempfile
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.catalog import stage
from synth.cli.main import run
from synth.network.model import Network
from synth.transform.drive import Swap
from synth.transform.lift import LiftTerminals
from tests import networks as oracle
from tests import simulator
from tests.simulator import needs_simulator, simulate

CASES = [
    ("sallen-key-lowpass-gain", "highpass"),
    ("sallen-key-lowpass-gain", "allpass"),
    ("sallen-key-lowpass-gain", "highpass-notch"),
    ("sallen-key-bandpass-gain", "bandstop"),
    ("multiple-feedback-bandpass", "allpass"),
    ("multiple-feedback-bandpass-no-attenuator", "bandstop"),
    ("fliege-bandpass", "bandstop"),
    ("fliege-highpass", "bandpass"),
    ("tow-thomas-lowpass", "highpass"),
    ("tow-thomas-lowpass-inverting", "lowpass-notch"),
    ("tow-thomas-bandpass", "allpass"),
    ("akerberg-mossberg-lowpass", "highpass-notch"),
    ("state-variable-lowpass", "bandpass"),
    ("state-variable-bandpass", "highpass"),
    ("impedance-converter-bandpass", "bandstop"),
    ("bainter-notch", "lowpass"),
]


def centre_hz(network: Network) -> float:
    """Geometric mean of the natural modes."""
    found = [abs(p) for p in modes(analyse(network))]
    return math.exp(sum(map(math.log, found)) / len(found)) / (2 * math.pi)


@needs_simulator
@pytest.mark.parametrize(("name", "kind"), CASES, ids=lambda x: x)
def test_the_deck_written_has_the_numerator_promised(name, kind, tmp_path, capsys) -> None:
    """|dH| <= 1e-3*|H| + 1e-5*max|H| over four decades, op amps of gain 1e7."""
    circuit = stage(name).circuit()
    centre = centre_hz(circuit)
    at = {"lowpass-notch": f"={1.6 * centre}Hz", "highpass-notch": f"={0.6 * centre}Hz"}
    path = tmp_path / "lifted.cir"
    assert run(["lift", name, "--to", kind + at.get(kind, ""), "-o", str(path), "--json"]) == 0
    promised = json.loads(capsys.readouterr().out)
    assert any(x["fraction"] > 0 for x in promised["plan"])
    answer = simulate(path.read_text(encoding="utf-8"))
    f = answer.frequencies
    chosen = (f > centre / 100) & (f < centre * 100)
    assert f[chosen][-1] / f[chosen][0] > 0.9e4
    s = 2j * np.pi * f[chosen]
    h = np.polyval(promised["numerator"], s) / np.polyval(promised["denominator"], s)
    bound = 1e-3 * np.abs(h) + 1e-5 * np.abs(h).max()
    worst = np.abs(answer.node(circuit.output)[chosen] - h) / bound
    assert worst.max() <= 1, f"{worst.max():g} times the bound at {f[chosen][worst.argmax()]:g} Hz"


def test_the_cases_are_many_and_of_every_kind() -> None:
    assert len({name for name, _ in CASES}) >= 12
    assert len({kind for _, kind in CASES}) == 7


# -- noise and offset with the source at zero ------------------------------------------------------

#: Four circuits; the resistors at ground or input are split, with these fractions at the input.
SPLIT = {
    "sallen-key-lowpass-gain": {("R1", "1"): 0.37, ("RA", "2"): 0.6},
    "multiple-feedback-bandpass": {("R1", "1"): 0.8, ("R3", "2"): 0.25},
    "fliege-bandpass": {("R1", "1"): 0.45, ("R5", "2"): 0.7},
    "tow-thomas-feed-forward": {("R4", "1"): 0.5, ("RG", "1"): 0.1, ("RH", "1"): 0.9},
}
NOISE_RESISTANCE = 1600.0  # ohm; makes the voltage noise of the op amp at 300.15 K
GAIN, GAIN_BANDWIDTH = 1e5, 2 * math.pi * 1e6
TEMPERATURE = 300.15  # K, the simulator's own


def noisy_deck(network: Network, analysis: str, offsets: dict[str, float]) -> str:
    """A deck of our own: one-pole op amps with voltage noise and offset at the plus input."""
    lines = ["noise and offset", f"VIN {network.input} 0 DC 0 AC 1"]
    lines += [f"{b.name} {' '.join(b.nodes)} {b.value!r}" for b in network.branches]
    for u in network.op_amps:
        lines += [
            f"V{u.name} {u.plus} p{u.name} DC {-offsets.get(u.name, 0.0)!r}",
            f"X{u.name} p{u.name} {u.minus} {u.out} noisy",
        ]
    lines += [
        ".subckt noisy plus minus out",
        f"Rn n 0 {NOISE_RESISTANCE!r}",
        f"G1 0 x plus minus {GAIN!r}",
        f"G2 0 x n 0 {GAIN!r}",
        "R1 x 0 1",
        f"C1 x 0 {GAIN / GAIN_BANDWIDTH!r}",
        "E1 out 0 x 0 1",
        ".ends",
        analysis,
        ".end",
        "",
    ]
    return "\n".join(lines)


def real_result(deck: str, column: str) -> npt.NDArray[np.float64]:
    """Run a deck and return one column of the plot of real numbers that has it."""
    if simulator.EXECUTABLE is None:
        pytest.skip("ngspice is not installed")
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "deck.cir").write_text(deck, encoding="utf-8")
        simulator.run_batch(folder, "-r", "deck.raw", "deck.cir")
        raw = (Path(folder) / "deck.raw").read_bytes()
    while raw:
        head, found, raw = raw.partition(b"Binary:\n")
        assert found, f"the simulator gave no {column}"
        lines = head.decode("ascii").splitlines()
        count = {x.split(":")[0]: int(x.split(":")[1]) for x in lines if x.startswith("No. ")}
        names = [x.split()[1] for x in lines[lines.index("Variables:") + 1 :] if x.strip()]
        size = 8 * count["No. Variables"] * count["No. Points"]
        table = np.frombuffer(raw[:size], dtype=np.float64).reshape(-1, len(names))
        if column in names:
            return table[:, names.index(column)]
        raw = raw[size:]
    pytest.fail(f"the simulator gave no {column}")


def output_noise(network: Network) -> npt.NDArray[np.float64]:
    analysis = f".noise v({network.output}) VIN dec 3 10 100k"
    return real_result(noisy_deck(network, analysis, {}), "onoise_spectrum")


def variants(name: str) -> dict[str, Network]:
    circuit = stage(name).circuit()
    split = LiftTerminals(tuple(SPLIT[name].items())).apply(circuit)[0]
    assert len(split.branches) == len(circuit.branches) + len(SPLIT[name])
    return {"as it is": circuit, "swapped": Swap().apply(circuit)[0], "split": split}


@needs_simulator
@pytest.mark.parametrize("name", SPLIT)
def test_output_noise_with_the_source_at_zero_stays(name) -> None:
    """And is 4kT/R of each resistor with the op amps' own (H. Nyquist, Phys. Rev. 32 (1928)
    110-113), by nodal analysis of our own."""
    noise = {key: output_noise(n) for key, n in variants(name).items()}
    for after in ("swapped", "split"):
        assert noise[after] == pytest.approx(noise["as it is"], rel=1e-6)
    circuit = stage(name).circuit()
    models = {u.name: oracle.Amplifier(GAIN_BANDWIDTH, GAIN) for u in circuit.op_amps}
    own = math.sqrt(4 * oracle.BOLTZMANN * TEMPERATURE * NOISE_RESISTANCE)
    f = np.geomspace(10, 1e5, len(noise["split"]))
    wanted = [oracle.noise_density(circuit, x, models, own, TEMPERATURE) for x in f]
    assert noise["split"] == pytest.approx(wanted, rel=1e-3)


@needs_simulator
@pytest.mark.parametrize("name", SPLIT)
def test_output_offset_with_the_source_at_zero_stays(name) -> None:
    """A source of offset at the input of each op amp in turn."""
    networks = variants(name)
    sizes = []
    for u in networks["as it is"].op_amps:
        offset = {
            key: real_result(noisy_deck(n, ".op", {u.name: 2e-3}), f"v({n.output})")[0]
            for key, n in networks.items()
        }
        sizes.append(abs(offset["as it is"]))
        for after in ("swapped", "split"):
            assert offset[after] == pytest.approx(offset["as it is"], rel=1e-6, abs=1e-10)
    assert max(sizes) > 1e-3
