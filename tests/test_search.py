"""Structure search and exact matching: candidates, obstacles, splits, plans, solutions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from synth.analysis.loop import analyse
from synth.analysis.terms import terms_of
from synth.catalog import stage, stages
from synth.network.equivalence import equivalent
from synth.search.candidates import SectionTarget, derivations, negated, obstacle, search
from synth.search.match import CoefficientError, solve
from synth.search.plan import Plan, best_chains, free_plan, gain_target, plans
from synth.search.split import section_target, splits
from synth.transfer.transfer import Transfer


def lowpass(q: float, gain: float = 1.0, w0: float = 1.0) -> SectionTarget:
    return SectionTarget((gain, 0.0, 0.0), (1.0, 1 / q, 1.0), w0)


NOTCH = SectionTarget((1.0, 0.0, 1.0), (1.0, 0.2, 1.0), 1.0)


def closure(*names: str):
    return [c for n in names for c in derivations(stage(n))]


def test_terms_agree_with_the_exact_loop_at_random_values() -> None:
    network = stage("sallen-key-lowpass-gain").network
    terms = terms_of(analyse(network))
    generator = np.random.default_rng(5)
    values = generator.uniform(0.5, 2.0, size=(7, len(terms.names)))
    top, bottom = terms.coefficients(np.log(values))
    v = {n: values[:, k] for k, n in enumerate(terms.names)}
    k = 1 + v["RB"] / v["RA"]  # Sallen and Key, IRE Trans. CT-2 (1955) 74-85: gain K in the loop
    a2 = v["R1"] * v["R2"] * v["C1"] * v["C2"]
    a1 = v["R1"] * v["C2"] + v["R2"] * v["C2"] + v["R1"] * v["C1"] * (1 - k)
    assert top[:, 0] / bottom[:, 0] == pytest.approx(k)
    assert bottom[:, 2] / bottom[:, 0] == pytest.approx(a2)
    assert bottom[:, 1] / bottom[:, 0] == pytest.approx(a1)


def test_a_lowpass_structure_cannot_be_a_highpass() -> None:
    (plain, *_) = closure("sallen-key-lowpass-unity")
    assert obstacle(plain, lowpass(1.0)) == ""
    highpass = SectionTarget((0.0, 0.0, 1.0), (1.0, 1.0, 1.0), 1.0)
    assert obstacle(plain, highpass) == "numerator"
    assert obstacle(plain, negated(lowpass(1.0))) == "sign"
    assert obstacle(plain, SectionTarget((1.0, 0.0), (1.0, 1.0), 1.0)) == "order"


def test_a_zero_coefficient_needs_both_signs() -> None:
    by_label = {c.label: c for c in closure("sallen-key-bandpass-attenuator")}
    swapped = by_label["sallen-key-bandpass-attenuator + swap"]
    assert obstacle(swapped, NOTCH) == ""
    wien = {c.label: c for c in closure("wien-network")}
    assert obstacle(wien["wien-network + swap"], NOTCH) == "numerator"


def test_equivalent_candidates_are_dropped() -> None:
    both = closure("sallen-key-highpass-unity", "sallen-key-lowpass-unity")
    target = SectionTarget((0.0, 0.0, 1.0), (1.0, 1.0, 1.0), 1.0)
    found = search(both, target).candidates
    assert [c.label for c in found] == ["sallen-key-highpass-unity"]
    for a in found:
        assert sum(equivalent(a.network, b.network) is not None for b in found) == 1


def test_no_two_candidates_for_a_notch_are_the_same_circuit() -> None:
    every = [c for s in stages() if s.order == 2 for c in derivations(s)]
    found = search(every, NOTCH).candidates
    assert len(found) > 5
    for i, a in enumerate(found):
        for b in found[:i]:
            assert equivalent(a.network, b.network) is None, (a.label, b.label)


def test_matching_meets_the_design_equations_of_the_unity_gain_stage() -> None:
    """Equal resistors: C1/C2 = 4*Q^2 (Franco, Design with Operational Amplifiers, ch. 3)."""
    q = 2.0
    candidate = closure("sallen-key-lowpass-unity")[0]
    errors = CoefficientError(candidate.terms, lowpass(q))
    names = candidate.terms.names
    start = np.zeros((1, len(names)))
    start[0, names.index("C1")] = math.log(2 * q)
    start[0, names.index("C2")] = -math.log(2 * q)
    free = np.array([n[0] == "R" for n in names])
    logs, solved = solve(errors, start, free)
    assert solved.all()
    assert np.exp(logs[0])[free] == pytest.approx([1.0, 1.0], rel=1e-4)


def test_matching_admits_when_there_is_no_solution() -> None:
    """C1/C2 below 4*Q^2 leaves the unity-gain stage without real resistors."""
    candidate = closure("sallen-key-lowpass-unity")[0]
    errors = CoefficientError(candidate.terms, lowpass(5.0))
    names = candidate.terms.names
    free = np.array([n[0] == "R" for n in names])
    _, solved = solve(errors, np.zeros((3, len(names))), free)
    assert not solved.any()


def test_jacobian_is_the_derivative() -> None:
    candidate = closure("tow-thomas-feed-forward")[0]
    errors = CoefficientError(candidate.terms, negated(NOTCH))
    generator = np.random.default_rng(2)
    x = generator.normal(0, 0.3, size=(1, len(candidate.terms.names)))
    _, jacobian = errors.linearise(x)
    step = 1e-6
    for k in range(x.shape[1]):
        ahead, behind = x.copy(), x.copy()
        ahead[0, k] += step
        behind[0, k] -= step
        slope = (errors.evaluate(ahead) - errors.evaluate(behind))[0] / (2 * step)
        assert jacobian[0, :, k] == pytest.approx(slope, rel=1e-5, abs=1e-6)


def test_split_of_a_bandpass_gives_each_piece_a_zero_at_the_origin() -> None:
    poles = [-0.1 + 1.1j, -0.1 - 1.1j, -0.09 + 0.9j, -0.09 - 0.9j]
    h = Transfer.from_zpk([0, 0], poles, 0.04)
    shared = [s for s in splits(h) if [p.numerator for p in s.pieces] == [(0.0, 1.0, 0.0)] * 2]
    (plan,) = plans(h, shared[0])
    w = 1j * np.array([0.5, 0.9, 1.0, 1.3])
    product = np.ones(4, dtype=complex)
    for t in plan.targets:
        s = w / t.w0
        product *= np.polyval(t.numerator[::-1], s) / np.polyval(t.denominator[::-1], s)
    assert product == pytest.approx(h(w))


NOTCHES = Transfer.from_zpk(
    [2j, -2j, 3j, -3j],
    [-0.5, -0.3 + 1j, -0.3 - 1j, -0.1 + 1.2j, -0.1 - 1.2j],
    -0.07,
)
ALL_POLES = Transfer.from_zpk([], [-0.3 + 1j, -0.3 - 1j, -0.1 + 1.2j, -0.1 - 1.2j], 5.0)


@pytest.mark.parametrize(("h", "least"), [(NOTCHES, 1), (ALL_POLES, 2)])
def test_every_plan_multiplies_to_the_target(h, least) -> None:
    w = 1j * np.array([0.3, 1.0, 2.5])
    count = 0
    for split in splits(h):
        for plan in plans(h, split):
            product = np.full(3, -1.0 if plan.negative else 1.0, dtype=complex)
            for t in plan.targets:
                s = w / t.w0
                product *= np.polyval(t.numerator[::-1], s) / np.polyval(t.denominator[::-1], s)
            assert product == pytest.approx(h(w))
            count += 1
    assert count >= least


def test_best_chains_against_exhaustive_search() -> None:
    """Costs add and signs multiply: the prefix search must find the true optimum."""
    from dataclasses import dataclass
    from itertools import product as pairs

    @dataclass(frozen=True)
    class Fake:
        label: str
        cost: float

    targets = (lowpass(1.0), lowpass(2.0), lowpass(3.0))
    generator = np.random.default_rng(11)
    table = {}
    for t in targets:
        for signed in (t, negated(t)):
            table[signed] = [
                Fake(f"{i}-{signed.numerator[0]}-{1 / t.denominator[1]:g}", float(c))
                for i, c in enumerate(sorted(generator.uniform(1, 9, 4)))
            ]
    for negative in (False, True):
        best = best_chains(Plan(targets, negative), lambda t: table[t], keep=3)[0]
        totals = []
        for signs in pairs((False, True), repeat=3):
            if sum(signs) % 2 == negative:
                rows = [table[negated(t) if s else t] for t, s in zip(targets, signs, strict=True)]
                totals += [sum(f.cost for f in c) for c in pairs(*rows)]
        assert best.cost == pytest.approx(min(totals))


def test_section_target_is_normalised_to_the_pole_frequency() -> None:
    h = Transfer.from_tf([4.0], [1.0, 3.0, 4.0])
    (split,) = splits(h)
    (piece,) = split.pieces
    t = section_target(piece, 4.0)
    assert t.w0 == pytest.approx(2.0)
    assert t.numerator == pytest.approx((1.0, 0.0, 0.0))
    assert t.denominator == pytest.approx((1.0, 1.5, 1.0))
    assert gain_target(0.5).order == 0


def test_a_free_plan_leaves_gain_and_sign_open() -> None:
    h = Transfer.from_tf([-7.0], [1.0, 1.0, 4.0])
    (target,) = free_plan(splits(h)[0]).targets
    assert target.free_gain
    inverting = closure("multiple-feedback-lowpass")[0]
    assert obstacle(inverting, target) == ""
    errors = CoefficientError(inverting.terms, target)
    generator = np.random.default_rng(3)
    logs, solved = solve(
        errors,
        generator.normal(0, 0.4, size=(200, 5)),
        np.ones(5, dtype=bool),
    )
    assert solved.any()
    top, bottom = inverting.terms.coefficients(logs[solved])
    gains = top[:, 0] / bottom[:, -1] / target.numerator[0]
    assert errors.gain(logs[solved]) == pytest.approx(gains)
    assert (gains < 0).all()
    assert gains.max() - gains.min() > 0.1  # they differ: the gain is free
