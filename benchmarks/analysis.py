"""Exact analysis of every terminal against sympy's `solve` of the same nodal equations."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from functools import partial

import sympy

from synth.analysis.equations import equations
from synth.analysis.loop import analyse
from synth.analysis.ring import Poly
from synth.catalog import stage, stages
from synth.network.model import Network
from synth.transform.cascade import cascade


def best_of(times: int, work: Callable[[], object]) -> float:
    """Shortest of several runs, in seconds."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return min(found)


def solve_with_sympy(network: Network) -> object:
    """Write the nodal equations in sympy symbols and solve them, unsimplified."""
    eq = equations(network)
    s = sympy.Symbol("s")
    symbols = [sympy.Symbol(b.name) for b in network.branches]
    y = [
        s**b.power * (x if b.power > 0 else 1 / x)
        for b, x in zip(network.branches, symbols, strict=True)
    ]

    def expression(poly: Poly) -> sympy.Expr:
        return sympy.Add(
            *(
                c * sympy.Mul(*(y[k] for k in range(len(y)) if mask >> k & 1))
                for mask, c in poly.items()
            )
        )

    unknowns = sympy.symbols(f"v0:{len(eq.unknowns)}")
    sources = {t: sympy.Symbol(f"e_{t.part}_{t.pin}") for t in network.terminals}
    rows = [
        sum(expression(p) * unknowns[c] for c, p in row.items())
        - sum(expression(p) * sources[t] for t, p in known.items())
        for row, known in zip(eq.rows, eq.sources, strict=True)
    ]
    return sympy.solve(rows, unknowns, dict=True, simplify=False, rational=False)


def main() -> None:
    """Print the ratios."""
    ratios = []
    for item in stages():
        if not equations(item.network).unknowns:
            continue
        ours = best_of(5, partial(analyse, item.network))
        theirs = best_of(1, partial(solve_with_sympy, item.network))
        ratios.append(theirs / ours)
    ratios.sort()
    print(f"sympy solve / exact analysis, {len(ratios)} stages (limit: median at least 40)")
    print(f"  median {statistics.median(ratios):.0f}, least {ratios[0]:.0f}, most {ratios[-1]:.0f}")
    one = stage("sallen-key-lowpass-unity").network
    five = cascade([one] * 5).network
    ratio = best_of(20, partial(analyse, five)) / best_of(20, partial(analyse, one))
    print("five Sallen-Key stages in cascade / one stage (limit: under 20)")
    print(f"  {ratio:.1f}")


if __name__ == "__main__":
    main()
