"""Monte Carlo responses against a batched matrix solve of the same circuits, and end to end.

The reference is what a plain program does: modified nodal analysis of the whole circuit (every
node, the source's and the op amps' currents), one `numpy.linalg.solve` of a batch of circuits
and frequencies, the matrices made beforehand.  Times are processor seconds, the works interleaved,
the least of several runs.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from synth.catalog import stage
from synth.network.model import Network
from synth.tolerances.corners import worst_case
from synth.tolerances.draws import BLOCK, draw
from synth.tolerances.factored import ComplexArray, Factored
from synth.tolerances.model import model_of
from synth.tolerances.montecarlo import percentiles, sample
from synth.tolerances.nodal import nodal
from synth.tolerances.spread import Array, Spread, ranges
from synth.transform.cascade import cascade

CIRCUITS, FREQUENCIES, SLICE = 100_000, 200, 20
SOLVED, AT = 2000, 5  # circuits and frequencies of the reference
RUNS = 7


def matrices(network: Network) -> tuple[Array, Array]:
    """Incidence of the admittances, (parts, n, n), and of source and op amps, (n, n)."""
    nodes = [n for n in network.nodes if n != network.reference]
    index = {n: k for k, n in enumerate(nodes)}
    size = len(nodes) + 1 + len(network.op_amps)
    parts = np.zeros((len(network.branches), size, size))
    for k, b in enumerate(network.branches):
        ends = [index.get(n) for n in b.nodes]
        for i, sign in zip(ends, (1, -1), strict=True):
            for j, other in zip(ends, (1, -1), strict=True):
                if i is not None and j is not None:
                    parts[k, i, j] += sign * other
    fixed = np.zeros((size, size))
    row = len(nodes)
    fixed[row, index[network.input]] = fixed[index[network.input], row] = 1
    for k, u in enumerate(network.op_amps, start=row + 1):
        fixed[index[u.out], k] = 1
        for node, sign in ((u.plus, 1), (u.minus, -1)):
            if node in index:
                fixed[k, index[node]] += sign
    return parts, fixed


def equations(network: Network, ratios: Array, frequencies: Array) -> tuple[ComplexArray, Array]:
    """Matrices of modified nodal analysis, (frequencies, circuits, n, n), and the right side."""
    parts, fixed = matrices(network)
    right = np.zeros((len(fixed), 1))
    right[len([n for n in network.nodes if n != network.reference])] = 1
    values = ratios * np.array([b.value for b in network.branches])
    powers = np.array([b.power for b in network.branches])
    rows = [
        np.where(powers > 0, values, 1 / values) * (2j * np.pi * f) ** powers for f in frequencies
    ]
    return np.tensordot(np.array(rows), parts, 1) + fixed, right


def seconds(work: Callable[[], object]) -> float:
    """Processor time of one run."""
    start = time.process_time()
    work()
    return time.process_time() - start


def main() -> None:
    """Print the ratios."""
    chain = cascade([stage(n).circuit() for n in ("sallen-key-lowpass-unity",) * 3]).network
    circuits = {
        n: stage(n).circuit()
        for n in ("sallen-key-lowpass-unity", "tow-thomas-bandpass", "state-variable-notch")
    } | {"three sallen-key-lowpass-unity": chain}
    print(f"{CIRCUITS} circuits x {FREQUENCIES} frequencies, reference / ours for one response")
    for name, network in circuits.items():
        compare(name, network)


def compare(name: str, network: Network) -> None:
    """Print the ratios of one circuit."""
    model, loop = model_of(network)
    assert isinstance(model, Factored)
    assert loop is not None
    given = ranges(network, Spread())
    ratios = np.vstack([draw(given, 0, k) for k in range(CIRCUITS // BLOCK)])
    grid = model.w_ref / (2 * np.pi) * np.geomspace(0.1, 10, FREQUENCIES)
    few, some = ratios[:SOLVED], grid[:: FREQUENCIES // AT]
    prepared = model.prepare(ratios)
    matrix, right = equations(network, few, some)
    at = [n for n in network.nodes if n != network.reference].index(network.output)
    want = np.abs(np.linalg.solve(matrix, right)[:, :, at, 0]) ** 2
    got = model.squares(prepared[:, :SOLVED], some)
    assert np.abs(got - want).max() <= 1e-9 * want.max()
    other = nodal(network)
    times = np.full(5, np.inf)

    def evaluate() -> None:
        for k in range(0, FREQUENCIES, SLICE):
            model.squares(prepared, grid[k : k + SLICE])

    def whole() -> None:
        drawn = sample(model, given, samples=CIRCUITS)
        percentiles(model, drawn, grid, (5.0, 50.0, 95.0))

    work = (
        lambda: np.linalg.solve(matrix, right),
        lambda: other.squares(other.prepare(few), some),
        evaluate,
        whole,
        lambda: worst_case(loop, given, grid),
    )
    for _ in range(RUNS):
        times = np.minimum(times, [seconds(w) for w in work])
    plain, reduced = times[:2] / (SOLVED * len(some))
    ours, all_of_it = times[2:4] / (CIRCUITS * FREQUENCIES)
    size = matrix.shape[-1]
    print(f"{name}")
    print(f"  {size}x{size} modified nodal / evaluation (limit: 200)  {plain / ours:.0f}")
    print(f"  {len(other.right[0])}x{len(other.right[0])} reduced nodal / evaluation"
          f"  {reduced / ours:.0f}")  # fmt: skip
    print(f"  {size}x{size} / drawing, evaluation and percentiles  {plain / all_of_it:.0f}")
    share = times[4] / times[3]
    print(f"  worst case at {FREQUENCIES} frequencies / that whole run  {share:.2f}")


if __name__ == "__main__":
    main()
