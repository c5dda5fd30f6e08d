"""Numbers from a loop: modes against generalised eigenvalues, the common form, the transfer.

The eigenvalues are scipy's, of the equations of tests/networks.py (pencil G + s*C).
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings

from synth.analysis.loop import analyse
from synth.analysis.numbers import admittances, common_form, modes, transfer
from synth.analysis.terms import terms_of
from synth.catalog import Stage, stage, stages
from synth.errors import NetworkError
from synth.network.model import Branch, Network, OpAmp
from synth.transform.cascade import cascade
from synth.transform.drive import Swap
from tests import networks as oracle
from tests.networks import networks, random_networks, same_multiset

every_stage = pytest.mark.parametrize("one", stages(), ids=lambda s: s.name)
swappable = pytest.mark.parametrize(
    "one", [s for s in stages() if not Swap().accepts(s.network)], ids=lambda s: s.name
)


def determinant_ratio(network: Network, a: complex, b: complex) -> complex:
    return oracle.determinant(network, a) / oracle.determinant(network, b)


def check_modes_by_determinant(network: Network) -> None:
    """det(s1)/det(s2) = prod (s1 - p)/(s2 - p): every mode, each as often as it occurs."""
    found = modes(analyse(network))
    a, b, c = oracle.sample_points(network, 3)
    for s1, s2 in ((a, b), (b, c)):
        product = np.prod([(s1 - p) / (s2 - p) for p in found]) if found else 1.0
        assert abs(determinant_ratio(network, s1, s2) / product - 1) < 1e-5


# -- modes -----------------------------------------------------------------------------------------


@every_stage
def test_modes_are_the_finite_generalised_eigenvalues(one: Stage) -> None:
    circuit = one.circuit()
    rate = oracle.rate_of(circuit)
    found = [p / rate for p in modes(analyse(circuit))]
    assert len(found) == one.order
    expected = oracle.modes_by_eigenvalues(circuit, rate)
    # a triple eigenvalue (twin-T with equal R and C) is computed to the cube root of rounding
    assert same_multiset(found, expected[: len(found)], 1e-4, floor=1e-6)
    assert all(abs(x) > 1e4 for x in expected[len(found) :])  # eigenvalues at infinity


@every_stage
def test_modes_of_every_stage_are_the_roots_of_the_determinant(one: Stage) -> None:
    check_modes_by_determinant(one.circuit())


def test_modes_of_random_networks_are_the_roots_of_the_determinant() -> None:
    for network in random_networks(500, seed=31):
        check_modes_by_determinant(network)


def test_a_double_mode_counts_twice() -> None:
    """Two equal buffered RC low-pass stages: -1/(RC), twice (any circuit text)."""
    one = stage("first-order-lowpass-unity").circuit()
    found = modes(analyse(cascade([one, one]).network))
    rate = 1 / (one.branch("R1").value * one.branch("C1").value)  # type: ignore[operator]
    assert len(found) == 2
    assert same_multiset(found, [-rate, -rate], 1e-12)


def test_a_mode_that_the_output_does_not_show_is_kept() -> None:
    """R2 and C2 hang on an ideal source: their mode is there, and is no pole of H."""
    network = Network(
        (
            Branch("R1", 0, ("in", "out"), 1e3),
            Branch("C1", 1, ("out", "0"), 1e-7),
            Branch("R2", 0, ("in", "b"), 1e4),
            Branch("C2", 1, ("b", "0"), 1e-8 * 3),
        )
    )
    loop = analyse(network)
    h = transfer(loop, loop.transfer())
    assert same_multiset(modes(loop), [-1e4, -1 / 3e-4], 1e-12)
    assert same_multiset(h.poles, [-1e4], 1e-12)


def test_a_cancelled_mode_stays_beside_the_poles() -> None:
    """A balanced probe divider, R1*C1 = R2*C2, is flat: one mode, no pole (any circuit text)."""
    circuit = stage("compensated-divider").network.with_values(
        {"R1": 9e6, "C1": 1e-11, "R2": 1e6, "C2": 9e-11}
    )
    loop = analyse(circuit)
    h = transfer(loop, loop.transfer())
    assert same_multiset(modes(loop), [-1 / 9e-5], 1e-12)
    assert h.poles == ()
    assert same_multiset(h.modes, [-1 / 9e-5], 1e-12)
    assert h(1j * 1e4) == pytest.approx(0.1, rel=1e-15)


# -- the common form -------------------------------------------------------------------------------


@every_stage
def test_common_form_is_monic_and_its_terminals_sum_to_the_denominator(one: Stage) -> None:
    circuit = one.circuit()
    form = common_form(analyse(circuit))
    assert form.denominator[-1] == 1
    total: dict[int, Fraction] = {}
    driven: dict[int, Fraction] = {}
    for terminal, n in form.terminals.items():
        for k, c in enumerate(n):
            total[k] = total.get(k, Fraction(0)) + c
            if terminal.at != "ground":
                driven[k] = driven.get(k, Fraction(0)) + c
    whole = form.denominator if circuit.terminal_sum else ()
    assert {k: c for k, c in total.items() if c} == {k: c for k, c in enumerate(whole) if c}
    assert {k: c for k, c in driven.items() if c} == {
        k: c for k, c in enumerate(form.numerator) if c
    }
    assert tuple(form.terminals) == circuit.terminals


@swappable
def test_swap_makes_the_numerator_the_difference(one: Stage) -> None:
    before = common_form(analyse(one.circuit()))
    after = common_form(analyse(Swap().apply(one.circuit())[0]))
    assert after.denominator == before.denominator
    size = len(before.denominator) + len(before.numerator) + len(after.numerator)

    def padded(p: tuple[Fraction, ...]) -> list[Fraction]:
        return [*p, *[Fraction(0)] * (size - len(p))]

    sums = [a + b for a, b in zip(padded(before.numerator), padded(after.numerator), strict=True)]
    assert sums == padded(before.denominator)


@given(networks())
@settings(max_examples=60, deadline=None)
def test_batched_coefficients_equal_the_exact_ones(network: Network) -> None:
    """terms_of: N/D from logarithms of the values, against the common form."""
    loop = analyse(network)
    if loop.transfer() is None or not loop.denominators:
        return
    form, terms = common_form(loop), terms_of(loop)
    logs = np.log([[network.branch(n).value for n in terms.names]])
    n, d = (c[0] for c in terms.coefficients(logs))
    for s in oracle.sample_points(network, 2):
        got = np.polyval(n[::-1], s) / np.polyval(d[::-1], s)
        exact = np.polyval([float(c) for c in reversed(form.numerator)], s) / np.polyval(
            [float(c) for c in reversed(form.denominator)], s
        )
        assert abs(got - exact) <= 1e-9 * max(1, abs(exact))


# -- refusals --------------------------------------------------------------------------------------


def test_missing_values_are_named_all_at_once() -> None:
    network = stage("sallen-key-lowpass-unity").network.with_values({"R1": 1e3})
    with pytest.raises(NetworkError, match="no value for R2, C1, C2"):
        admittances(network)


def test_values_that_make_the_determinant_vanish_are_refused() -> None:
    """A gain of exactly 2 fed back through equal resistors leaves the node undetermined."""
    network = Network(
        (
            Branch("R1", 0, ("in", "p"), 1e3),
            Branch("R2", 0, ("out", "p"), 1e3),
            Branch("R3", 0, ("m", "0"), 1e3),
            Branch("R4", 0, ("m", "out"), 1e3),
        ),
        (OpAmp("U1", "p", "m", "out"),),
    )
    loop = analyse(network)  # fine for general values
    with pytest.raises(NetworkError, match="determinant vanishes"):
        common_form(loop)
    with pytest.raises(NetworkError, match="determinant vanishes"):
        transfer(loop, loop.transfer())
    with pytest.raises(NetworkError, match="determinant vanishes"):
        modes(loop)
