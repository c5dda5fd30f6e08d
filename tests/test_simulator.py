"""The circuit simulator ngspice against the library: every stage, its swap and its rc-cr mirror.

The bound is 1e-3*|H| + 1e-5*max|H| over four decades around the natural modes.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import numpy.typing as npt
import pytest

from synth.analysis.amplifier import Amplifier, same_everywhere
from synth.analysis.loop import analyse
from synth.analysis.numbers import modes, transfer
from synth.analysis.real import real_system
from synth.catalog import Stage, stage, stages
from synth.network.deck_writer import write_deck
from synth.network.model import Network
from synth.transform.cascade import cascade
from synth.transform.drive import Swap
from synth.transform.impedance import ImpedanceSwap
from tests.networks import random_networks, rate_of
from tests.simulator import Response, needs_simulator, simulate

ComplexArray = npt.NDArray[np.complex128]
ALL = stages()
every_stage = pytest.mark.parametrize("one", ALL, ids=lambda s: s.name)
swappable = pytest.mark.parametrize(
    "one", [s for s in ALL if not Swap().accepts(s.network)], ids=lambda s: s.name
)
mirrored = pytest.mark.parametrize(
    "one", [s for s in ALL if not ImpedanceSwap().accepts(s.circuit())], ids=lambda s: s.name
)


def centre_hz(network: Network) -> float:
    found = [abs(p) for p in modes(analyse(network)) if p != 0]
    rate = math.exp(sum(map(math.log, found)) / len(found)) if found else rate_of(network)
    return rate / (2 * math.pi)


def measured(
    network: Network, centre: float, amplifier: Amplifier | None = None
) -> tuple[npt.NDArray[np.float64], ComplexArray]:
    middle = 1.03 * centre  # no point falls on the mode of an ideal resonator
    deck = write_deck(
        network,
        amplifier=amplifier or "ideal",
        frequencies=(middle / 100, middle * 100),
        points=20,
    )
    answer: Response = simulate(deck)
    source = answer.node(network.input)
    assert np.abs(source - 1).max() < 1e-12
    return answer.frequencies, answer.output(network)


@cache
def measured_stage(name: str) -> tuple[npt.NDArray[np.float64], ComplexArray]:
    circuit = stage(name).circuit()
    return measured(circuit, centre_hz(circuit))


def check(network: Network, frequencies: npt.NDArray[np.float64], answer: ComplexArray) -> None:
    loop = analyse(network)
    h = transfer(loop, loop.transfer()).response(frequencies)
    assert len(frequencies) > 80
    assert frequencies[-1] / frequencies[0] == pytest.approx(1e4, rel=0.2)
    bound = 1e-3 * np.abs(h) + 1e-5 * np.abs(h).max()
    worst = int(np.argmax(np.abs(answer - h) / np.where(bound > 0, bound, 1e-12)))
    assert abs(answer[worst] - h[worst]) <= max(bound[worst], 1e-9), (
        f"at {frequencies[worst]:g} Hz the simulator has {answer[worst]}, the library {h[worst]}"
    )


@needs_simulator
@every_stage
def test_simulator_agrees_with_every_stage(one: Stage) -> None:
    check(one.circuit(), *measured_stage(one.name))


@needs_simulator
@swappable
def test_simulator_agrees_with_every_swap_and_measures_a_sum_of_one(one: Stage) -> None:
    circuit = one.circuit()
    swapped = Swap().apply(circuit)[0]
    frequencies, other = measured(swapped, centre_hz(circuit))
    check(swapped, frequencies, other)
    before, h = measured_stage(one.name)
    assert np.array_equal(before, frequencies)
    assert np.abs(h + other - circuit.complement_sum).max() < 1e-3


@needs_simulator
@mirrored
def test_simulator_agrees_with_every_mirror(one: Stage) -> None:
    after = ImpedanceSwap().apply(one.circuit())[0]
    check(after, *measured(after, centre_hz(after)))


@needs_simulator
@every_stage
def test_simulator_agrees_with_one_pole_op_amps(one: Stage) -> None:
    """A(s) = A0/(1 + s*A0/wt), gain-bandwidth 1 MHz, against the library's equations."""
    circuit = one.circuit()
    model = Amplifier(2 * math.pi * 1e6, 1e5)
    frequencies, answer = measured(circuit, centre_hz(circuit), model)
    system = real_system(circuit, same_everywhere(circuit, model))
    h = system.read(system.response(2j * np.pi * frequencies))
    bound = 1e-3 * np.abs(h) + 1e-5 * np.abs(h).max()
    assert (np.abs(answer - h) <= bound).all()


@needs_simulator
def test_simulator_agrees_with_random_passive_networks_and_their_swaps() -> None:
    done = 0
    for network in random_networks(200, seed=91):
        if network.op_amps or Swap().accepts(network):
            continue
        done += 1
        swapped = Swap().apply(network)[0]
        centre = rate_of(network) / (2 * math.pi)
        (_, a), (_, b) = measured(network, centre), measured(swapped, centre)
        assert np.abs(a + b - 1).max() < 1e-3
        if done == 25:
            return
    pytest.fail("too few passive networks")


@needs_simulator
def test_simulator_agrees_with_a_cascade_and_one_stage_swapped_in_place() -> None:
    chain = cascade(
        [stage(n).circuit() for n in ("sallen-key-lowpass-unity", "sallen-key-highpass-gain")]
    ).network
    centre = centre_hz(chain)
    check(chain, *measured(chain, centre))
    for wanted in ("1", "2"):
        swapped = Swap(wanted).apply(chain)[0]
        check(swapped, *measured(swapped, centre))
