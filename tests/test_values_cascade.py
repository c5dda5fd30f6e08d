"""What is proved of a cascade: all combinations of small windows, tried one by one."""

from itertools import product

import numpy as np
import pytest

import synth
from synth.network.deck_reader import read_deck

DECK = """Wave height of the buoy: fourth-order Butterworth, 1 kHz
Vin in 0 AC 1
R1 in a 10k
R2 a b 10k
C1 a o1 17.227n
C2 b 0 14.704n
E1 o1 0 b o1 1e6
R3 o1 c 10k
R4 c d 10k
C3 c out 41.589n
C4 d 0 6.0906n
E2 out 0 d out 1e6
"""
R, C = [10e3, 15e3, 22e3], [4.7e-9, 10e-9, 22e-9, 47e-9]
F = np.geomspace(10, 3162, 400)  # within 40 dB of the maximum, where a whole is measured


def _stage(r1, r2, c1, c2):
    s = 2j * np.pi * F
    first, second = (c2 * (r1 + r2)).reshape(-1, 1), (r1 * r2 * c1 * c2).reshape(-1, 1)
    return -20 * np.log10(np.abs(1 + s * first + s**2 * second))


def _least():
    """Least largest deviation in dB of any of the 144 * 144 choices."""
    rows = np.array(list(product(R, R, C, C))).T
    tables = [
        _stage(*rows) - _stage(*(np.array([x]) for x in own))
        for own in ((1e4, 1e4, 17.227e-9, 14.704e-9), (1e4, 1e4, 41.589e-9, 6.0906e-9))
    ]
    return min(np.abs(row + tables[1]).max(axis=1).min() for row in tables[0])


def _error(v):
    """Largest deviation in dB of one choice."""
    rows = [np.array([[v[n]] for n in part.split()]) for part in ("R1 R2 C1 C2", "R3 R4 C3 C4")]
    own = ((1e4, 1e4, 17.227e-9, 14.704e-9), (1e4, 1e4, 41.589e-9, 6.0906e-9))
    found = [
        _stage(*r) - _stage(*(np.array([x]) for x in o)) for r, o in zip(rows, own, strict=True)
    ]
    return np.abs(found[0] + found[1]).max()


def test_a_cascade_is_proved_where_the_lists_hold_every_choice():
    network = read_deck(DECK).network
    found = synth.choose_values(
        network,
        resistors="E6",
        capacitors="E3",
        resistor_window=(10e3, 22e3),
        capacitor_window=(4.7e-9, 47e-9),
        floor=0.0,
    )
    least = _least()
    assert found.proved
    assert _error(found.values) == pytest.approx(least, abs=1e-9)
    assert found.error == pytest.approx(least, abs=0.04)  # at the last frequency of its grid
    assert found.bound == pytest.approx(found.error, abs=1e-6)


@pytest.mark.parametrize("work", [1, 10, 1e5])
def test_short_lists_prove_nothing(work):
    """With more work a better choice is found, so what little work gives is not the best."""
    network = read_deck(DECK).network
    found = synth.choose_values(network, work=work)
    better = synth.choose_values(network, floor=0.0, work=2e6)
    assert better.error < found.error
    assert not found.proved
    assert found.bound <= better.error
    assert "not proved" in found.certificate
