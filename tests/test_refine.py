"""Values of offered circuits: proven for each section, chosen together for the whole."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.catalog import stage
from synth.realisation.brief import Brief
from synth.realisation.fitted import FittedStage, spread_of
from synth.realisation.realise import realise
from synth.realisation.refine import Refined, jointly, refined
from synth.search.candidates import SectionTarget, derivations
from synth.target.responses import family_target, second_order_target
from synth.values.section import SectionFit, fit
from synth.values.series import CAPACITORS, RESISTORS, Shelf

R24, C6 = Shelf("E24", 1e3, 1e5), Shelf("E6", 1e-9, 1e-6)


def _response(network, w):
    loop = analyse(network)
    return np.abs(transfer(loop, loop.transfer())(1j * w))


def test_a_proof_holds_against_brute_force() -> None:
    """Unity Sallen-Key (R. P. Sallen, E. L. Key 1955): w0 and Q by their closed forms, every
    choice of a small shelf; none within the floor has a smaller spread than the proven one."""
    f0, q = 1000.0, 0.8
    shelves = {"R": Shelf("E24", 2e3, 1e5), "C": Shelf("E6", 3.3e-9, 68e-9)}
    section = SectionTarget((1.0, 0.0, 0.0), (1.0, 1 / q, 1.0), 2 * np.pi * f0)
    start = fit(derivations(stage("sallen-key-lowpass-unity"))[0], section, shelves)
    assert isinstance(start, SectionFit)
    best = refined(FittedStage(start), shelves, 1, 1e7).best
    assert best.proof is not None
    assert best.proof.proved
    assert "R 2 kohm to 100 kohm, C 3.3 nF to 68 nF" in best.proof.certificate
    r, c = shelves["R"].values, shelves["C"].values
    r1, r2, c1, c2 = np.meshgrid(r, r, c, c, indexing="ij")
    w0 = 1 / np.sqrt(r1 * r2 * c1 * c2)
    own_q = 1 / (w0 * c2 * (r1 + r2))
    error = np.maximum(abs(np.log(w0 / (2 * np.pi * f0))), abs(np.log(own_q / q)))
    ratios = [np.maximum(a, b) / np.minimum(a, b) for a, b in ((r1, r2), (c1, c2))]
    good = error <= max(2e-3, best.proof.error * (1 + 1e-9))
    least = np.maximum(*ratios)[good].min()
    assert spread_of(best.network) == pytest.approx(least, rel=1e-9)


def test_sections_compensate_each_other() -> None:
    """Coarse series: the whole deviates less than with each section's own best choice."""
    target = family_target("lowpass", "butterworth", 5, 1000.0)
    found = realise(Brief(target, R24, C6), top=3)
    w = target.grid[np.abs(target.transfer(1j * target.grid)) > 0.02]
    wanted = np.abs(target.transfer(1j * w))
    for r in found:
        error = np.abs(20 * np.log10(_response(r.network, w) / wanted)).max()
        assert error <= r.error_db + 1e-6
        assert max(use.error for use in r.stages) > 0
    assert min(r.error_db for r in found) < 0.05


def test_joint_choice_is_the_best_of_all_combinations() -> None:
    """Against trying every combination of the sections' choices."""
    w0 = 2 * np.pi * 1000.0
    shelves = {"R": RESISTORS, "C": CAPACITORS}
    listed = []
    for q in (0.5412, 1.3066):
        section = SectionTarget((1.0, 0.0, 0.0), (1.0, 1 / q, 1.0), w0)
        found = fit(derivations(stage("sallen-key-lowpass-unity"))[0], section, shelves)
        assert isinstance(found, SectionFit)
        listed.append(refined(FittedStage(found), shelves, 12, 1e6))
    target = family_target("lowpass", "butterworth", 4, 1000.0)
    w = target.grid[np.abs(target.transfer(1j * target.grid)) > 0.0101]
    wanted = np.abs(target.transfer(1j * w))

    def error(stages) -> float:
        got = np.prod([_response(s.network, w) for s in stages], axis=0)
        return float(np.abs(20 * np.log10(got / wanted)).max())

    assert min(len(x.stages) for x in listed) > 3
    every = [error(pair) for pair in itertools.product(*(x.stages for x in listed))]
    assert error(jointly(target, listed)) == pytest.approx(min(every), rel=1e-3)
    assert min(every) < error([x.best for x in listed])


def test_one_choice_each_is_left_alone() -> None:
    target = second_order_target("lowpass", 1000.0, 0.7)
    assert jointly(target, [Refined(("a",)), Refined(("b",))]) == ("a", "b")  # type: ignore[arg-type]


def test_equal_parts_are_proved_by_their_spread_not_by_an_error_of_nothing() -> None:
    """A first-order section within the floor: a spread of 1 is what is proved."""
    target = second_order_target("lowpass", 1000.0)
    use = realise(Brief(target), top=1)[0].stages[0]
    assert use.proved
    assert "has a spread below 1 " in use.certificate
    assert "error below 0 " not in use.certificate
