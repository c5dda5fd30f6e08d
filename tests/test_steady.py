"""Stages that can oscillate within the tolerances of their parts."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.api_realise import target_for
from synth.cli.main import run
from synth.realisation.brief import Brief
from synth.realisation.loudness import OutputNoise
from synth.realisation.ranking import CRITERIA, IDEAL
from synth.realisation.realise import realise
from synth.realisation.steady import can_oscillate
from synth.realisation.told import told_of_no_yield, told_of_quieter
from synth.realisation.workshop import fits_of
from synth.search.candidates import SectionTarget
from synth.tolerances.spread import Spread
from synth.tolerances.yields import Yield
from synth.values.series import CAPACITORS, RESISTORS

SPREAD = Spread()
SHARP = SectionTarget((0.0, 1.0, 0.0), (1.0, 0.1, 1.0), 6283.0)


def share(stage, spread: Spread, count: int = 300) -> float:
    """Share of circuits that oscillate, each drawn and analysed anew."""
    network, generator = stage.network, np.random.default_rng(7)
    growing = 0
    for _ in range(count):
        moved = {
            b.name: b.value
            * (
                1
                + generator.uniform(-1, 1)
                * (spread.resistors if b.power == 0 else spread.capacitors)
            )
            for b in network.branches
        }
        loop = analyse(network.with_values(moved))
        poles = transfer(loop, loop.transfer()).poles
        growing += any(p.real > 0 for p in poles)
    return growing / count


@pytest.mark.parametrize("spread", [SPREAD, Spread(0.001, 0.01)])
def test_circuits_analysed_one_by_one_agree(spread: Spread) -> None:
    fits = fits_of({"R": RESISTORS, "C": CAPACITORS}, 0, 8, SHARP).stages
    for stage in fits[:6]:
        found = share(stage, spread)
        if not 0.003 < found < 0.03:  # what 300 draws can tell from one in a hundred
            assert can_oscillate(stage, spread) == (found > 0.01)


def test_a_stage_that_hardly_ever_oscillates_is_not_told() -> None:
    """Equal components, Q = 5, gain 2.8: not at every corner, but in hardly any circuit."""
    target = SectionTarget((2.8, 0.0, 0.0), (1.0, 0.2, 1.0), 6283.0)
    fits = fits_of({"R": RESISTORS, "C": CAPACITORS}, 0, 8, target).stages
    (classic,) = [s for s in fits if s.label == "sallen-key-lowpass-gain"]
    assert not can_oscillate(classic, SPREAD)


def test_positive_feedback_at_high_q_is_found_and_the_tolerance_decides() -> None:
    fits = fits_of({"R": RESISTORS, "C": CAPACITORS}, 0, 8, SHARP).stages
    growing = [s for s in fits if can_oscillate(s, SPREAD)]
    assert growing
    assert not any(can_oscillate(s, Spread(1e-4, 1e-4)) for s in growing)


@pytest.fixture(scope="module")
def found():
    target = target_for(
        "lowpass", 8e3, family="elliptic", order=7, ripple_db=0.1, stop_attenuation_db=60.0
    )
    return realise(Brief(target), top=5)


def test_what_can_oscillate_stands_behind_what_cannot_and_says_so(found) -> None:
    assert not found[0].growing
    assert not any("can oscillate" in note for note in found[0].notes)
    behind = [r for r in found if r.growing]
    assert behind
    assert all("can oscillate" in " ".join(r.notes) for r in behind)
    met = [r.growing for r in found if r.meets]
    assert met == sorted(met)


def test_the_order_with_ideal_op_amps_is_explained(capsys) -> None:
    arguments = ["realise", "lowpass", "--order", "4", "--at", "1kHz", "--top", "4"]
    assert run([*arguments, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    found, told = answer["realisations"], answer["ranking"]["explanation"]
    assert answer["ranking"]["order"] == list(IDEAL)
    assert len(told) == len(found) - 1
    for k, sentence in enumerate(told):
        assert sentence.startswith(f"{k + 1} is before {k + 2}: ")
        counts = [len(r["parts"]) for r in found[k : k + 2]]
        if "; parts: " in sentence:
            assert sentence.endswith(f"parts: {counts[0]} against {counts[1]}")
        elif "parts, " in sentence:
            assert counts[0] == counts[1]
    assert any("against" in sentence for sentence in told)
    assert run([*arguments, "--explain-rank"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    assert all(sentence in text for sentence in told)
    assert " ".join(CRITERIA["stable"].split()) in text


def test_a_quieter_circuit_of_more_op_amps_and_a_yield_of_nothing_are_told(found) -> None:
    first, other = found[:2]
    loud = replace(first, noise=OutputNoise(4e-5, (1.0, 1e3), 300.0, "resistors"))
    quiet = replace(other, noise=OutputNoise(1e-5, (1.0, 1e3), 300.0, "resistors"))
    told = told_of_quieter([quiet], [loud])
    assert f"instead, {other.label} is 12.0 dB quieter" in told[0].notes[-1]
    assert told_of_quieter([loud], [quiet])[0].notes == quiet.notes
    none = replace(first, yield_=Yield(0.004, 0.0, 0.01, 4, 1000))
    some = replace(other, yield_=Yield(0.2, 0.1, 0.3, 200, 1000))
    assert "--wanted-yield" in told_of_no_yield([none, none])[0].notes[-1]
    assert told_of_no_yield([none, none])[1].notes == none.notes
    assert told_of_no_yield([none, some])[0].notes == none.notes
