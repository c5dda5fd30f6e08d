"""The proven choice against brute force with an evaluator of its own (tests/values_oracle.py)."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from synth.analysis.loop import analyse
from synth.analysis.terms import terms_of
from synth.catalog import stages
from synth.errors import NumberError, TargetError
from synth.search.candidates import SectionTarget
from synth.values import proven
from synth.values.grids import PairGrid, value_list
from synth.values.metrics import check_fit, coefficient_metric, section_metric
from synth.values.problem import Problem, Wishes, problem_of
from synth.values.proven import choose_proven, pareto, within
from synth.values.series import CAPACITORS, RESISTORS, Shelf, preferred_values
from tests.values_oracle import coefficients, every_choice, section_errors

STAGES = {s.name: s for s in stages()}
#: Stage -> kind of target; gains, balanced zeros, all-passes and both signs among them.
SECOND_ORDER = {
    "sallen-key-lowpass-unity": "",
    "sallen-key-lowpass-gain": "",
    "sallen-key-lowpass-attenuator": "",
    "sallen-key-highpass-unity": "",
    "sallen-key-highpass-gain": "",
    "sallen-key-bandpass-unity": "",
    "sallen-key-bandpass-gain": "",
    "multiple-feedback-lowpass": "",
    "multiple-feedback-highpass": "",
    "multiple-feedback-bandpass": "",
    "multiple-feedback-bandpass-no-attenuator": "",
    "deliyannis-bandpass": "",
    "tow-thomas-lowpass": "",
    "tow-thomas-bandpass": "",
    "fliege-lowpass": "",
    "fliege-highpass": "",
    "fliege-bandpass": "",
    "akerberg-mossberg-lowpass": "",
    "impedance-converter-notch": "notch",
    "impedance-converter-lowpass-notch": "notch",
    "fliege-notch": "notch",
    "bainter-notch": "notch",
    "friend-notch": "notch",
    "fliege-allpass": "allpass",
    "impedance-converter-allpass": "allpass",
}
WINDOWS = 12  # of each stage: 300 in all
_MOST = 4_000


@cache
def small(name: str, seed: int) -> Case:
    return Case(name, seed)


class Case:
    """A small random window of one stage, and its brute-force table."""

    def __init__(self, name: str, seed: int, ties: tuple[tuple[str, ...], ...] = ()) -> None:
        generator = np.random.default_rng([seed, len(name)])
        self.network = STAGES[name].network
        values = STAGES[name].example
        self.names = [b.name for b in self.network.branches]
        groups = [*ties, *((n,) for n in self.names if not any(n in g for g in ties))]
        generator.shuffle(groups)
        count = max(2, int(_MOST ** (1 / min(len(groups), 6))))
        self.grids, self.keep = {}, {}
        total = 1
        for group in groups:
            n = group[0]
            middle = values[n] * np.exp(generator.normal(0, 0.05))
            series = generator.choice(["E24", "E96"] if n[0] == "R" else ["E12", "E24"])
            near = preferred_values(series, middle / 8, middle * 8)
            near = near[np.argsort(np.abs(np.log(near / middle)))]
            size = int(generator.integers(2, count + 1))
            if total * size > _MOST:
                self.keep.update({m: float(near[0]) for m in group})
                continue
            total *= size
            for m in group:
                self.grids[m] = value_list(near[:size], f"grid of {m}")
        self.ties = tuple(g for g in ties if g[0] in self.grids)
        exact = np.array([[values[n] * np.exp(generator.normal(0, 0.01)) for n in self.names]])
        for group in ties:
            for m in group:
                exact[0, self.names.index(m)] = exact[0, self.names.index(group[0])]
        c = coefficients(self.network, self.names, exact, 1e4, 2)[0]
        self.w0 = 1e4 * np.sqrt(c[3])
        c = coefficients(self.network, self.names, exact, self.w0, 2)[0]
        n, d = c[:3], c[3:]
        n[np.abs(n) < 1e-7 * np.abs(n / d).max() * d] = 0.0
        kind = SECOND_ORDER[name]
        if kind == "notch":
            n[1] = 0.0
        if kind == "allpass":
            n = n[0] / d[0] * d * np.array([1, -1, 1])
        self.target = SectionTarget(tuple(n), tuple(d), float(self.w0))
        self.problem = problem_of(
            terms_of(analyse(self.network)),
            self.target.w0,
            Wishes(self.grids, self.keep, self.ties),
        )
        self.metric = section_metric(self.target)
        self.elements = [e.parts for e in self.problem.elements]
        self.choices = every_choice([e.values for e in self.problem.elements])
        full = np.empty((len(self.choices), len(self.names)))
        for k, n_ in enumerate(self.names):
            if n_ in self.keep:
                full[:, k] = self.keep[n_]
        for j, parts in enumerate(self.elements):
            for p in parts:
                full[:, self.names.index(p)] = self.choices[:, j]
        self.full = full
        self.errors = section_errors(
            coefficients(self.network, self.names, full, self.w0, 2),
            self.target.numerator,
            self.target.denominator,
        )

    def spreads(self) -> np.ndarray:
        found = np.ones(len(self.full))
        for letter in "RC":
            part = self.full[:, [k for k, n in enumerate(self.names) if n[0] == letter]]
            if part.shape[1]:
                found = np.maximum(found, part.max(axis=1) / part.min(axis=1))
        return found

    def level(self, rank: int) -> float:
        """An error with about `rank` choices below it and none very near."""
        ordered = np.unique(self.errors[np.isfinite(self.errors)])
        gaps = np.flatnonzero(np.diff(ordered) > 1e-7 * ordered[1:])
        at = gaps[np.argmin(np.abs(gaps - rank))] if len(gaps) else len(ordered) - 1
        return float(ordered[at] * 1.00000005)


def as_set(values: np.ndarray) -> set[tuple[float, ...]]:
    return {tuple(float(f"{v:.9g}") for v in row) for row in values}


@pytest.mark.parametrize("name", SECOND_ORDER)
def test_solution_sets_equal_brute_force(name: str) -> None:
    for seed in range(WINDOWS):
        case = small(name, seed)
        if not np.isfinite(case.errors).any():
            continue
        for rank in (3, 40):
            level = case.level(rank)
            found, errors, complete = within(case.problem, case.metric, level)
            wanted = case.choices[case.errors <= level]
            assert complete
            assert as_set(found) == as_set(wanted), f"{name} window {seed} rank {rank}"
            np.testing.assert_allclose(
                errors, np.sort(case.errors[case.errors <= level]), rtol=1e-5, atol=1e-9
            )


@pytest.mark.parametrize("name", SECOND_ORDER)
def test_the_optimum_and_the_next_best_are_those_of_brute_force(name: str) -> None:
    for seed in range(WINDOWS):
        case = small(name, seed)
        wanted = np.sort(case.errors)
        if not np.isfinite(wanted[0]) or wanted[0] > 4:
            continue
        keep = min(6, int((wanted < 4).sum()))
        choice = choose_proven(case.problem, case.metric, floor=0, keep=keep)
        found = [choice.best.error, *(o.error for o in choice.alternatives)]
        assert choice.proved
        np.testing.assert_allclose(found, wanted[:keep], rtol=1e-5, atol=1e-8)
        assert choice.bound <= wanted[0] + 1e-9
        assert choice.bound == pytest.approx(wanted[0], rel=1e-5, abs=2e-8)


@pytest.mark.parametrize("name", SECOND_ORDER)
def test_the_least_spread_within_a_floor_is_that_of_brute_force(name: str) -> None:
    for seed in range(WINDOWS):
        case = small(name, seed)
        if not np.isfinite(case.errors).any():
            continue
        floor = case.level(60)
        good = case.errors <= floor
        choice = choose_proven(case.problem, case.metric, floor=floor)
        assert choice.proved
        assert choice.reached
        assert choice.best.error <= floor
        least = case.spreads()[good].min()
        assert choice.best.spread == pytest.approx(least, rel=1e-9)
        assert choice.spread_bound == pytest.approx(least, rel=1e-8)
        tied = good & (case.spreads() <= least * (1 + 1e-9))
        distinct = [
            sum(
                len({f"{v:.9g}" for n, v in zip(case.names, row, strict=True) if n[0] == x})
                for x in "RC"
            )
            for row in case.full[tied]
        ]
        assert choice.best.distinct == min(distinct)


TIED = {
    "sallen-key-lowpass-unity": (("R1", "R2"),),
    "sallen-key-highpass-unity": (("C1", "C2"),),
    "multiple-feedback-bandpass": (("C1", "C2"),),
    "multiple-feedback-lowpass": (("R1", "R2"), ("C1", "C2")),
    "tow-thomas-lowpass": (("C1", "C2"),),
}


@pytest.mark.parametrize("name", TIED)
def test_tied_parts_against_brute_force(name: str) -> None:
    for seed in range(8):
        case = Case(name, seed + 100, TIED[name])
        if not np.isfinite(case.errors).any():
            continue
        level = case.level(20)
        found, _, complete = within(case.problem, case.metric, level)
        assert complete
        assert as_set(found) == as_set(case.choices[case.errors <= level])
        choice = choose_proven(case.problem, case.metric, floor=0)
        assert choice.best.error == pytest.approx(case.errors.min(), rel=1e-5, abs=1e-9)
        for group in TIED[name]:
            assert len({choice.best.values[p] for p in group}) == 1


def wide(name: str, target: SectionTarget, **wishes: object) -> Problem:
    grids = {"R": RESISTORS, "C": CAPACITORS}
    return problem_of(
        terms_of(analyse(STAGES[name].network)),
        target.w0,
        Wishes(grids, **wishes),  # type: ignore[arg-type]
    )


BUTTERWORTH = SectionTarget((1.0, 0.0, 0.0), (1.0, 2**0.5, 1.0), 2 * np.pi * 1e3)


def test_a_full_window_against_brute_force_by_formula() -> None:
    """Sallen-Key unity, E24/E6, 1.6e6 choices: w0^2 = 1/(R1 R2 C1 C2), Q = sqrt(...)/(C2 (R1+R2)).

    Source: R. P. Sallen, E. L. Key, IRE Trans. CT-2 (1955) 74-85 (from memory).
    """
    r, c = Shelf("E24", 1e3, 1e5).values, Shelf("E6", 1e-10, 1e-7).values
    r1, r2, c1, c2 = (x.ravel() for x in np.meshgrid(r, r, c, c, indexing="ij"))
    shunt = [
        b.name
        for b in STAGES["sallen-key-lowpass-unity"].network.branches
        if b.name[0] == "C" and "0" in b.nodes
    ]
    cf, cs = (c1, c2) if shunt == ["C2"] else (c2, c1)
    w0 = 1 / np.sqrt(r1 * r2 * cf * cs)
    q = np.sqrt(r1 * r2 * cf * cs) / (cs * (r1 + r2))
    error = np.maximum(np.abs(np.log(w0 / BUTTERWORTH.w0)), np.abs(np.log(q * 2**0.5)))
    grids = {"R": Shelf("E24", 1e3, 1e5), "C": Shelf("E6", 1e-10, 1e-7)}
    terms = terms_of(analyse(STAGES["sallen-key-lowpass-unity"].network))
    problem = problem_of(terms, BUTTERWORTH.w0, Wishes(grids))
    choice = choose_proven(problem, section_metric(BUTTERWORTH), floor=0)
    assert choice.proved
    assert choice.best.error == pytest.approx(error.min(), rel=1e-6)
    found, _, complete = within(problem, section_metric(BUTTERWORTH), 0.01)
    assert complete
    assert len(found) == int((error <= 0.01).sum())


@pytest.mark.parametrize(
    "name", ["tow-thomas-lowpass", "sallen-key-lowpass-gain", "sallen-key-lowpass-unity"]
)
def test_nothing_with_a_smaller_spread_is_missed_in_a_full_window(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By rising limits of the spread, without the trial on the whole that often settles it."""
    monkeypatch.setattr(proven, "_TRIAL", 1.0)
    gain = 2.0 if name == "sallen-key-lowpass-gain" else 1.0
    damping = 0.5 if name == "sallen-key-lowpass-unity" else 1.1  # 4*Q^2 is the least spread
    target = SectionTarget((gain, 0.0, 0.0), (1.0, damping, 1.0), 2 * np.pi * 1234)
    problem, metric = wide(name, target), section_metric(target)
    choice = choose_proven(problem, metric, floor=2e-3)
    assert choice.proved
    less = within(problem, metric, 2e-3, spread=choice.best.spread * (1 - 1e-6))
    same = within(problem, metric, 2e-3, spread=choice.best.spread * (1 + 1e-6))
    assert less[2]
    assert not len(less[0])
    assert len(same[0])


def test_a_gain_fixed_by_kept_parts_against_brute_force() -> None:
    """N is a constant multiple of a coefficient of D for every choice: K = 1 + RB/RA = 3/2."""
    network = STAGES["sallen-key-lowpass-gain"].network
    names = [b.name for b in network.branches]
    keep = {"RA": 2e4, "RB": 1e4}
    grids = {"R": Shelf("E24", 1e4, 2e4), "C": Shelf("E12", 1e-9, 3.9e-9)}
    for gain in (1.5, 1.52):
        target = SectionTarget((gain, 0.0, 0.0), (1.0, 1.1, 1.0), 4e4)
        problem = problem_of(terms_of(analyse(network)), target.w0, Wishes(grids, keep))
        choices = every_choice([e.values for e in problem.elements])
        full = np.empty((len(choices), len(names)))
        for k, n in enumerate(names):
            place = [j for j, e in enumerate(problem.elements) if e.parts == (n,)]
            full[:, k] = choices[:, place[0]] if place else keep[n]
        found = coefficients(network, names, full, target.w0, 2)
        errors = section_errors(found, target.numerator, target.denominator)
        choice = choose_proven(problem, section_metric(target), floor=0)
        assert choice.proved
        assert choice.best.error == pytest.approx(errors.min(), rel=1e-6)
        level = float(np.sort(errors)[40] * 1.000001)
        solutions, _, complete = within(problem, section_metric(target), level)
        assert complete
        assert as_set(solutions) == as_set(choices[errors <= level])


def test_the_work_allowed_bounds_the_answer_and_is_reproducible() -> None:
    name = "bainter-notch"
    target = SectionTarget((2.0, 0.0, 2.0), (1.0, 0.3, 1.0), 2 * np.pi * 50)
    problem, metric = wide(name, target), section_metric(target)
    first = choose_proven(problem, metric, floor=1e-3, work=3e4)
    again = choose_proven(problem, metric, floor=1e-3, work=3e4)
    assert first == again
    assert not first.proved
    assert "not proved" in first.certificate
    assert first.bound <= first.best.error
    assert first.work < 1e6


def test_a_gain_the_circuit_cannot_have_is_measured() -> None:
    """A unity-gain Sallen-Key cannot amplify: the error is ln 1.5, and that is proved."""
    target = SectionTarget((1.5, 0.0, 0.0), (1.0, 1.2, 1.0), 1e4)
    problem = wide("sallen-key-lowpass-unity", target)
    choice = choose_proven(problem, section_metric(target), floor=2e-3)
    assert choice.best.error == pytest.approx(np.log(1.5), rel=1e-6)
    assert choice.bound == pytest.approx(np.log(1.5), rel=1e-6)
    assert not choice.reached
    assert "cannot be met" in choice.certificate


def test_a_free_gain_leaves_the_gain_alone() -> None:
    target = SectionTarget((1.5, 0.0, 0.0), (1.0, 1.2, 1.0), 1e4, free_gain=True)
    problem = wide("sallen-key-lowpass-unity", target)
    assert choose_proven(problem, section_metric(target), floor=2e-3).best.error <= 2e-3


def test_coefficients_and_figures_agree_on_exact_values() -> None:
    target = SectionTarget((1.0, 0.0, 0.0), (1.0, 1.2, 1.0), 1e4)
    exact = np.array([[1.0, 0.0, 0.0, 1.0, 1.2, 1.0]])
    moved = np.array([[1.0, 0.0, 0.0, 1.02, 1.2, 1.0]])
    for metric in (section_metric(target), coefficient_metric(target)):
        assert metric.errors(exact * 7)[0] == pytest.approx(0, abs=1e-15)
    assert coefficient_metric(target).errors(moved)[0] == pytest.approx(np.log(1.02))
    # gain falls by 1.02, w0 and Q rise by its root
    assert section_metric(target).errors(moved)[0] == pytest.approx(np.log(1.02))


def test_the_pareto_list_holds_nothing_beaten() -> None:
    problem = wide("multiple-feedback-lowpass", BUTTERWORTH_INVERTED)
    options = pareto(problem, section_metric(BUTTERWORTH_INVERTED), (5e-4, 2e-3, 1e-2))
    assert len(options) > 1
    rows = [(o.error, o.spread, o.distinct, o.capacitance) for o in options]
    for a in rows:
        assert not any(all(x <= y for x, y in zip(b, a, strict=True)) and b != a for b in rows)


BUTTERWORTH_INVERTED = SectionTarget((-1.0, 0.0, 0.0), (1.0, 2**0.5, 1.0), 2 * np.pi * 1e3)


def test_a_drawer_is_not_overdrawn() -> None:
    """Two resistors, one piece of each: equal resistors are no choice."""
    grid = value_list([1e4, 1.1e4], "drawer")
    terms = terms_of(analyse(STAGES["sallen-key-lowpass-unity"].network))
    grids = {"R": grid, "C": Shelf("E12", 1e-9, 1e-7)}
    counts = {"R": {1e4: 1, 1.1e4: 1}}
    free = choose_proven(problem_of(terms, 1e4, Wishes(grids)), section_metric(AT_10K), floor=0)
    ours = choose_proven(
        problem_of(terms, 1e4, Wishes(grids, counts=counts)), section_metric(AT_10K), floor=0
    )
    assert len({free.best.values["R1"], free.best.values["R2"]}) == 1
    assert {ours.best.values["R1"], ours.best.values["R2"]} == {1e4, 1.1e4}
    with pytest.raises(NumberError, match="R1=R2 needs 2 equal parts"):
        problem_of(terms, 1e4, Wishes(grids, ties=(("R1", "R2"),), counts=counts))


AT_10K = SectionTarget((1.0, 0.0, 0.0), (1.0, 1.0, 1.0), 1e4)


def test_a_part_made_of_two_comes_nearer() -> None:
    target = SectionTarget((-1.0, 0.0, 0.0), (1.0, 2**0.5, 1.0), 2 * np.pi * 1e3)
    terms = terms_of(analyse(STAGES["multiple-feedback-lowpass"].network))
    grids = {"R": Shelf("E12", 1e3, 1e5), "C": Shelf("E6", 1e-9, 1e-7)}
    pair = PairGrid(grids["R"], adds=True)
    alone = choose_proven(
        problem_of(terms, target.w0, Wishes(grids)), section_metric(target), floor=0
    )
    paired = choose_proven(
        problem_of(terms, target.w0, Wishes({**grids, "R1": pair, "R2": pair, "R3": pair})),
        section_metric(target),
        floor=0,
    )
    assert alone.proved
    assert paired.proved
    assert paired.best.error < alone.best.error
    a, b = pair.halves(paired.best.values["R2"])
    assert a + b == pytest.approx(paired.best.values["R2"], rel=1e-12)
    assert {a, b} <= set(grids["R"].values)


@pytest.mark.parametrize(
    ("wishes", "sentence"),
    [
        ({"keep": {"R9": 1e3}}, "no part is called R9"),
        ({"keep": {"R1": 0.0}}, "R1 is kept at 0"),
        ({"keep": {"R1": float("nan")}}, "R1 is kept at nan"),
        ({"ties": (("R1", "C1"),)}, "ties parts of different kinds"),
        ({"ties": (("R1", "R2"), ("R2", "R1"))}, "is tied twice"),
        ({"ties": (("R1", "R2"),), "keep": {"R1": 1e4}}, "but R1 is kept"),
    ],
)
def test_impossible_wishes_are_refused(wishes: dict[str, object], sentence: str) -> None:
    with pytest.raises(NumberError, match=sentence):
        wide("sallen-key-lowpass-unity", BUTTERWORTH, **wishes)


def test_targets_of_another_kind_are_refused() -> None:
    highpass = SectionTarget((0.0, 0.0, 1.0), (1.0, 1.0, 1.0), 1e4)
    with pytest.raises(TargetError, match="absent in this circuit"):
        check_fit(wide("sallen-key-lowpass-unity", highpass), section_metric(highpass))
    first = SectionTarget((1.0, 0.0), (1.0, 1.0), 1e4)
    with pytest.raises(TargetError, match="of order 2 and the target of order 1"):
        check_fit(wide("sallen-key-lowpass-unity", first), section_metric(first))
    with pytest.raises(TargetError, match="positive coefficients"):
        section_metric(SectionTarget((1.0, 0.0, 0.0), (1.0, -1.0, 1.0), 1e4))
    with pytest.raises(NumberError, match="floor"):
        choose_proven(
            wide("sallen-key-lowpass-unity", BUTTERWORTH), section_metric(BUTTERWORTH), floor=-1.0
        )
