"""The cheapest tolerance classes for a wanted yield, against trials of every choice."""

from __future__ import annotations

import json
from itertools import product

import numpy as np
import pytest

from synth.catalog import stage
from synth.cli.main import run
from synth.errors import NumberError
from synth.network.model import Branch, Network
from synth.tolerances.classes import CLASSES, cheapest_classes
from synth.tolerances.limits import Limit

R, C = CLASSES["resistor"], CLASSES["capacitor"]
LOWPASS = Network((Branch("R1", 0, ("in", "out"), 1e4), Branch("C1", 1, ("out", "0"), 1e-8)))
AT = 1 / (2 * np.pi * 1e-4)
LIMIT = (Limit(AT, AT, "within", 0.3),)


def share(r: float, c: float, draws: int = 200_000) -> float:
    """Yield of the RC low-pass at its corner, by drawing here: |H|^2 = 1/(1 + x^2)."""
    generator = np.random.default_rng(7)
    x = (1 + generator.uniform(-r, r, draws)) * (1 + generator.uniform(-c, c, draws))
    decibels = 10 * np.log10(2 / (1 + x**2))
    return float((np.abs(decibels) <= 0.3).mean())


@pytest.mark.parametrize("wanted", [0.8, 0.9, 0.97])
def test_one_class_a_kind_is_the_cheapest_of_all(wanted) -> None:
    found = cheapest_classes(LOWPASS, LIMIT, wanted).by_kind
    assert found is not None
    good = {(i, j): share(R[i], C[j]) for i, j in product(range(len(R)), range(len(C)))}
    sure = [sum(at) for at, y in good.items() if y >= wanted + 0.02]
    possible = [sum(at) for at, y in good.items() if y >= wanted - 0.01]
    assert min(possible) <= found.steps <= min(sure)
    own = good[R.index(found.tolerances["R1"]), C.index(found.tolerances["C1"])]
    assert own >= wanted - 0.01
    assert found.yield_.value == pytest.approx(own, abs=0.02)


def test_parts_that_matter_less_are_wider_and_cost_less() -> None:
    """C2 of a Sallen-Key at high Q matters; parts of its own cost no more than one class a kind."""
    network = stage("sallen-key-lowpass-gain").circuit()
    limits = (Limit(10.0, 3e3, "within", 0.3),)
    found = cheapest_classes(network, limits, 0.9)
    assert found.by_kind is not None
    assert found.by_part is not None
    assert found.by_part.steps <= found.by_kind.steps
    assert found.by_part.yield_.high >= 0.9
    again = cheapest_classes(network, limits, 0.9)
    assert again == found
    for part, t in found.by_part.tolerances.items():
        menu = R if part[0] == "R" else C
        place = menu.index(t)
        if place:  # no part can be widened alone
            wider = {**found.by_part.tolerances, part: menu[place - 1]}
            assert drawn(network, limits, wider) < 0.9 + 0.02


def drawn(network, limits, tolerances) -> float:
    from synth.tolerances.spread import Spread
    from synth.tolerances.study import tolerance

    spread = Spread(parts=tolerances)
    result = tolerance(
        network, spread, [100.0], limits=limits, samples=20_000, seed=99, corners=False
    )
    return result.yield_.value


def test_what_no_class_reaches_is_said() -> None:
    found = cheapest_classes(LOWPASS, (Limit(AT, AT, "within", 0.01),), 0.9)
    assert found.by_kind is None
    assert found.by_part is None
    assert found.tightest.yield_.value < 0.9
    assert set(found.tightest.tolerances.values()) == {R[-1], C[-1]}


def test_interrupted_it_says_so() -> None:
    calls = []

    def stop(done: int, total: int) -> None:
        calls.append(done)
        if done == 3:
            raise KeyboardInterrupt

    found = cheapest_classes(LOWPASS, LIMIT, 0.97, progress=stop)
    assert not found.complete
    assert found.by_kind is None
    assert calls == [1, 2, 3]


@pytest.mark.parametrize("wanted", [0.0, 1.0, -0.5, 2.0])
def test_a_yield_out_of_range_is_refused(wanted) -> None:
    with pytest.raises(NumberError, match="yield"):
        cheapest_classes(LOWPASS, LIMIT, wanted)


def test_limits_are_needed() -> None:
    with pytest.raises(NumberError, match="limits"):
        cheapest_classes(LOWPASS, (), 0.9)


def test_command(capsys) -> None:
    arguments = ["tolerance", "sallen-key-lowpass-unity", "--limit", "0.5dB", "--samples", "500"]
    assert run([*arguments, "--wanted-yield", "95%"]) == 0
    text = capsys.readouterr().out
    assert "one class a kind" in text
    assert "an order, not a price" in text
    assert max(map(len, text.splitlines())) <= 80
    assert run([*arguments, "--wanted-yield", "95%", "--json"]) == 0
    classes = json.loads(capsys.readouterr().out)["classes"]
    assert classes["by_part"]["steps"] <= classes["by_kind"]["steps"]
    assert run([*arguments[:2], "--wanted-yield", "95%"]) == 2
    assert "--limit or --mask" in capsys.readouterr().err
