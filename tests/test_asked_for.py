"""How many circuits are asked for, stops, and circuits that only ideal op amps make the same."""

from __future__ import annotations

from dataclasses import replace
from itertools import count

import pytest

import synth.realisation.realise as module
import synth.realisation.whole as whole
from synth.cli.main import run
from synth.masks.compare import compare
from synth.masks.limits import mask_from_text
from synth.network.equivalence import equivalent, ideal_key
from synth.network.model import Network
from synth.realisation.brief import Brief
from synth.realisation.realise import INTERRUPTED, realise
from synth.realisation.repaired import without_repairings
from synth.target.responses import family_target, response_target


def told(found):
    return [(r.label, r.network, r.notes) for r in found]


def test_a_smaller_number_only_shortens_the_list():
    mask = mask_from_text("0 1k within 0.5 dB\n3k inf <= -30 dB").absolute
    brief = Brief(family_target("lowpass", "chebyshev", 4, 1000.0), mask=mask)
    five = told(realise(brief, top=5))
    assert len(five) == 5
    for top in (1, 3):
        assert told(realise(brief, top=top)) == five[:top]


def test_a_stop_before_a_circuit_is_told(monkeypatch, capsys):
    def stopped(*arguments):
        raise KeyboardInterrupt

    monkeypatch.setattr(module, "assembled", stopped)
    assert run(["realise", "lowpass", "--order", "2", "--at", "1kHz"]) == 130
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err == "synth: interrupted before a circuit was found\n"


def test_a_stop_while_yields_are_drawn_leaves_the_circuits(monkeypatch):
    true, calls = module.with_yield, count()

    def stopped(*arguments):
        if next(calls) == 1:
            raise KeyboardInterrupt
        return true(*arguments)

    monkeypatch.setattr(module, "with_yield", stopped)
    mask = mask_from_text("0 1k within 0.5 dB\n3k inf <= -30 dB").absolute
    found = realise(Brief(family_target("lowpass", "chebyshev", 4, 1000.0), mask=mask))
    assert len(found) == 5
    assert [r.yield_ is None for r in found].count(False) == 1
    assert [INTERRUPTED in r.notes for r in found].count(False) == 1


def test_a_stop_in_the_second_response_leaves_the_first(monkeypatch):
    """No circuit keeps the mask, and the search for the next response is stopped."""
    mask = mask_from_text("0 1k within 0.5 dB\n3k inf <= -30 dB")
    candidates = compare(mask, families=["chebyshev", "butterworth"]).candidates
    first = realise(Brief(candidates[0].target), top=1)
    calls = count()

    def search(target):
        if next(calls):
            raise KeyboardInterrupt
        return first

    monkeypatch.setattr(whole, "checked", lambda mask, r: whole.Checked(r, ()))
    monkeypatch.setattr(whole.Checked, "kept", property(lambda self: False))
    candidate, circuits = whole.circuits_for(mask, candidates, search)
    assert candidate is candidates[0]
    assert INTERRUPTED in circuits[0].realisation.notes


def re_paired(network: Network) -> Network:
    """Exchange the pairs of inputs of the first two op amps."""
    a, b, *others = network.op_amps
    pairs = (replace(a, plus=b.plus, minus=b.minus), replace(b, plus=a.plus, minus=a.minus))
    return replace(network, op_amps=(*pairs, *others))


@pytest.fixture(scope="module")
def two_op_amps():
    found = realise(Brief(response_target("bandpass", 1000.0, q=20.0)))
    return next(r for r in found if len(r.network.op_amps) > 1)


def test_pairings_of_inputs_are_one_circuit_with_ideal_op_amps(two_op_amps):
    network = two_op_amps.network
    other = re_paired(network)
    assert equivalent(network, other) is None
    assert ideal_key(network) == ideal_key(other)
    b = network.branches[0]
    changed = replace(network, branches=(replace(b, power=1 - b.power), *network.branches[1:]))
    assert ideal_key(network) != ideal_key(changed)


def test_a_pairing_is_listed_once_while_its_figures_are_the_same(two_op_amps):
    r = two_op_amps
    twin = replace(r, design=replace(r.design, network=re_paired(r.network)))
    assert list(without_repairings([r, twin])) == [r]
    unlike = replace(twin, error_db=r.error_db + 0.01)
    assert list(without_repairings([r, unlike])) == [r, unlike]
