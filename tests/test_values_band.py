"""Errors in dB over a band or against a mask: every choice of a small window, tried one by one."""

from itertools import product

import numpy as np
import pytest

from synth.errors import NumberError, SynthError
from synth.masks.limits import mask_from_text
from synth.network.deck_reader import read_deck
from synth.realisation.request import Effort, ErrorWish, PartWishes, request_for
from synth.realisation.revalue import revalue
from synth.values.series import Shelf

DECK = """Wave sensor of the buoy: Sallen-Key low-pass, Q 1.3
Vin in 0 AC 1
R1 in a 8.2k
R2 a b 12.4k
C1 a out 22n
C2 b 0 3.3n
E1 out 0 b out 1e6
"""
R = [4.7e3, 6.8e3, 10e3, 15e3, 22e3]
C = [1e-9, 2.2e-9, 4.7e-9, 10e-9, 22e-9, 47e-9]
WISHES = PartWishes("E6", "E3", (4.7e3, 22e3), (1e-9, 47e-9))


def _levels(f):
    """dB of every choice, (choices, frequencies): H = 1/(1 + s*C2*(R1+R2) + s^2*R1*R2*C1*C2)."""
    r1, r2, c1, c2 = (x[:, None] for x in np.array(list(product(R, R, C, C))).T)
    s = 2j * np.pi * f
    return -20 * np.log10(np.abs(1 + s * c2 * (r1 + r2) + s**2 * r1 * r2 * c1 * c2))


def _own(f):
    s = 2j * np.pi * f
    d = 1 + s * 3.3e-9 * (8.2e3 + 12.4e3) + s**2 * 8.2e3 * 12.4e3 * 22e-9 * 3.3e-9
    return -20 * np.log10(np.abs(d))


@pytest.mark.parametrize(
    "band", [(10, 100), (300, 5e3), (10e3, 100e3), (100e3, 1e6), (1e6, 10e6), (1e9, 10e9)]
)
def test_the_least_error_over_a_band_is_that_of_all_choices(band):
    network = read_deck(DECK).network
    found = revalue(network, request_for(network, WISHES, ErrorWish(band=band, floor=0), Effort()))
    f = np.geomspace(*band, 65)
    least = np.abs(_levels(f) - _own(f)).max(axis=1).min()
    assert found.error == pytest.approx(least, abs=1e-7)
    assert found.bound <= least + 1e-9
    assert found.proved
    assert found.bound > least - 1e-6


@pytest.mark.parametrize(
    "mask",
    [
        "10 1k >= -0.5 dB\n5k 100k <= -20 dB",
        "100 1k >= -3 dB",
        "100 1k <= 1 dB",
        "5k 100k <= -60 dB",
        "1.5k 1.6k >= 6 dB",
    ],
)
def test_the_least_error_against_a_mask_is_that_of_all_choices(mask):
    network = read_deck(DECK).network
    limits = mask_from_text(mask).limits
    found = revalue(
        network, request_for(network, WISHES, ErrorWish(mask=limits, floor=0), Effort())
    )
    over = np.zeros(len(R) ** 2 * len(C) ** 2)
    for x in limits:
        away = _levels(np.geomspace(x.low_hz, x.high_hz, 801)) - x.level_db
        over = np.maximum(over, (away if x.operation == "<=" else -away).max(axis=1))
    assert found.error == pytest.approx(over.min(), abs=2e-3)
    assert found.bound <= over.min() + 1e-9
    assert found.proved


def test_a_mask_is_not_broken_for_a_smaller_spread():
    """Among all choices of the window inside the mask the one of least spread is taken."""
    network = read_deck(DECK).network
    limits = mask_from_text("10 1k within 4 dB").limits
    found = revalue(network, request_for(network, WISHES, ErrorWish(mask=limits), Effort()))
    f = np.geomspace(10, 1e3, 801)
    inside = (np.abs(_levels(f) - _own(f)) <= 4).all(axis=1)
    rows = np.array(list(product(R, R, C, C)))[inside]
    spreads = np.maximum(
        rows[:, :2].max(axis=1) / rows[:, :2].min(axis=1),
        rows[:, 2:].max(axis=1) / rows[:, 2:].min(axis=1),
    )
    assert found.error == 0
    assert found.spread == pytest.approx(spreads.min())


def test_a_tie_that_is_out_of_reach_is_told_with_how_far():
    """With equal capacitors Q is at most one half: sqrt(r1*r2)/(r1 + r2)."""
    network = read_deck(DECK).network
    q = np.sqrt(8.2e3 * 12.4e3 * 22e-9 / 3.3e-9) / (8.2e3 + 12.4e3)
    request = request_for(network, PartWishes(ties=[["C1", "C2"]]), ErrorWish(), Effort())
    with pytest.raises(SynthError, match="C1=C2 tied") as told:
        revalue(network, request)
    assert f"Q is off by {100 * (0.5 / q - 1):+.3g} %" in str(told.value)


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        (ErrorWish(band=(1e-300, 1e300)), "1e-09 Hz to 1e+15 Hz"),
        (ErrorWish(band=(1e3, 1e3)), "be below the upper one"),
        (ErrorWish(metric="coefficients", band=(1e3, 2e3)), "leave the band out"),
        (ErrorWish(metric="band"), "needs a band"),
        (ErrorWish(floor=1.0), "floor of 100 %"),
        (ErrorWish(band=(1e3, 2e3), floor=7.0), "floor of 7 dB"),
    ],
)
def test_wishes_without_sense_are_refused(wish, words):
    with pytest.raises(NumberError) as told:
        request_for(read_deck(DECK).network, WISHES, wish, Effort())
    assert words in str(told.value)


def test_a_window_wider_than_any_parts_is_refused():
    with pytest.raises(NumberError, match="wider than any parts"):
        Shelf("E24", 1e-300, 1e300)
