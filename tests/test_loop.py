"""Exact analysis against nodal analysis of our own (tests/networks.py), and the law of terminals.

The law: the transfers of all terminals sum to 1 (D. Hilberman, IEEE Trans. Circuit Theory CT-20
(1973) 540-547, from memory).
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings

from synth.analysis.loop import Loop, analyse, expanded, law_holds
from synth.analysis.numbers import common_form, polynomial, transfer
from synth.analysis.ring import determinant
from synth.analysis.symbolic import formula
from synth.catalog import Stage, stage, stages
from synth.errors import NetworkError, SingularError
from synth.network.model import Branch, Network, OpAmp, Port
from synth.transfer import polynomial as exact
from synth.transfer.expression import parse
from synth.transfer.grammar import MAX_LENGTH
from synth.transform.cascade import cascade
from synth.transform.drive import Swap
from synth.transform.impedance import ImpedanceSwap
from tests import networks as oracle
from tests.networks import any_network, networks, random_networks

every_stage = pytest.mark.parametrize("one", stages(), ids=lambda s: s.name)


def at(p: exact.Poly, s: complex) -> complex:
    value = 0j
    for c in reversed(p):
        value = value * s + float(c)
    return value


def check_against_oracle(network: Network, tolerance: float = 1e-6) -> None:
    """Every terminal's transfer, and H, at three points of the s plane."""
    loop = analyse(network)
    form = common_form(loop)
    h = transfer(loop, loop.transfer())
    for s in oracle.sample_points(network, 3):
        expected = oracle.terminal_transfers(network, s)
        scale = max([1.0, *(abs(x) for x in expected.values())])
        d = at(form.denominator, s)
        assert len(form.terminals) == len(expected) - 1  # the oracle has `hidden` too
        for terminal, n in form.terminals.items():
            assert abs(at(n, s) / d - expected[terminal.key]) <= tolerance * scale, terminal
        assert abs(expected["hidden"]) <= tolerance * scale
        whole = oracle.transfer(network, s)
        assert abs(at(form.numerator, s) / d - whole) <= tolerance * scale
        assert abs(h(s) - whole) <= tolerance * scale


def formula_of(loop: Loop) -> str:
    return str(formula(loop.transfer(), loop.denominators, loop.network.branches))


def check_formula(network: Network) -> bool:
    """The printed formula, read back and evaluated exactly, is N(s)/D(s).

    False where it is longer than the parser takes.
    """
    loop = analyse(network)
    if len(formula_of(loop)) > MAX_LENGTH:
        return False
    form = common_form(loop)
    names = {b.name: Fraction(repr(b.value)) for b in network.branches}
    for s in (Fraction(1234567, 89), Fraction(-54321, 7)):
        read = parse(formula_of(loop), {"s", *names}).evaluate({"s": s, **names}, Fraction)
        assert read == exact.evaluate(form.numerator, s) / exact.evaluate(form.denominator, s)
    return True


# -- the catalogue ---------------------------------------------------------------------------------


@every_stage
def test_every_stage_agrees_with_nodal_analysis(one: Stage) -> None:
    for kind in one.kinds:
        check_against_oracle(one.circuit(kind))


@every_stage
def test_terminals_sum_to_one_before_and_after_swap_and_rc_cr(one: Stage) -> None:
    assert law_holds(one.loop)
    for step in (Swap(), ImpedanceSwap()):
        if not step.accepts(one.network):
            assert law_holds(analyse(step.apply(one.network)[0]))


@every_stage
def test_formula_of_every_stage_reads_back(one: Stage) -> None:
    assert check_formula(one.circuit())


# -- random networks -------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_thousands_of_random_networks_agree_with_nodal_analysis(seed: int) -> None:
    for network in random_networks(600, seed):
        check_against_oracle(network)
        assert law_holds(analyse(network))


def test_random_networks_with_inductors_and_fdnrs_agree_with_nodal_analysis() -> None:
    for network in random_networks(400, seed=11, powers=(0, 1, -1, 2)):
        check_against_oracle(network)
        assert law_holds(analyse(network))


def test_a_network_is_refused_exactly_when_the_oracle_finds_it_singular() -> None:
    import numpy as np

    rng = np.random.default_rng(5)
    seen = {True: 0, False: 0}
    for _ in range(1500):
        network = any_network(rng)
        singular = oracle.is_singular(network)
        if not singular and not oracle.is_regular(network):
            continue
        seen[singular] += 1
        if singular:
            with pytest.raises(SingularError):
                analyse(network)
        else:
            analyse(network)
    assert min(seen.values()) > 200  # both kinds did occur


@given(networks())
@settings(max_examples=100, deadline=None)
def test_law_and_formula_hold_for_any_network(network: Network) -> None:
    check_against_oracle(network)
    assert law_holds(analyse(network))
    check_formula(network)


def test_formulas_of_random_networks_read_back() -> None:
    read = [check_formula(network) for network in random_networks(300, seed=21)]
    assert sum(read) > 250  # the others are longer than a formula for a person


@given(networks(least_op_amps=1))
@settings(max_examples=60, deadline=None)
def test_drives_by_halves_are_the_mean_of_the_two_drives(network: Network) -> None:
    """H is linear in the drive: half of every terminal gives sum T_k / 2 = 1/2."""
    loop = analyse(network)
    half = loop.transfer(dict.fromkeys(network.terminals, Fraction(1, 2)))
    twice = {mask: 2 * c for mask, c in expanded(half).items()}
    assert twice == dict(expanded(loop.denominators))


# -- cascades keep their factors -------------------------------------------------------------------


def test_five_sallen_key_stages_stay_a_product() -> None:
    one = stage("sallen-key-lowpass-unity")
    chain = cascade([one.network] * 5).network
    loop = analyse(chain)
    single_n, single_d = one.loop.transfer(), one.loop.denominators
    assert single_n is not None
    numerator = loop.transfer()
    assert numerator is not None
    sums = [d for d in loop.denominators if len(d) > 1]
    assert len(sums) == 5
    assert [len(d) for d in sums] == [max(map(len, single_d))] * 5
    assert all(len(n) == 1 for n in numerator)  # a unity low-pass has one term on top
    written = formula(numerator, loop.denominators, chain.branches)
    assert len(written.denominator) == 5
    assert check_formula(cascade([one.circuit()] * 5).network)


def test_swapped_cascade_is_one_minus_the_product() -> None:
    one = stage("sallen-key-lowpass-gain")
    chain = cascade([one.circuit()] * 2).network
    swapped, _ = Swap().apply(chain)
    check_against_oracle(swapped)
    for s in oracle.sample_points(chain, 3):
        assert abs(oracle.transfer(chain, s) + oracle.transfer(swapped, s) - 1) < 1e-9


# -- fixed cases -----------------------------------------------------------------------------------


def test_follower_passes_its_input() -> None:
    network = Network((), (OpAmp("U1", "in", "out", "out"),))
    loop = analyse(network)
    assert loop.denominators == ()
    assert formula_of(loop) == "1"
    assert law_holds(loop)


def test_output_pinned_to_ground_has_no_transfer() -> None:
    """A virtual ground: the minus input of an inverting amplifier."""
    network = Network(
        (Branch("R1", 0, ("in", "m"), 1e3), Branch("R2", 0, ("m", "o"), 1e3)),
        (OpAmp("U1", "0", "m", "o"),),
        outputs=(Port("output", "m"),),
    )
    loop = analyse(network)
    assert loop.transfer() is None
    assert formula_of(loop) == "0"
    assert law_holds(loop)
    check_against_oracle(network)


def test_output_pinned_through_two_op_amps() -> None:
    network = Network(
        (Branch("R1", 0, ("a", "0"), 1e3), Branch("R2", 0, ("out", "a"), 1e3)),
        (OpAmp("U1", "in", "b", "b"), OpAmp("U2", "b", "out", "out")),
    )
    assert formula_of(analyse(network)) == "1"
    check_against_oracle(network)


def test_series_resonance_with_an_inductor() -> None:
    """R, L, C in series, output over C: H = 1/(s^2*L*C + s*R*C + 1) (any circuit text)."""
    network = Network(
        (
            Branch("R1", 0, ("in", "a"), 50.0),
            Branch("L1", -1, ("a", "out"), 0.1),
            Branch("C1", 1, ("out", "0"), 1e-7),
        )
    )
    assert check_formula(network)
    check_against_oracle(network)
    read = parse(formula_of(analyse(network)), {"s", "R1", "L1", "C1"})
    values = {"s": Fraction(3), "R1": Fraction(5), "L1": Fraction(7), "C1": Fraction(11)}
    assert read.evaluate(values, Fraction) == Fraction(1, 9 * 7 * 11 + 3 * 5 * 11 + 1)


R = [Branch(f"R{k}", 0, nodes) for k, nodes in enumerate([("in", "a"), ("a", "out")], start=1)]


@pytest.mark.parametrize(
    ("network", "sentence"),
    [
        (
            Network((Branch("R1", 0, ("in", "out")),), (OpAmp("U1", "in", "0", "out"),)),
            r"both inputs of op amp U1 are held by sources",
        ),
        (
            Network(
                (*R, Branch("R3", 0, ("a", "b"))),
                (OpAmp("U1", "0", "a", "out"), OpAmp("U2", "0", "a", "b")),
            ),
            r"op amp U2 and another op amp fix the same node voltage",
        ),
        (
            Network((*R, Branch("R3", 0, ("a", "0"))), (OpAmp("U1", "0", "a", "x"),)),
            r"no path leads from the output of U1 back",
        ),
        (
            Network((Branch("R1", 0, ("in", "0")), Branch("R2", 0, ("a", "out")))),
            r"no unique solution",
        ),
        (
            Network((Branch("R1", 0, ("in", "out")),), (OpAmp("U1", "out", "f", "g"),)),
            r"not determined|no unique solution",
        ),
    ],
    ids=["held inputs", "two on one node", "no feedback", "island", "open input"],
)
def test_singular_networks_are_refused_with_a_sentence(network: Network, sentence: str) -> None:
    with pytest.raises(SingularError, match=sentence) as caught:
        analyse(network)
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 250


def test_output_at_no_part_is_refused() -> None:
    network = Network((Branch("R1", 0, ("in", "a")), Branch("R2", 0, ("a", "0"))))
    with pytest.raises(NetworkError, match="output node out touches no part"):
        analyse(network)


def test_determinant_of_rows_against_an_integer_example() -> None:
    """det [[1,2,0],[3,4,5],[0,6,7]] = 1*(28-30) - 2*21 = -44, by hand."""
    entries = [[1, 2, 0], [3, 4, 5], [0, 6, 7]]
    rows = [{k: {0: c} for k, c in enumerate(row) if c} for row in entries]
    assert determinant(rows) == {0: -44}


def test_polynomials_keep_common_powers_of_s_apart() -> None:
    """C1 as admittance s*C1: s^1 times the constant C1."""
    branch = Branch("C1", 1, ("in", "out"), 1e-9)
    value, power = polynomial({1: 1}, (branch,), (Fraction(1, 10**9),))
    assert (value, power) == ((Fraction(1, 10**9),), 1)
