"""Stages that can oscillate within the tolerances of their parts."""

from __future__ import annotations

import itertools

import pytest

from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.api_realise import target_for
from synth.realisation.brief import Brief
from synth.realisation.realise import realise
from synth.realisation.steady import can_oscillate
from synth.realisation.workshop import fits_of
from synth.search.candidates import SectionTarget
from synth.tolerances.spread import Spread
from synth.values.series import CAPACITORS, RESISTORS

SPREAD = Spread()
SHARP = SectionTarget((0.0, 1.0, 0.0), (1.0, 0.1, 1.0), 6283.0)


def least_damped(stage, spread: Spread) -> float:
    """Largest real part over size of a pole at any corner, the circuit analysed anew at each."""
    network = stage.network
    shares = [spread.resistors if b.power == 0 else spread.capacitors for b in network.branches]
    worst = -1.0
    for signs in itertools.product((-1, 1), repeat=len(shares)):
        moved = {
            b.name: b.value * (1 + sign * share)
            for b, sign, share in zip(network.branches, signs, shares, strict=True)
        }
        loop = analyse(network.with_values(moved))
        poles = transfer(loop, loop.transfer()).poles
        worst = max([worst, *(p.real / abs(p) for p in poles)])
    return worst


@pytest.mark.parametrize("spread", [SPREAD, Spread(0.001, 0.01)])
def test_the_corners_analysed_one_by_one_agree(spread: Spread) -> None:
    fits = fits_of({"R": RESISTORS, "C": CAPACITORS}, 0, 8, SHARP).stages
    small = [s for s in fits if len(s.network.branches) <= 9][:6]
    told = [can_oscillate(s, spread) for s in small]
    assert told == [least_damped(s, spread) >= 0 for s in small]
    assert False in told


def test_positive_feedback_at_high_q_is_found_and_the_tolerance_decides() -> None:
    fits = fits_of({"R": RESISTORS, "C": CAPACITORS}, 0, 8, SHARP).stages
    growing = [s for s in fits if can_oscillate(s, SPREAD)]
    assert growing
    assert not any(can_oscillate(s, Spread(1e-4, 1e-4)) for s in growing)


def test_what_can_oscillate_stands_behind_what_cannot_and_says_so() -> None:
    target = target_for(
        "lowpass", 8e3, family="elliptic", order=7, ripple_db=0.1, stop_attenuation_db=60.0
    )
    found = realise(Brief(target), top=5)
    assert not found[0].growing
    assert not any("can oscillate" in note for note in found[0].notes)
    behind = [r for r in found if r.growing]
    assert behind
    assert all("can oscillate" in " ".join(r.notes) for r in behind)
    met = [r.growing for r in found if r.meets]
    assert met == sorted(met)
