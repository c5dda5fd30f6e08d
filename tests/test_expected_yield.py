"""The yield expected before circuits are drawn: exact sensitivities, sums over a cascade, order."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace

import numpy as np
import pytest

from synth.cli.main import run
from synth.errors import RealisationError
from synth.masks.limits import Limit
from synth.realisation.brief import Brief
from synth.realisation.choosing import told_of_fewer, worth_proof
from synth.realisation.expected import room, sensitivities
from synth.realisation.ranking import IDEAL, rank, yield_step
from synth.realisation.realise import candidates, realise
from synth.realisation.workshop import Workshop
from synth.search.candidates import negated
from synth.search.plan import plans, steady_chains
from synth.search.split import splits
from synth.target.responses import family_target
from synth.tolerances.classes import mask_yield
from synth.tolerances.model import model_of
from synth.tolerances.sensitivity import decibels_per_cent, variance
from synth.tolerances.spread import Spread, ranges

#: A low-pass with zeros, between limits that ordinary parts keep now and then.
TARGET = family_target("lowpass", "elliptic", 4, 3200.0, ripple_db=0.05, stop_attenuation_db=50.0)
MASK = (
    Limit(0.0, 3000.0, ">=", -0.8),
    Limit(0.0, 3000.0, "<=", 0.8),
    Limit(10000.0, math.inf, "<=", -45.0),
)


@pytest.fixture(scope="module")
def brief():
    return Brief(TARGET, mask=MASK)


@pytest.fixture(scope="module")
def offers(brief):
    return candidates(brief, count=6)


def test_sensitivities_are_those_of_the_stage(offers) -> None:
    """Against the exact derivatives of the analysed circuit, where H is far from its zeros."""
    stage = offers[0].stages[0]
    f = np.geomspace(100.0, 2500.0, 20)
    model, _ = model_of(stage.network)
    wanted = decibels_per_cent(model, f)
    got = sensitivities(stage, 2 * math.pi * f).real * 0.2 / math.log(10)
    order = [stage.fit.candidate.terms.names.index(n) for n in model.names]
    assert got[:, order] == pytest.approx(wanted, abs=2e-3 + 0.03 * np.abs(wanted).max())


def test_variances_of_a_cascade_add(brief, offers) -> None:
    """The sum over the stages is the variance of the whole, by its own sensitivities."""
    left = room(TARGET, MASK, brief.spread)
    offer = offers[0]
    total = np.sum([left.variance(s) for s in offer.stages], axis=0)
    network = offer.realisation.network
    model, _ = model_of(network)
    inside = left.w < 2 * math.pi * 2500
    f = left.w[inside] / (2 * math.pi)
    whole = variance(decibels_per_cent(model, f), ranges(network, brief.spread)).deviation_db
    assert np.sqrt(total[inside]) == pytest.approx(whole, rel=0.15)


def test_what_is_expected_orders_circuits_as_what_is_drawn(brief, offers) -> None:
    """By rank: most pairs whose yields differ by a step or more stand in the right order."""
    drawn = [
        mask_yield(o.realisation.network, MASK, brief.spread, samples=1000).value for o in offers
    ]
    told = [o.realisation.expected for o in offers]
    assert len(offers) >= 6
    apart = [
        (a, b)
        for a, b in itertools.combinations(range(len(offers)), 2)
        if abs(yield_step(drawn[a]) - yield_step(drawn[b])) > 1
    ]
    right = [(drawn[a] > drawn[b]) == (told[a] > told[b]) for a, b in apart]
    assert len(apart) >= 3
    assert sum(right) >= 0.8 * len(right)


def test_steady_chains_are_the_best_there_are(brief) -> None:
    """Of two sections all chains are tried here."""
    left = room(TARGET, MASK, brief.spread)
    workshop = Workshop(brief, 2, lambda: None)
    plan = next(plans(TARGET.transfer, splits(TARGET.transfer)[0]))

    def spreads(stage):
        return len(stage.network.op_amps), left.variance(stage)

    found = steady_chains(plan, workshop.fits, spreads, left.worth, 1)
    signs = itertools.product((False, True), repeat=len(plan.targets))
    even = [x for x in signs if sum(x) % 2 == bool(plan.negative)]
    worths: dict[int, float] = {}
    for inverted in even:
        wanted = [negated(t) if x else t for t, x in zip(plan.targets, inverted, strict=True)]
        for stages in itertools.product(*map(workshop.fits, wanted)):
            count = sum(len(s.network.op_amps) for s in stages)
            total = np.sum([left.variance(s) for s in stages], axis=0)
            worths[count] = max(worths.get(count, 0.0), float(left.worth(total[None, :])[0]))
    assert set(found) == set(worths)
    for count, (chain,) in found.items():
        total = np.sum([left.variance(s) for s in chain.stages], axis=0)
        assert float(left.worth(total[None, :])[0]) == pytest.approx(worths[count], rel=1e-9)


def test_steadier_values_win(brief, offers) -> None:
    left = room(TARGET, MASK, brief.spread)
    (a, b) = sorted(offers, key=lambda o: o.realisation.expected)[:: len(offers) - 1]
    assert left.steadier(a.stages, a.stages) == tuple(a.stages)
    mixed = left.steadier(a.stages, b.stages)
    before, after = (left.expected(x) for x in (a.stages, mixed))
    assert after >= before


def test_no_lower_limit_is_no_limit() -> None:
    left = room(TARGET, MASK[2:], Spread())
    assert np.isinf(left.below).all()
    assert np.isfinite(left.above).all()


def test_yield_comes_before_op_amps_in_steps() -> None:
    assert [yield_step(y) for y in (0.0, 0.005, 0.01)] == [7, 7, 7]
    assert yield_step(0.5) > yield_step(0.7) > yield_step(0.9) > yield_step(0.99)
    assert yield_step(0.86) == yield_step(0.88)
    assert yield_step(0.07) < yield_step(0.03)


def test_the_order_with_a_mask(brief) -> None:
    """A yield several times higher is worth op amps; one as good is not."""
    found = realise(brief)
    keys = [rank(r, brief.order) for r in found]
    assert keys == sorted(keys)
    best = found[0]
    few = min(found, key=lambda r: len(r.network.op_amps))
    assert yield_step(best.yield_.value) < yield_step(few.yield_.value)
    assert len(best.network.op_amps) > len(few.network.op_amps)
    assert any(n.startswith(f"instead, {few.label} has ") for n in best.notes)
    worse = replace(best, yield_=replace(best.yield_, value=few.yield_.value))
    assert rank(few) < rank(worse)


def test_one_of_the_fewest_op_amps_is_always_offered(brief, offers) -> None:
    least = min(len(o.realisation.network.op_amps) for o in offers)
    for count in (1, 2, 3):
        chosen = worth_proof(brief, offers, count)
        assert len(chosen) == count
        assert min(len(o.realisation.network.op_amps) for o in chosen) == least or count == 1


def test_no_note_where_op_amps_are_about_as_few(offers) -> None:
    r = offers[0].realisation
    assert told_of_fewer([r, r])[0].notes == r.notes
    assert told_of_fewer([]) == ()


def test_tolerances_are_told(capsys, tmp_path) -> None:
    path = tmp_path / "band.mask"
    path.write_text("gain 1\n0 1k within 1 dB\n5k inf <= -20 dB\n")
    arguments = ["realise", "--mask", str(path), "--top", "2"]
    assert run(arguments) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "with resistors of 1 % and capacitors of 5 %, uniform within the tolerance" in text
    assert run([*arguments, "--capacitor-tolerance", "2%", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["realisations"][0]["tolerances"]["capacitors"] == 0.02


def test_yield_is_for_masks() -> None:
    with pytest.raises(RealisationError, match="mask"):
        Brief(TARGET, rank="yield")
    assert Brief(TARGET, rank="amplifiers", mask=MASK).order[:2] == ("amplifiers", IDEAL[0])
    assert not Brief(TARGET, rank="amplifiers", mask=MASK).seeks("yield")
    assert not Brief(TARGET).seeks("yield")
