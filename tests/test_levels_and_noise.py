"""Circuits looked for by what they lose of the dynamic range, and by their noise."""

from __future__ import annotations

import itertools
import json
import math

import numpy as np
import pytest

from synth.checking.model import op_amp_model
from synth.cli.main import run
from synth.errors import RealisationError
from synth.realisation.assemble import assembled
from synth.realisation.brief import Brief
from synth.realisation.quiet import Listener, output_noise
from synth.realisation.ranking import IDEAL, REAL, ideal_names, parse_order
from synth.realisation.realise import candidates, realise
from synth.target.responses import family_target
from tests.check_decks import deck, noise
from tests.simulator import needs_simulator

#: As good as ideal up to the frequencies of these tests.
FAST = op_amp_model("gbw=100G,p2=inf,rout=0,a0=100M")
MODEL = op_amp_model("gbw=30M,en=20n,en_corner=30,in=1p,in_corner=100,rout=10")


def test_rank_by_range_loses_the_least() -> None:
    """No more than any circuit found otherwise, and less than what is usually first."""
    target = family_target("lowpass", "butterworth", 6, 1000.0)
    usual = realise(Brief(target), top=3)
    found = realise(Brief(target, rank="range"), top=3)
    assert found[0].meets
    least = min(r.levels.loss_db for r in (*usual, *found) if r.meets)
    assert found[0].levels.loss_db <= least + 1.0
    assert found[0].levels.loss_db < usual[0].levels.loss_db - 2
    lost = [math.floor(r.levels.loss_db) for r in found if r.meets]
    assert lost == sorted(lost)


def test_what_misses_the_target_never_comes_first() -> None:
    target = family_target("lowpass", "elliptic", 6, 1000.0)
    found = realise(Brief(target, rank="range"), top=5)
    assert [r.meets for r in found] == sorted((r.meets for r in found), reverse=True)


# -- noise -----------------------------------------------------------------------------------------


@needs_simulator
@pytest.mark.parametrize(
    "target",
    [
        family_target("lowpass", "butterworth", 4, 1000.0),
        family_target("bandpass", "chebyshev", 4, 8000.0, q=4.0),
    ],
    ids=lambda t: t.kind,
)
def test_noise_in_the_simulator(target) -> None:
    """Of resistors alone, and with the densities of an op amp."""
    r = realise(Brief(target, aim="noise"), top=1)[0]
    assert r.noise is not None
    low, high = r.noise.band_hz
    assert high == pytest.approx(r.levels.noise_band_hz[1])
    f, density, total = noise(deck(r.network, FAST), r.network.output, low, high)
    assert r.noise.vrms == pytest.approx(total, rel=1e-2)  # the simulator's sum is a coarse one
    assert r.noise.vrms == pytest.approx(math.sqrt(np.trapezoid(density**2, f)), rel=3e-3)
    real = output_noise(r.network, r.levels, MODEL)
    assert real.vrms > r.noise.vrms
    lines = deck(r.network, MODEL, noisy=True)
    f, density, _ = noise(lines, r.network.output, low, high)
    assert real.vrms == pytest.approx(math.sqrt(np.trapezoid(density**2, f)), rel=3e-3)


def test_the_quietest_order_is_the_best_of_all_that_are_not_louder() -> None:
    target = family_target("lowpass", "chebyshev", 6, 1000.0)
    brief = Brief(target, aim="noise")
    listener = Listener.of(target, None)
    offer = candidates(Brief(target), count=3)[0]
    given = assembled(brief, offer.stages).realisation
    best = assembled(brief, listener.quietest(offer.stages)).realisation
    loudest = max(o.peak for o in given.levels.outputs)
    every = [assembled(brief, p).realisation for p in itertools.permutations(offer.stages)]
    quiet = min(
        r.noise.vrms
        for r in every
        if max(o.peak for o in r.levels.outputs) <= loudest * 10 ** (0.05 / 20)
    )
    assert best.noise.vrms <= quiet * 1.001
    assert best.noise.vrms <= given.noise.vrms * 1.001


def test_prices_of_stages_add_up_to_the_noise() -> None:
    target = family_target("lowpass", "chebyshev", 4, 1000.0)
    offer = candidates(Brief(target, aim="noise"), count=2)[0]
    listener = Listener.of(target, None)
    sizes = []
    for s in offer.stages:
        terms = s.fit.candidate.terms
        logs = np.log([[s.fit.choice.values[n] for n in terms.names]])
        top, bottom = (c[0] for c in terms.coefficients(logs))
        powers = (1j * listener.w)[:, None] ** np.arange(len(bottom))
        sizes.append(np.abs((powers @ top) / (powers @ bottom)) ** 2)
    total = sum(
        listener.price(s, np.prod([np.ones(len(listener.w)), *sizes[k + 1 :]], axis=0))
        for k, s in enumerate(offer.stages)
    )
    assert math.sqrt(total) == pytest.approx(offer.realisation.noise.vrms, rel=0.02)


def test_best_for_noise_is_quieter_and_says_so(capsys) -> None:
    arguments = ["realise", "lowpass", "--family", "chebyshev", "--order", "4", "--at", "8kHz"]
    target = family_target("lowpass", "chebyshev", 4, 8e3)
    usual = realise(Brief(target), top=1)[0]
    assert usual.noise is None
    assert run([*arguments, "--best-for", "noise", "--top", "3", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["realisations"]
    plain = output_noise(usual.network, usual.levels, None).vrms
    assert found[0]["output_noise"]["vrms"] <= plain * 1.1
    steps = [
        (len(r["op_amps"]), math.floor(20 * math.log10(r["output_noise"]["vrms"]) + 0.5))
        for r in found
        if r["meets_target"]
    ]
    assert steps == sorted(steps)
    assert run([*arguments, "--best-for", "noise", "--top", "1"]) == 0
    text = capsys.readouterr().out
    assert "noise at the output" in text
    assert "resistors, 300 K" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 80


# -- the option ------------------------------------------------------------------------------------


def test_one_option_for_both_kinds_of_ranking() -> None:
    assert parse_order(None, IDEAL) == IDEAL
    assert parse_order("parts", IDEAL)[0] == "parts"
    assert parse_order(None, REAL, "noise").index("noise") < REAL.index("amplifiers") + 1
    order = parse_order(None, IDEAL, "noise")
    assert order.index("noise") == order.index("amplifiers") + 1
    assert ideal_names("findings,range") == "range"
    assert ideal_names(None) is None
    with pytest.raises(RealisationError, match="real op amp"):
        parse_order("findings", IDEAL)
    with pytest.raises(RealisationError, match="did you mean range"):
        parse_order("rnge", IDEAL)


def test_the_command_ranks_by_parts(capsys) -> None:
    arguments = ["realise", "lowpass", "--order", "4", "--at", "1kHz", "--json", "--top", "4"]
    assert run([*arguments, "--rank", "parts"]) == 0
    found = json.loads(capsys.readouterr().out)["realisations"]
    counts = [len(r["parts"]) for r in found if r["meets_target"]]
    assert counts == sorted(counts)
