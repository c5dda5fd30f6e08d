"""The proven choice against HiGHS on a monomial stage, and against published worked examples."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from synth.analysis.loop import analyse
from synth.analysis.terms import terms_of
from synth.catalog import stages
from synth.search.candidates import SectionTarget
from synth.values.grids import union
from synth.values.metrics import section_metric
from synth.values.problem import Wishes, problem_of
from synth.values.proven import choose_proven
from synth.values.series import Shelf
from tests.test_published_stages import ENTRIES, network_of
from tests.values_oracle import coefficients, section_errors

STAGES = {s.name: s for s in stages()}
EXAMPLES = json.loads(
    (Path(__file__).parent / "published" / "published_examples.json").read_text(encoding="utf-8")
)
NETWORKS = {entry["name"]: network_of(entry) for entry in ENTRIES}


@pytest.mark.parametrize(
    ("f0", "q", "gain"), [(1e3, 0.8, 2.0), (3.3e3, 5.0, 1.0), (470.0, 2.3, 7.0)]
)
def test_a_monomial_stage_against_mixed_integer_programming(
    f0: float, q: float, gain: float
) -> None:
    """Two-integrator loop: every figure is a product of powers of the parts.

    D = s^2 + s/(R1 C1) + R6/(R2 R3 R5 C1 C2), |N1| = 1/(R4 C1).  J. Tow, IEEE Spectrum 6 (Dec.
    1969) 64-68; L. C. Thomas, IEEE Trans. CT-18 (1971) 350-357 (from memory).
    """
    network = STAGES["tow-thomas-bandpass"].network
    names = [b.name for b in network.branches]
    grids = {"R": Shelf("E12", 1e4, 1e5), "C": Shelf("E6", 1e-9, 1e-8)}
    w0 = 2 * math.pi * f0
    example = np.array([[STAGES["tow-thomas-bandpass"].example[n] for n in names]])
    sign = float(np.sign(coefficients(network, names, example, w0, 2)[0, 1]))
    target = SectionTarget((0.0, sign * gain / q, 0.0), (1.0, 1 / q, 1.0), w0)
    problem = problem_of(terms_of(analyse(network)), w0, Wishes(grids))
    choice = choose_proven(problem, section_metric(target), floor=0)
    assert choice.proved

    # logarithms of the figures are linear in those of the values: weights by numerical probing
    def figures(values: np.ndarray) -> np.ndarray:
        c = coefficients(network, names, np.exp(values)[None, :], w0, 2)[0]
        n, d = c[:3], c[3:]
        return np.array(
            [
                np.log(d[0] / d[2]) / 2,
                np.log(d[0] * d[2]) / 2 - np.log(d[1]),
                np.log(abs(n[1] / d[1])),
            ]
        )

    middle = np.log(example[0])
    base = figures(middle)
    weights = np.array(
        [figures(middle + np.eye(len(names))[k]) - base for k in range(len(names))]
    ).T
    np.testing.assert_allclose(weights * 2, np.rint(weights * 2), atol=1e-6)  # monomials indeed
    weights = np.rint(weights * 2) / 2
    wanted = np.array([0.0, np.log(q), np.log(gain)])
    options = [np.log(grids[n[0]].values) for n in names]
    count = sum(map(len, options))
    rows, low, high = [], [], []
    start = np.cumsum([0, *map(len, options)])
    for f in range(3):
        row = np.concatenate([weights[f, k] * options[k] for k in range(len(names))])
        offset = base[f] - weights[f] @ middle
        rows += [np.append(row, -1.0), np.append(row, 1.0)]
        low += [-np.inf, wanted[f] - offset]
        high += [wanted[f] - offset, np.inf]
    for k in range(len(names)):
        row = np.zeros(count + 1)
        row[start[k] : start[k + 1]] = 1
        rows.append(row)
        low.append(1)
        high.append(1)
    found = milp(
        np.append(np.zeros(count), 1.0),
        constraints=LinearConstraint(np.array(rows), low, high),
        integrality=np.append(np.ones(count), 0),
        bounds=Bounds(0, np.append(np.ones(count), np.inf)),
        options={"mip_rel_gap": 1e-9},
    )
    assert found.status == 0
    assert choice.best.error == pytest.approx(found.fun, rel=1e-5, abs=2e-6)


def asked(example: dict[str, Any]) -> tuple[float, float, float] | None:
    """f0, Q and gain of a second-order example whose target says them."""
    t = example["target"]
    if "f0_Hz" in t and "Q" in t and t["type"] in ("LP2", "BP2"):
        return t["f0_Hz"], t["Q"], t.get("K", abs(t.get("gain", 1.0)))
    if t.get("type") == "Butterworth LP2":
        return t["fc_Hz"], 1 / math.sqrt(2), 1.0
    if "stage f0" in t:
        return t["stage f0"], t["stage Q"], abs(t["stage gain"])
    if t.get("type") == "Butterworth LP5, stage 3":
        return t["fc_Hz"], t["Q"], 1.0
    if t.get("type") == "Chebyshev 3 dB LP2":
        return t["fc_Hz"] / math.sqrt(t["b1"]), math.sqrt(t["b1"]) / t["a1"], 1.0
    return None


CHOSEN = [e for e in EXAMPLES if e.get("stage") in NETWORKS and "values" in e and asked(e)]


def test_the_examples_that_are_compared_are_known_by_name() -> None:
    assert [e["id"] for e in CHOSEN] == [
        "OPA-16-2",
        "OPA-16-3 stage 3",
        "OPA-16-6 stage 1",
        "OPA-16-6 stage 2",
        "SLOA049-1k",
        "Franco-3.8",
        "Franco-3.10",
        "Franco-3.15",
        "Franco-3.20",
        "SS-GIC-BP",
    ]


@pytest.mark.parametrize("example", CHOSEN, ids=lambda e: e["id"])
def test_our_values_are_never_worse_than_the_printed_ones(example: dict[str, Any]) -> None:
    """From E96 with E24 and the printed values themselves, so that the printed choice is ours to
    make whatever series it came from; the error by the oracle's formulas."""
    f0, q, gain = asked(example)  # type: ignore[misc]
    network = NETWORKS[example["stage"]]
    names = [b.name for b in network.branches]
    w0 = 2 * math.pi * f0
    printed = np.array([[example["values"][n] for n in names]])
    c = coefficients(network, names, printed, w0, 2)[0]
    bandpass = abs(c[1]) > 1e3 * abs(c[0])
    sign = math.copysign(1.0, c[1] if bandpass else c[0])
    top = (0.0, sign * gain / q, 0.0) if bandpass else (sign * gain, 0.0, 0.0)
    target = SectionTarget(top, (1.0, 1 / q, 1.0), w0)
    grids = {}
    for letter, (low, high) in {"R": (10.0, 1e6), "C": (1e-10, 1e-6)}.items():
        own = [example["values"][n] for n in names if n[0] == letter]
        series = [Shelf("E12", low, high), Shelf("E24", min(own), max(own))]
        if letter == "R":
            series.append(Shelf("E96", min(own) / 10, max(own) * 10))
        grids[letter] = union([*series, *(_one(v) for v in own)])
    problem = problem_of(terms_of(analyse(network)), w0, Wishes(grids))
    choice = choose_proven(problem, section_metric(target), floor=0, work=5e6)
    ours = np.array([[choice.best.values[n] for n in names]])
    found = coefficients(network, names, ours, w0, 2)
    theirs = section_errors(c[None, :], target.numerator, target.denominator)[0]
    mine = section_errors(found, target.numerator, target.denominator)[0]
    assert mine == pytest.approx(choice.best.error, rel=1e-5, abs=1e-8)
    assert mine <= theirs + 1e-9


def _one(value: float) -> Any:
    from synth.values.grids import fixed

    return fixed(value)
