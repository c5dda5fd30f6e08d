"""Records, advice and layout."""

import math
import re
from dataclasses import replace

import pytest

from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.catalog import names, stage
from synth.network.deck_reader import read_deck
from synth.network.model import Branch, Network
from synth.realisation.brief import Brief
from synth.realisation.realise import realise
from synth.report.advice import complement_advice, half_power_frequency
from synth.report.catalog import stage_text
from synth.report.layout import WIDTH, shortened, table, wrapped
from synth.report.netlist import sweep
from synth.report.record import (
    analysis_record,
    realisation_records,
    response_of,
    transform_record,
)
from synth.report.text import analysis_text, realise_text, transform_text
from synth.target import family_target, realised_error, second_order_target
from synth.transform.cascade import cascade
from synth.transform.drive import Swap
from synth.transform.impedance import ImpedanceSwap
from synth.transform.prune import Prune

COMMAND = "synth transform hydrophone.cir"
RC = Network((Branch("R1", 0, ("in", "out"), 1e4), Branch("C1", 1, ("out", "0"), 1e-8)))


def _advice(h, network=RC):
    return complement_advice(network, h, h.complement(), COMMAND)


# -- advice ----------------------------------------------------------------------------------------


def test_first_order_low_pass_needs_none():
    assert _advice(second_order_target("lowpass", 1e3).transfer) == ()


def test_second_order_low_pass():
    """The peak of 1 - H of the Butterworth low-pass is the root of the golden ratio.

    |1 - H|^2 = x (x + 2)/(x^2 + 1) with x = (w/w0)^2 has its maximum at x = (1 + sqrt 5)/2, and
    the same value there (by hand).
    """
    fact, mirror, new = _advice(family_target("lowpass", "butterworth", 2, 1e3).transfer)
    root = math.sqrt((1 + math.sqrt(5)) / 2)
    assert "falls only 20 dB per decade" in fact.text
    assert "falls 40 dB" in fact.text
    assert f"peaks at {root:.4g}" in fact.text
    assert f"{root:.4g} kHz" in fact.text
    assert mirror.command == f"{COMMAND} rc-cr"
    assert new.command == "synth realise highpass --q 0.7071 --at 1kHz"


def test_high_order_low_pass_names_its_half_power_frequency():
    *_, new = _advice(family_target("lowpass", "butterworth", 5, 2e3).transfer)
    assert new.command == "synth realise highpass --family butterworth --order 5 --at 2kHz"


@pytest.mark.parametrize("gain", [-1.0, 2.0, 0.5])
def test_gain_leaves_a_constant(gain):
    fact, *_, new = _advice(second_order_target("lowpass", 1e3, 0.7, gain).transfer)
    assert f"the constant {1 - gain:.4g} " in fact.text
    assert new.command.endswith(f"--gain {gain:.4g}")


def test_gain_of_a_first_order_low_pass_leaves_a_constant():
    fact, *_ = _advice(second_order_target("lowpass", 1e3, None, 3.0).transfer)
    assert "the constant -2 " in fact.text


def test_high_pass_is_told_of_its_low_pass():
    fact, *_, new = _advice(second_order_target("highpass", 1e3, 0.7).transfer)
    assert "towards infinity" in fact.text
    assert new.command.startswith("synth realise lowpass")


def test_no_mirror_where_it_does_not_apply():
    divider = Network((Branch("R1", 0, ("in", "out"), 1e4), Branch("R2", 0, ("out", "0"), 1e4)))
    found = _advice(second_order_target("lowpass", 1e3, 0.7).transfer, divider)
    assert not any("rc-cr" in a.command for a in found)


def test_band_pass_with_gain_one_at_the_centre_is_a_notch():
    assert _advice(second_order_target("bandpass", 50.0, 5.0).transfer) == ()


@pytest.mark.parametrize(("gain", "words"), [(-2.0, "no notch"), (0.99, "only 40 dB deep")])
def test_band_pass_of_another_gain_is_none(gain, words):
    fact, *ways = _advice(second_order_target("bandpass", 50.0, 5.0, gain).transfer)
    assert words in fact.text
    assert [w.command for w in ways] == [
        "synth realise bandstop --at 50Hz --q 5",
        "synth realise bandpass --at 50Hz --q 5 --gain 1",
    ]


@pytest.mark.parametrize("kind", ["allpass", "bandstop"])
def test_nothing_is_expected_of_the_others(kind):
    assert _advice(second_order_target(kind, 50.0, 5.0).transfer) == ()


@pytest.mark.parametrize("family", ["butterworth", "bessel"])
@pytest.mark.parametrize("kind", ["lowpass", "highpass"])
def test_half_power_frequency_is_that_of_the_family(family, kind):
    h = family_target(kind, family, 4, 3e3).transfer
    found = half_power_frequency(h, 1.0, low=kind == "lowpass")
    assert found == pytest.approx(2 * math.pi * 3e3, rel=1e-6)


# -- records ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", names())
def test_every_stage_prints_and_its_terminals_sum_to_one(name):
    for network in (stage(name).circuit(), stage(name).network):
        record = analysis_record(network)
        assert record.law_holds
        assert record.sum_is_one == (not network.reading.against)  # else it is 0
        text = analysis_text(record)
        assert max(map(len, text.splitlines())) <= WIDTH
        assert str(record) == text


@pytest.mark.parametrize("name", names())
def test_swap_of_every_stage_sums_to_one_exactly(name):
    network = stage(name).circuit()
    if Swap().accepts(network):
        pytest.skip("no accessible ground")
    record = transform_record(network, [("swap", Swap())], COMMAND)
    assert record.sum is not None
    assert (record.sum.gain, record.sum.sections) == (1.0, ())
    text = transform_text(record)
    commands = {a.command for a in record.advice}
    wide = [x for x in text.splitlines() if len(x) > WIDTH and x.strip() not in commands]
    assert wide == []


def test_the_sum_is_only_given_for_a_swap_of_the_whole():
    network = stage("sallen-key-lowpass-unity").circuit()
    swap, mirror, prune = ("swap", Swap()), ("rc-cr", ImpedanceSwap()), ("prune", Prune())
    for chain, given in (
        ([swap], True),
        ([swap, prune], True),
        ([swap, swap, swap], True),
        ([swap, swap], False),
        ([mirror], False),
        ([swap, mirror], False),
        ([("swap=1", Swap("1"))], False),
    ):
        assert (transform_record(network, chain, COMMAND).sum is not None) == given


def test_a_supply_that_stays_is_missing_from_the_sum():
    """RC with a resistor R2 to a supply: H + H' = 1 - T_supply, T_supply = R1/(R1 + R2 + s...)."""
    deck = "t\nVIN in 0 AC 1\nVB b 0 5\nR1 in out 1k\nR2 out b 3k\nC1 out 0 1u\n.end\n"
    network = read_deck(deck).network
    record = transform_record(network, [("swap", Swap())], COMMAND)
    # at DC: T of R2 is (1/3)/(1 + 1/3) = 1/4, by the divider
    assert record.sum(0j).real == pytest.approx(0.75, rel=1e-12)


def test_advice_names_the_steps_before_the_swap():
    network = stage("sallen-key-lowpass-unity").circuit()
    chain = [("rc-cr=1kHz", ImpedanceSwap(1e3)), ("swap", Swap())]
    commands = [a.command for a in transform_record(network, chain, COMMAND).advice]
    assert f"{COMMAND} rc-cr=1kHz rc-cr" in commands


def test_positive_feedback_and_bias_are_found_and_the_algebra_is_there():
    deck = "t\nVIN in 0 AC 1\nC1 in a 1n\nC2 a 0 1n\nXU1 out a out opamp\n.end\n"
    record = analysis_record(read_deck(deck).network)
    assert any("positive feedback" in f for f in record.findings)
    assert any("minus input of U1 has no DC path" in f for f in record.findings)
    assert str(record.response.formula) == "C1/(C1 + C2)"


def test_long_formulas_are_cut_in_the_text_only():
    parts = [stage("tow-thomas-lowpass").circuit()] * 4
    swapped, _ = Swap().apply(cascade(parts).network)
    record = analysis_record(swapped)
    assert "--json has all" in analysis_text(record)
    assert len(str(record.response.formula)) > 2000


@pytest.mark.parametrize("name", ["twin-t", "sallen-key-bandpass-gain"])
def test_stage_text_holds_its_facts(name):
    s = stage(name)
    text = " ".join(stage_text(s, response_of(s.circuit())).split())
    for fact in (s.title, s.source, *s.remarks):
        assert " ".join(fact.split()) in text
    for condition in s.conditions:  # told in pieces, those that were checked apart
        assert all(piece.strip() in text for piece in re.split(r"[:;,]", condition))
    assert text.endswith(".end")


# -- layout ----------------------------------------------------------------------------------------


def test_sweep_reaches_two_decades_beyond_the_modes():
    low, high = sweep(RC)
    corner = 1 / (2 * math.pi * 1e4 * 1e-8)
    assert low <= corner / 100
    assert high >= corner * 100
    assert abs(transfer_at(RC, high)) < 0.02


def transfer_at(network, hertz):
    from synth.analysis.loop import analyse

    loop = analyse(network)
    return transfer(loop, loop.transfer())(2j * math.pi * hertz)


def test_control_characters_do_not_reach_the_terminal():
    assert wrapped("a\x1b[31mb\x07") == ["a [31mb"]


def test_table_wraps_its_last_column():
    lines = table(("a", "b"), [("x", "word " * 40)])
    assert max(map(len, lines)) <= WIDTH
    assert all(line.startswith("   ") for line in lines[2:])


def test_shortened_says_how_long_it_was():
    assert shortened("abc", 3) == "abc"
    assert "(2000 characters" in shortened("ab " * 666 + "ab", 100)


# -- realise ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("change_db", "missed"), [(0.0, False), (0.5, True), (-0.3, True)])
def test_a_missed_target_is_said_above_and_beside_the_circuit(change_db, missed):
    """The circuit is exact; what is asked lies `change_db` from it."""
    target = second_order_target("lowpass", 1e3, gain=1.0)
    found = realise(Brief(target), top=1)[0]
    target = second_order_target("lowpass", 1e3, gain=10 ** (change_db / 20))
    loop = analyse(found.network)
    error = realised_error(target, transfer(loop, loop.transfer()))
    r = replace(found, error_db=error.error_db, deviation=error.misses)
    shown = realise_text(target, realisation_records([r]))
    assert ("misses the target" in shown) is missed
    assert ("no circuit meets the target within 0.25 dB" in shown) is missed
