"""The proven choice of values against brute force, and its error against nearest rounding.

Full windows, resistors E96 from 1k to 1M and capacitors E12 from 100p to 1u.  Targets are the
responses of random exact designs, so that rounding each part of the design to its nearest value
is a fair rival.  The time of brute force is extrapolated from its rate on a sample, measured in
the same run with the vectorised evaluator.  Times are processor seconds; the limits on time are
for each stage, that on the error for the median over the stages.
"""

from __future__ import annotations

import math
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from synth.analysis.loop import analyse
from synth.analysis.terms import terms_of
from synth.catalog import stages
from synth.search.candidates import SectionTarget
from synth.values.metrics import LogMetric, section_metric
from synth.values.problem import Problem, Wishes, problem_of
from synth.values.proven import choose_proven
from synth.values.series import CAPACITORS, RESISTORS, nearest

Parts = dict[str, float]


@dataclass(frozen=True)
class Row:
    """A stage, what is kept, how an exact design is balanced, and the limit in milliseconds.

    The limit is ten times the median of a compiled trial of the method, where there is one.
    """

    stage: str
    keep: Parts = field(default_factory=dict)
    balance: Callable[[Parts], Parts] = lambda p: {}
    limit: float | None = None


TENS = {"R4": 1e4, "R5": 1e4}
ROWS = (
    Row("sallen-key-lowpass-unity", limit=130),
    Row("sallen-key-highpass-unity", limit=130),
    Row("multiple-feedback-lowpass", limit=240),
    Row("multiple-feedback-highpass", limit=240),
    Row("multiple-feedback-bandpass", limit=240),
    Row("sallen-key-lowpass-gain", limit=540),
    Row("sallen-key-highpass-gain", limit=540),
    Row("sallen-key-bandpass-gain", {"RA": 1e4}, limit=540),
    Row("tow-thomas-lowpass", {"R5": 1e4, "R6": 1e4}, limit=330),
    Row("tow-thomas-bandpass", {"R5": 1e4, "R6": 1e4}, limit=330),
    Row("fliege-notch", TENS, lambda p: {"R6": p["R1"] * p["R5"] / p["R4"]}, 330),
    Row("impedance-converter-notch", {"R1": 1e4, "RA": 1e4, "RB": 1e4}, limit=330),
    Row("fliege-allpass", TENS, limit=330),
    Row("tow-thomas-lowpass"),
    Row("fliege-allpass", balance=lambda p: {"R5": p["R4"]}),
    Row("fliege-notch", balance=lambda p: {"R6": p["R1"] * p["R5"] / p["R4"]}),
    Row("bainter-notch"),
)
SHELVES = {"R": RESISTORS, "C": CAPACITORS}
LEVELS = {"R": (3e3, 3e5), "C": (1e-9, 1e-7)}


def design(row: Row, generator: np.random.Generator) -> tuple[Problem, LogMetric, float] | None:
    """A random problem and the error of rounding its exact design; None for an odd response."""
    stage = next(s for s in stages() if s.name == row.stage)
    terms = terms_of(analyse(stage.network))
    parts = {n: math.exp(generator.uniform(*np.log(LEVELS[n[0]]))) for n in terms.names}
    parts.update(row.keep)
    parts.update(row.balance(parts))
    n, d = terms.coefficients(np.log([[parts[x] for x in terms.names]]))
    n, d = n[0] / d[0, -1], d[0] / d[0, -1]
    if not (d > 0).all():
        return None
    w0 = float(np.sqrt(d[0]))
    scale = w0 ** (np.arange(3.0) - 2)
    n, d = n * scale, d * scale
    n[np.abs(n) < 1e-9 * np.abs(n / d).max() * d] = 0.0
    if not 0.3 < 1 / d[1] < 20 or not 0.1 < np.abs(n / d).max() < 50:
        return None
    metric = section_metric(SectionTarget(tuple(n), tuple(d), w0))
    problem = problem_of(terms, w0, Wishes(SHELVES, row.keep))
    rounded = [[nearest(parts[e.parts[0]], SHELVES[e.letter]) for e in problem.elements]]
    return problem, metric, float(metric.errors(problem.coefficients(np.array(rounded)))[0])


def brute_rate(problem: Problem, metric: LogMetric, generator: np.random.Generator) -> float:
    """Choices a second of plain vectorised evaluation, chunks that fit the cache."""
    sample = np.column_stack([generator.choice(e.values, 4096) for e in problem.elements])
    done = 0
    start = time.process_time()
    while time.process_time() - start < 0.2:
        metric.errors(problem.coefficients(sample))
        done += len(sample)
    return done / (time.process_time() - start)


def main(targets: int = 8) -> None:
    """Print one line for each stage."""
    print(
        "stage, free elements: proved, ms median / max (limit of the median), times faster than "
        "brute force (limit: 1000), error over nearest rounding"
    )
    shares = []
    for row in ROWS:
        generator = np.random.default_rng(5)
        spent, faster, better, proved = [], [], [], 0
        while len(spent) < targets:
            made = design(row, generator)
            if made is None:
                continue
            problem, metric, rounded = made
            start = time.process_time()
            choice = choose_proven(problem, metric, floor=0)
            spent.append(time.process_time() - start)
            brute = problem.combinations / brute_rate(problem, metric, generator)
            faster.append(brute / spent[-1])
            better.append(choice.best.error / rounded)
            proved += choice.proved
        shares.append(statistics.median(better))
        limit = f" ({row.limit:g})" if row.limit else ""
        print(
            f"  {row.stage}, {len(problem.elements)}: {proved}/{targets}, "
            f"{1e3 * statistics.median(spent):.0f} / {1e3 * max(spent):.0f}{limit}, "
            f"{statistics.median(faster):.2g}, {shares[-1]:.3f}",
            flush=True,
        )
    middle, largest = statistics.median(shares), max(shares)
    print(
        f"error over nearest rounding, median over the stages (limit: 0.1): {middle:.3f}; largest "
        f"{largest:.3f}, the proved optimum of a stage with coarse capacitor ratios"
    )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
