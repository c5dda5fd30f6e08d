"""Targets to circuits: against scipy's analog filters, published examples, and the simulator."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.catalog import stage
from synth.errors import RealisationError
from synth.network.deck_writer import write_deck
from synth.network.equivalence import equivalent
from synth.realisation.brief import Brief
from synth.realisation.realise import realise
from synth.search.candidates import SectionTarget, derivations
from synth.target.responses import family_target, second_order_target, transfer_target
from synth.transfer.transfer import Transfer
from synth.values.section import SectionFit, fit
from synth.values.series import CAPACITORS, RESISTORS, Shelf
from tests.simulator import needs_simulator, simulate

F = np.geomspace(50, 20e3, 200)


def response(realisation, f=F):
    loop = analyse(realisation.network)
    return transfer(loop, loop.transfer()).response(f)


@pytest.mark.parametrize(
    ("kind", "family", "order", "options", "oracle"),
    [
        ("lowpass", "butterworth", 5, {}, lambda w: signal.butter(5, w, "low", analog=True)),
        (
            "highpass",
            "chebyshev",
            4,
            {"ripple_db": 1.0},
            lambda w: signal.cheby1(4, 1.0, w, "high", analog=True),
        ),
        (
            "lowpass",
            "elliptic",
            3,
            {"ripple_db": 0.5, "stop_attenuation_db": 30.0},
            lambda w: signal.ellip(3, 0.5, 30, w, "low", analog=True),
        ),
        (
            "lowpass",
            "inverse-chebyshev",
            3,
            {"stop_attenuation_db": 40.0},
            lambda w: signal.cheby2(3, 40, w, "low", analog=True),
        ),
        (
            "lowpass",
            "bessel",
            4,
            {},
            lambda w: signal.bessel(4, w, "low", analog=True, norm="mag"),
        ),
        (
            "bandpass",
            "butterworth",
            4,
            {"q": 2.0},
            lambda w: signal.butter(
                2, [w * (math.sqrt(17) - 1) / 4, w * (math.sqrt(17) + 1) / 4], "band", analog=True
            ),
        ),
    ],
)
def test_realised_response_against_scipy(kind, family, order, options, oracle) -> None:
    target = family_target(kind, family, order, 1000.0, **options)
    found = realise(Brief(target), top=3)
    b, a = oracle(2 * math.pi * 1000)
    wanted = np.abs(signal.freqs(b, a, 2 * math.pi * F)[1])
    best = found[0]
    near = wanted > 0.01 * wanted.max()
    got = np.abs(response(best))
    deviation = np.abs(20 * np.log10(got[near] / wanted[near])).max()
    allowed = np.maximum(0.03 * wanted, 0.0101 * wanted.max())  # 0.25 dB, or 1 % of the maximum
    assert (np.abs(got - wanted) <= allowed).all()
    assert deviation <= best.error_db + 0.01  # the figure we report is no less than the truth
    assert np.abs(got - wanted)[~near].max(initial=0) <= best.stop_error + 1e-4


def test_values_come_from_the_series_asked_for() -> None:
    target = second_order_target("lowpass", 5.0, 0.7071)
    resistors, capacitors = Shelf("E24", 2e3, 5e5), Shelf("E6", 1e-9, 1e-6)
    for r in realise(Brief(target, resistors, capacitors), top=6):
        for b in r.network.branches:
            shelf = resistors if b.power == 0 else capacitors
            assert b.value in shelf.values, (r.label, b)


def test_a_high_q_section_comes_out_of_a_sallen_key_with_gain() -> None:
    """Franco's equal-component example asks f0 = 1 kHz, Q = 5, K = 2.8 (ch. 3, from memory)."""
    found = realise(Brief(second_order_target("lowpass", 1000.0, 5.0, 2.8)), top=3)
    assert "sallen-key-lowpass-gain" in {r.label for r in found}
    assert found[0].meets
    assert found[0].error_db < 0.25
    unity = realise(Brief(second_order_target("lowpass", 1000.0, 5.0, 1.0)), top=5)
    assert "sallen-key-lowpass-attenuator" in {r.label for r in unity}


def test_a_notch_has_several_routes_one_of_them_a_complement() -> None:
    found = realise(Brief(second_order_target("bandstop", 50.0, 5.0)), top=8)
    assert len(found) >= 2
    swapped = [r for r in found if any(s.name == "swap" for u in r.stages for s in u.steps)]
    assert swapped
    assert len(swapped) < len(found)
    notes = [n for u in swapped[0].stages for s in u.steps for n in s.notes]
    assert any("bandpass" in n and "peak 1 at 50 Hz" in n for n in notes)


def test_offered_circuits_differ_and_are_ranked() -> None:
    found = realise(Brief(family_target("highpass", "butterworth", 3, 200.0)), top=8)
    for i, a in enumerate(found):
        for b in found[:i]:
            assert equivalent(a.network, b.network) is None
    amplifiers = [len(r.network.op_amps) for r in found if r.meets]
    assert amplifiers == sorted(amplifiers)


def test_the_same_question_gets_the_same_answer() -> None:
    target = second_order_target("bandpass", 8000.0, 3.0)
    first, second = realise(Brief(target), top=2), realise(Brief(target), top=2)
    assert [r.network for r in first] == [r.network for r in second]


def test_allpass_is_judged_by_its_phase() -> None:
    found = realise(Brief(family_target("allpass", "bessel", 3, 2000.0)), top=3)
    assert found[0].phase_error < 2.0
    h = response(found[0])
    assert np.abs(np.abs(h) - 1).max() < 0.02


def test_complement_of_a_target() -> None:
    h = Transfer.from_tf([1.0], [1.0, math.sqrt(2), 1.0])
    target = transfer_target(h, at_hz=1000.0, complement=True)
    found = realise(Brief(target), top=3)
    wanted = 1 - h.scaled_frequency(2 * math.pi * 1000).response(F)
    assert np.abs(response(found[0]) - wanted).max() < 0.02


def test_no_values_in_the_windows_is_said_with_the_windows() -> None:
    with pytest.raises(RealisationError, match=r"outside the windows .*1 kohm to 1 Mohm"):
        realise(Brief(second_order_target("lowpass", 0.001, 0.7071)))


@pytest.mark.parametrize(
    ("source", "stage_name", "f0", "q", "gain", "published", "c_series"),
    [
        # worked examples, see tests/published/published_examples.json
        (
            "J. Karki, Active Low-Pass Filter Design, TI SLOA049 (2000), from memory",
            "sallen-key-lowpass-unity",
            1000.0,
            1 / math.sqrt(2),
            1.0,
            {"R1": 4220.0, "R2": 18200.0, "C1": 33e-9, "C2": 10e-9},
            "E6",
        ),
        (
            "S. Franco, Design with Operational Amplifiers, ch. 3, K = 2.8, from memory",
            "sallen-key-lowpass-gain",
            1000.0,
            5.0,
            2.8,
            {"R1": 15800, "R2": 15800, "C1": 1e-8, "C2": 1e-8, "RA": 10000, "RB": 17800},
            "E6",
        ),
    ],
)
def test_our_values_are_no_worse_than_published_ones(
    source, stage_name, f0, q, gain, published, c_series
) -> None:
    w0 = 2 * math.pi * f0
    target = SectionTarget((gain, 0.0, 0.0), (1.0, 1 / q, 1.0), w0)
    shelves = {"R": RESISTORS, "C": Shelf(c_series, 100e-12, 1e-6)}
    ours = fit(derivations(stage(stage_name))[0], target, shelves)
    assert isinstance(ours, SectionFit)

    def worst(values) -> float:
        loop = analyse(stage(stage_name).network.with_values(values))
        h = transfer(loop, loop.transfer())
        a1, a0 = h.denominator[1] / h.denominator[0], h.denominator[2] / h.denominator[0]
        b0 = h.numerator[-1] / h.denominator[0]
        exact = (w0 / q, w0**2, gain * w0**2)
        got = (a1, a0, b0)
        return max(abs(x / y - 1) for x, y in zip(got, exact, strict=True))

    assert worst(ours.choice.values) <= worst(published), source
    assert worst(ours.choice.values) == pytest.approx(ours.choice.error, rel=1e-6)


@needs_simulator
@pytest.mark.parametrize(
    "target",
    [
        family_target("lowpass", "butterworth", 4, 1000.0),
        second_order_target("bandstop", 50.0, 5.0),
        family_target("bandpass", "chebyshev", 4, 8000.0, q=4.0, ripple_db=0.5),
    ],
    ids=lambda t: t.kind,
)
def test_realised_deck_in_the_simulator(target) -> None:
    """What is written runs, and does what the exact analysis says."""
    for r in realise(Brief(target), top=2):
        at = target.at_hz
        deck = write_deck(r.network, amplifier="ideal", frequencies=(at / 20, at * 20), points=40)
        run = simulate(deck)
        measured = run.node(r.network.output)
        expected = response(r, run.frequencies)
        assert np.abs(measured - expected).max() <= 1e-3 * np.abs(expected).max()


@pytest.mark.parametrize(
    "numerator", [(1, 3, 9), (-1, -3, -9), (1, 4, 0), (0, -4, -1), (1, -3, 9), (1, 0, -9)]
)
def test_numerators_larger_than_the_denominator_are_realised(numerator) -> None:
    """General biquads whose coefficients exceed the denominator's: a weighted sum gives them."""
    h = Transfer.from_tf(numerator, [1, 1, 1]).scaled_frequency(6283.0)
    best = realise(Brief(transfer_target(h)), top=1)[0]
    w = np.geomspace(600.0, 60000.0, 101)
    loop = analyse(best.network)
    assert best.meets
    got = transfer(loop, loop.transfer())(1j * w)
    assert np.abs(got - h(1j * w)).max() < 0.05 * np.abs(h(1j * w)).max()


def test_a_refusal_tells_windows_from_structure() -> None:
    with pytest.raises(RealisationError, match=r"\d+ circuits can have .* outside the windows"):
        realise(Brief(second_order_target("bandstop", 0.01, 5.0)))
    narrow = Shelf("E96", 1e4, 1.02e4)
    with pytest.raises(RealisationError, match="windows"):
        realise(Brief(second_order_target("lowpass", 1000.0, 5.0), narrow))


def test_a_target_that_is_missed_is_said_to_be_missed() -> None:
    """Zeros far inside the poles' width, and three resistor values in the whole decade."""
    target = second_order_target("lowpass", 1000.0, 20.0)
    found = realise(Brief(target, Shelf("E3", 1e3, 1e6)), top=1)
    assert found[0].misses > 1
    assert not found[0].meets


def test_shelves_are_the_defaults_of_the_readme() -> None:
    assert (RESISTORS.series, RESISTORS.low, RESISTORS.high) == ("E96", 1e3, 1e6)
    assert (CAPACITORS.series, CAPACITORS.low, CAPACITORS.high) == ("E12", 1e-10, 1e-6)
