"""Pairs from a drawer: every assignment of its single pieces, tried one by one."""

from itertools import permutations

import numpy as np
import pytest

import synth
from synth.network.deck_reader import read_deck
from synth.values.stock import read_stock

DECK = """Rain gauge of the buoy: Sallen-Key low-pass, Q 1.3
Vin in 0 AC 1
R1 in a 8.2k
R2 a b 12.4k
C1 a out 22n
C2 b 0 3.3n
E1 out 0 b out 1e6
"""
RESISTORS = ["8.2k", "12k", "9.1k", "15k", "15k", "4.7k", "4.7k", "4.7k", "10k", "5k", "20k"]
CAPACITORS = ["22n", "3.3n", "3.3n", "10n", "1n"]
R1, R2, C1, C2 = 8.2e3, 12.4e3, 22e-9, 3.3e-9


def _error(r1, r2, c1, c2):
    """Largest of the deviations of ln w0 and ln Q; the gain is one."""
    w0 = 0.5 * np.log(r1 * r2 * c1 * c2 / (R1 * R2 * C1 * C2))
    q = 0.5 * np.log(r1 * r2 * c1 / c2 / (R1 * R2 * C1 / C2)) - np.log((r1 + r2) / (R1 + R2))
    return max(abs(w0), abs(q))


def _number(text):
    return float(text[:-1]) * {"k": 1e3, "n": 1e-9}[text[-1]]


def _least(resistors, capacitors, pair, series):
    """Least error of any assignment of pieces, two of them for one resistor."""
    r = sorted(map(_number, resistors))
    c = set(permutations(map(_number, capacitors), 2))
    best = np.inf
    for a, b, single in set(permutations(r, 3)):
        both = a + b if series else a * b / (a + b)
        r1, r2 = (both, single) if pair == "R1" else (single, both)
        best = min(best, *(_error(r1, r2, *x) for x in c))
    return best


def _drawer(resistors, capacitors):
    rows = [f"R,{v},1" for v in resistors] + [f"C,{v},1" for v in capacitors]
    return read_stock("kind,value,count\n" + "\n".join(rows) + "\n", "drawer.csv")


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("pair", ["R1", "R2"])
@pytest.mark.parametrize("how", ["series", "parallel"])
def test_the_best_of_a_drawer_with_a_pair_is_found_and_proved(seed, pair, how):
    generator = np.random.default_rng(seed)
    resistors = list(generator.choice(RESISTORS, 5, replace=False))
    capacitors = list(generator.choice(CAPACITORS, 3, replace=False))
    network, stock = read_deck(DECK).network, _drawer(resistors, capacitors)
    found = synth.choose_values(network, stock=stock, pairs={pair: how}, floor=0.0)
    least = _least(resistors, capacitors, pair, how == "series")
    assert found.error == pytest.approx(least, rel=1e-6)
    assert found.proved
    assert found.bound == pytest.approx(least, abs=1e-7)
    pieces = [b.value for b in found.network.branches if b.name[0] == "R"]
    assert len(pieces) == 3
    for v in pieces:  # the pieces named are those of the drawer
        assert pieces.count(v) <= [_number(x) for x in resistors].count(v)


def test_a_floor_does_not_hide_what_the_drawer_can_do():
    """The choices of least spread need pieces that are not there; 5.19 % can be had."""
    rows = ["8.2k", "12k", "9.1k", "15k", "15k", "4.7k", "4.7k", "4.7k"]
    stock = _drawer(rows, ["22n", "3.3n", "3.3n", "10n", "1n"])
    found = synth.choose_values(read_deck(DECK).network, stock=stock, pairs={"R2": "series"})
    assert found.error <= 1.5 * _least(rows, ["22n", "3.3n", "10n", "1n"], "R2", True) + 1e-9
    assert found.stages[0].bound == pytest.approx(
        _least(rows, ["22n", "3.3n", "10n", "1n"], "R2", True), abs=1e-7
    )


def test_a_part_with_a_series_of_its_own_is_not_taken_from_the_drawer():
    stock = _drawer(["8.2k", "12k"], ["22n", "3.3n"])
    found = synth.choose_values(
        read_deck(DECK).network, stock=stock, parts={"R2": "E96"}, keep=["R1"], floor=0.0
    )
    assert found.values["R2"] == 12.4e3
    assert found.error == pytest.approx(0.0, abs=1e-5)
