"""What an answer of realise says of each stage and of the whole."""

from __future__ import annotations

import math
from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest

from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.catalog import stage
from synth.masks.bound import most_margin
from synth.masks.limits import Limit, mask_from_text
from synth.masks.verify import verified
from synth.realisation.brief import Brief
from synth.realisation.certificate import Certificate, floor_db
from synth.realisation.fitted import FittedStage
from synth.realisation.ladder import ladders
from synth.realisation.realise import realise
from synth.realisation.refine import refined
from synth.report.record import realisation_records
from synth.report.text import realise_text
from synth.search.candidates import SectionTarget, derivations
from synth.target.responses import family_target, second_order_target
from synth.tolerances.spread import Spread
from synth.values.grids import between
from synth.values.held import choose_held
from synth.values.metrics import section_metric
from synth.values.problem import Wishes, problem_of
from synth.values.section import SectionFit, fit
from synth.values.series import Shelf

SHELVES = {"R": Shelf("E24", 2e3, 5e4), "C": Shelf("E6", 3.3e-9, 68e-9)}
GRIDS = {k: between(s, s.low, s.high) for k, s in SHELVES.items()}
MASK = "0 1k within 0.5 dB\n4k inf <= -30 dB"


def response_of(network):
    loop = analyse(network)
    return transfer(loop, loop.transfer())


def test_the_margin_is_exact_and_the_bound_holds() -> None:
    mask = mask_from_text(MASK)
    target = family_target("lowpass", "chebyshev", 3, 1300.0, ripple_db=0.3)
    found = realise(Brief(target, mask=mask.absolute), top=3)
    for r in found:
        h = response_of(r.network)
        whole = r.whole
        assert whole.measure == "margin"
        assert whole.value_db == pytest.approx(min(x.margin for x in verified(mask, h)), abs=1e-9)
        assert whole.bound_db == most_margin(mask.absolute, target.transfer, len(h.zeros))
        assert whole.value_db <= whole.bound_db
        assert whole.proved == (whole.bound_db - whole.value_db <= whole.floor_db)
        assert r.excess_db == -whole.value_db
    text = realise_text(target, realisation_records(found))
    assert "no filter with 3 poles and no zeros has a margin above" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80


def test_limits_about_the_target_are_exact_too() -> None:
    target = family_target("lowpass", "chebyshev", 4, 1000.0)
    limit = Limit(10.0, 1000.0, "within", 0.4)
    (r,) = realise(Brief(target, mask=(limit,)), top=1)
    w = 2 * math.pi * np.linspace(10, 1000, 20001)
    off = 20 * np.log10(np.abs(response_of(r.network)(1j * w) / target.transfer(1j * w)))
    assert r.whole.value_db == pytest.approx(0.4 - np.abs(off).max(), abs=1e-6)
    assert r.whole.bound_db == pytest.approx(0.4, abs=2e-3)


def test_without_a_mask_an_error_within_the_floor_is_settled() -> None:
    target = second_order_target("lowpass", 1000.0)
    (exact,) = realise(Brief(target, Shelf("E192", 1e3, 1e5)), top=1)
    assert exact.whole.measure == "error"
    floor = 0.1 * 0.01 * 20 / math.log(10)  # a tenth of 1 % in dB
    assert exact.whole.floor_db == pytest.approx(floor)
    for r in (exact, realise(Brief(target, Shelf("E3", 1e3, 1e5)), top=1)[0]):
        assert r.whole.value_db == r.error_db
        assert r.whole.proved == (r.error_db <= floor)
        words = "no better choice is wanted" if r.whole.proved else "least there is is not known"
        assert words in str(r.whole)


def test_of_an_all_pass_the_phase_counts() -> None:
    target = family_target("allpass", "bessel", 2, 1000.0)
    (r,) = realise(Brief(target), top=1)
    assert r.whole.value_db >= 20 / math.log(10) * math.radians(r.phase_error) * (1 - 1e-9)


def test_the_floor_is_a_tenth_of_the_smallest_tolerance() -> None:
    one = floor_db(Spread(0.01, 0.05))
    assert floor_db(Spread(0.05, 0.002)) == pytest.approx(one / 5)
    assert floor_db(Spread(0.01, 0.05, {"R1": 0.001})) == pytest.approx(one / 10)


def test_words_of_the_whole() -> None:
    c = Certificate("margin", 0.4, 0.4312, 0.0087, 4, 4)
    assert "within 0.031 dB of the best that any filter can do" in str(c)
    assert "no filter with 4 poles has a margin above 0.432 dB" in str(c)
    near = replace(c, value_db=0.43)
    assert near.proved
    assert str(near).startswith("proved: no filter with 4 poles has")
    assert "4 poles and 1 zero has" in str(replace(c, zeros=1))
    assert "keeps the limits" in str(replace(c, value_db=-0.5, bound_db=-0.2))
    assert "not known" in str(replace(c, bound_db=None))
    assert not replace(c, bound_db=None).proved


def test_every_stage_says_what_is_proved_or_why_not() -> None:
    """A third-order stage and one of seven parts: never a bare "not proved"."""
    target = family_target("lowpass", "butterworth", 5, 1000.0)
    found = realise(Brief(target), top=5)
    for r in found:
        names = set(r.network.values)
        for use in r.stages:
            assert use.certificate != "not proved"
            assert use.proved == use.certificate.startswith("proved: ")
            assert use.certificate.startswith("proved with") == bool(use.held)
            assert set(use.held) < names
            assert all(n in use.certificate for n in use.held)
    assert any(use.held for r in found for use in r.stages)


def test_a_mask_of_the_demos_has_words_for_all() -> None:
    text = files("synth").joinpath("demo/logger-anti-alias.mask").read_text(encoding="utf-8")
    mask = mask_from_text(text)
    target = family_target(
        "lowpass", "elliptic", 4, 3198.7, ripple_db=0.0343, stop_attenuation_db=53.78, gain=1.04
    )
    for r in realise(Brief(target, mask=mask.absolute), top=2):
        assert r.whole.bound_db is not None
        assert r.whole.value_db > 0.3
        for use in r.stages:
            assert use.certificate.startswith(("proved", "chosen with the other stages", "error "))


def test_ladders_say_it_of_the_whole() -> None:
    target = family_target("lowpass", "butterworth", 3, 1000.0)
    r = ladders(target)[0]
    assert r.whole.value_db == r.error_db


def test_what_is_held_is_proved_against_brute_force() -> None:
    """Multiple feedback (source: J. J. Friend 1970 and the text books), five parts: of all values
    of the parts that were not held none within the floor has a smaller spread."""
    section = SectionTarget((-1.0, 0.0, 0.0), (1.0, 1 / 0.8, 1.0), 2 * np.pi * 1000.0)
    candidate = derivations(stage("multiple-feedback-lowpass"))[0]
    start = fit(candidate, section, SHELVES)
    assert isinstance(start, SectionFit)
    metric, floor = section_metric(section), 2e-2
    wishes = Wishes(GRIDS)
    values = start.choice.values
    found = choose_held(candidate.terms, section.w0, wishes, metric, values, floor=floor, work=1e6)
    assert found.choice.proved
    assert set(found.held) == {n for n in values if n[0] == "C"}
    best = found.choice.best
    problem = problem_of(candidate.terms, section.w0, wishes)
    names = [e.parts[0] for e in problem.elements]
    axes = [np.array([best.values[n]]) if n in found.held else GRIDS[n[0]].values for n in names]
    rows = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(names))
    errors = metric.errors(problem.coefficients(rows))
    r = rows[:, [k for k, n in enumerate(names) if n[0] == "R"]]
    c = rows[:, [k for k, n in enumerate(names) if n[0] == "C"]]
    spread = np.maximum(r.max(1) / r.min(1), c.max(1) / c.min(1))
    limit = max(floor, errors.min() + 1e-12)
    assert best.spread == pytest.approx(spread[errors <= limit].min(), rel=1e-9)


def test_little_work_leaves_words_and_bounds() -> None:
    section = SectionTarget((1.0, 0.0, 0.0), (1.0, 1 / 0.8, 1.0), 2 * np.pi * 1000.0)
    start = fit(derivations(stage("sallen-key-lowpass-attenuator"))[0], section, SHELVES)
    assert isinstance(start, SectionFit)
    proof = refined(FittedStage(start), SHELVES, 1, 10).best.proof
    assert proof is not None
    assert not proof.proved
    assert not proof.held
    assert "spread not proved" in proof.certificate or "not proved: error" in proof.certificate
    more = refined(FittedStage(start), SHELVES, 1, 2e5).best.proof
    assert more is not None
    assert more.held or more.proved
