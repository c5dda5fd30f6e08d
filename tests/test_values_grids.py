"""Grids of values, stock lists, the band metric and the joint choice."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from synth.analysis.loop import analyse
from synth.analysis.terms import terms_of
from synth.catalog import stages
from synth.errors import NumberError, TargetError
from synth.search.candidates import SectionTarget
from synth.values.band import BandMetric, band_metric
from synth.values.grids import PairGrid, between, fixed, union, value_list
from synth.values.joint import choose_joint
from synth.values.problem import Wishes, problem_of
from synth.values.proven import choose_proven, within
from synth.values.series import Shelf
from synth.values.stock import UNLIMITED, read_stock
from tests.values_oracle import every_choice, response

STAGES = {s.name: s for s in stages()}


def test_a_union_holds_both_series_once() -> None:
    both = union([Shelf("E24", 1e3, 1e4), Shelf("E96", 1e3, 1e4)])
    wanted = {*Shelf("E24", 1e3, 1e4).values, *Shelf("E96", 1e3, 1e4).values}
    assert set(both.items) == wanted
    assert list(both.items) == sorted(both.items)
    assert "E24" in both.label
    assert "E96" in both.label


def test_windows_and_fixed_values() -> None:
    assert between(Shelf("E12", 1e3, 1e6), 4.7e3, 6.8e3).items == (4700.0, 5600.0, 6800.0)
    assert list(fixed(4.7e-9).values) == [4.7e-9]
    with pytest.raises(NumberError, match="no value of E3"):
        between(Shelf("E3", 1e3, 1e6), 2.3e3, 4.6e3)
    with pytest.raises(NumberError, match="holds no value"):
        value_list([], "the drawer")
    with pytest.raises(NumberError, match="must be positive"):
        value_list([0.0, 1.0], "the drawer")


@pytest.mark.parametrize("adds", [True, False])
def test_pairs_are_all_pairs(adds: bool) -> None:
    base = Shelf("E6", 1e3, 1e4)
    grid = PairGrid(base, adds)
    wanted = {
        f"{(a + b if adds else a * b / (a + b)):.9g}" for a, b in product(base.values, base.values)
    }
    assert {f"{v:.9g}" for v in grid.values} == wanted
    for v in grid.values:
        a, b = grid.halves(v)
        assert (a + b if adds else a * b / (a + b)) == pytest.approx(v, rel=1e-12)


def test_a_stock_list() -> None:
    stock = read_stock(
        "kind,value,tolerance,count\nR,10k,1%,20\nC,4n7,5%,2\nR,4.7k,,\nR,10k,1%,5\n"
    )
    assert stock.grid("R").items == (4700.0, 10000.0)
    assert stock.counts("R") == {10000.0: 25, 4700.0: UNLIMITED}
    assert stock.counts("C") == {4.7e-9: 2}
    assert [i.tolerance for i in stock.items] == [0.01, 0.05, None, 0.01]
    assert read_stock("value\n10kohm\n22nF\n").grid("C").items == (22e-9,)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "has no parts"),
        ("value,count\n", "has no parts"),
        ("10k,3\n", "line 1 of stock must be a header"),
        ("value,colour\n10k,red\n", "line 1 of stock must be a header"),
        ("value,count\n10k,3\n", "line 2 of stock: '10k' does not say whether"),
        ("kind,value\nR,ten\n", "line 2 of stock: 'ten' is not a number"),
        ("kind,value\nR,10k\nQ,10k\n", "line 3 of stock: 'Q' is no kind of part"),
        ("kind,value\nR,-10k\n", "line 2 of stock: the value -10k must be positive"),
        ("kind,value,tolerance\nR,10k,0%\n", "the tolerance 0% must lie between"),
        ("kind,value,tolerance\nR,10k,0.01\n", "write it with its sign"),
        ("kind,value,tolerance\nR,10k,nan\n", "line 2 of stock: 'nan' is not a number"),
        ("kind,value,count\nR,10k,some\n", "the count 'some' is no whole number"),
        ("kind,value\nR,10k,3\n", "line 2 of stock has 3 cells"),
        ("kind,value\nR,10nF\n", "is in F, but a value in ohm is wanted"),
    ],
)
def test_bad_stock_lists_say_what_and_where(text: str, sentence: str) -> None:
    with pytest.raises(NumberError, match=sentence):
        read_stock(text)


def test_a_stock_list_without_the_kind_that_is_wanted() -> None:
    with pytest.raises(NumberError, match="has no capacitors"):
        read_stock("value\n10kohm\n").grid("C")


@pytest.mark.parametrize("name", ["sallen-key-lowpass-unity", "multiple-feedback-bandpass"])
def test_the_band_metric_against_brute_force(name: str) -> None:
    """Responses by nodal analysis in the test; the least maximum over frequencies."""
    network = STAGES[name].network
    names = [b.name for b in network.branches]
    example = STAGES[name].example
    w = np.geomspace(0.2, 5, 25)
    for seed in range(3):
        generator = np.random.default_rng(seed)
        exact = np.array([[example[n] * np.exp(generator.normal(0, 0.2)) for n in names]])
        grids = {
            n: value_list(
                sorted(
                    Shelf("E24" if n[0] == "R" else "E12", v / 10, v * 10).values,
                    key=lambda x: abs(np.log(x / v)),
                )[:7],
                n,
            )
            for n, v in zip(names, exact[0], strict=True)
        }
        terms = terms_of(analyse(network))
        w0 = 1e4
        c = problem_of(terms, w0, Wishes(grids)).coefficients(exact)[0]
        target = SectionTarget(tuple(c[:3] / c[5]), tuple(c[3:] / c[5]), w0)
        scale = np.sqrt(c[3] / c[5])
        problem = problem_of(terms, w0, Wishes(grids))
        absent = frozenset(k for k in range(3) if not problem.rows[k].any())
        metric = band_metric(target, w * scale, absent)
        choices = every_choice([grids[n].values for n in names])
        level = np.stack(
            [np.abs(response(network, names, choices, 1j * x * scale * w0)) for x in w], axis=1
        )
        wanted = np.stack(
            [np.abs(response(network, names, exact, 1j * x * scale * w0)) for x in w], axis=1
        )
        errors = np.abs(20 * np.log10(level / wanted)).max(axis=1)
        choice = choose_proven(problem, metric, floor=0)
        assert choice.proved
        assert choice.best.error == pytest.approx(errors.min(), rel=1e-6, abs=1e-7)
        limit = float(np.sort(errors)[12] * 1.0001)
        found, _, complete = within(problem, metric, limit)
        assert complete
        assert len(found) == int((errors <= limit).sum())


def test_a_mask_is_met_with_the_least_spread() -> None:
    target = SectionTarget((1.0, 0.0, 0.0), (1.0, 2**0.5, 1.0), 2 * np.pi * 1e3)
    metric = BandMetric(
        target,
        np.array([0.1, 0.5, 0.7, 1.5, 3.0]),
        np.array([-0.3, -0.5, -1.4, -np.inf, -np.inf]),
        np.array([0.3, 0.3, 0.3, -7.0, -18.0]),
        absent=frozenset({1, 2}),
    )
    grids = {"R": Shelf("E12", 1e4, 1e5), "C": Shelf("E6", 1e-9, 2.2e-8)}
    network = STAGES["sallen-key-lowpass-unity"].network
    names = [b.name for b in network.branches]
    problem = problem_of(terms_of(analyse(network)), target.w0, Wishes(grids))
    choice = choose_proven(problem, metric, floor=0)
    choices = every_choice([grids[n[0]].values for n in names])
    db = np.stack(
        [
            20 * np.log10(np.abs(response(network, names, choices, 1j * x * target.w0)))
            for x in metric.frequencies
        ],
        axis=1,
    )
    good = ((db <= metric.upper) & (db >= metric.lower)).all(axis=1)
    assert good.any()
    spreads = np.ones(len(choices))
    for letter in "RC":
        part = choices[:, [k for k, n in enumerate(names) if n[0] == letter]]
        spreads = np.maximum(spreads, part.max(axis=1) / part.min(axis=1))
    assert choice.best.error == 0
    assert choice.proved
    assert choice.best.spread == pytest.approx(spreads[good].min())


def test_bad_masks_are_refused() -> None:
    target = SectionTarget((1.0, 0.0, 0.0), (1.0, 1.0, 1.0), 1e4)
    one = np.array([1.0])
    with pytest.raises(TargetError, match="lower limit is above"):
        BandMetric(target, one, np.array([1.0]), np.array([0.0]))
    with pytest.raises(TargetError, match="not a number"):
        BandMetric(target, one, np.array([np.nan]), np.array([0.0]))
    with pytest.raises(TargetError, match="at least one"):
        BandMetric(target, np.array([]), np.array([]), np.array([]))
    with pytest.raises(TargetError, match="the target is zero at 1"):
        band_metric(SectionTarget((1.0, 0.0, 1.0), (1.0, 1.0, 1.0), 1e4), one)


@pytest.mark.parametrize("sections", [1, 2, 3, 4])
def test_the_joint_choice_is_the_best_combination(sections: int) -> None:
    for seed in range(20):
        generator = np.random.default_rng([seed, sections])
        shapes = generator.normal(0, 1, (4, 15))
        tables = [
            generator.normal(0, 0.3, (int(generator.integers(2, 12)), 4)) @ shapes
            for _ in range(sections)
        ]
        choice = choose_joint(tables)
        best = min(
            float(np.abs(sum(t[i] for t, i in zip(tables, picks, strict=True))).max())
            for picks in product(*(range(len(t)) for t in tables))
        )
        assert choice.proved
        assert choice.error == pytest.approx(best, rel=1e-12)
        got = sum(t[i] for t, i in zip(tables, choice.picks, strict=True))
        assert float(np.abs(got).max()) == pytest.approx(best, rel=1e-12)
        assert choice.alone >= choice.error


def test_a_joint_choice_that_runs_out_of_work_says_so() -> None:
    generator = np.random.default_rng(0)
    tables = [generator.normal(0, 0.1, (50, 30)) for _ in range(4)]
    choice = choose_joint(tables, work=1000)
    assert not choice.proved
    assert choice.bound <= choice.error
    assert "not proved" in choice.certificate
    with pytest.raises(NumberError, match="same frequencies"):
        choose_joint([np.zeros((2, 3)), np.zeros((2, 4))])
    with pytest.raises(NumberError, match="at least one choice"):
        choose_joint([])
