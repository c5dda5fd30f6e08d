"""Loops: one common denominator D(s) and one numerator N_k(s) for each terminal, exact.

Raise every terminal of a network, and the inaccessible reference of every op amp, by one volt:
every node rises by one volt.  The terminals' transfers therefore sum to 1 when the op amps are
ideal (the reference of an ideal op amp is in series with its output, where a source changes
nothing).  A circuit is a loop and a *drive*, the fraction of the input that each terminal gets:
``H = sum a_k T_k`` and ``1 - H = sum (1 - a_k) T_k``.  Interchanging input and ground is the
drive ``1 - a_k``.

A differential output is the difference of two nodes, and both rise by one volt: its transfers sum
to 0, so that interchanging input and ground turns ``H`` into ``-H``.  One that reads a node against
the input touches the source with a terminal of its own, of transfer -1, and is ``H - 1``: the
complement of that node's ``H``, its sign reversed, without moving a part.

Source: D. Hilberman, Input and ground as complements in active filters, IEEE Trans. Circuit
Theory CT-20 (1973) 540-547 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import NamedTuple, TypeVar

from synth.analysis.blocks import Block, split
from synth.analysis.equations import Equations, equations
from synth.analysis.ring import ONE, Coefficient, Poly, add, determinant, negate, product, scale
from synth.errors import SingularError
from synth.network.model import Network, OpAmp, Terminal

#: Fraction of the input that drives each terminal; terminals not named get 0.
Drive = Mapping[Terminal, Fraction]
#: A product of polynomials; the empty product is 1.
Factors = tuple[Poly, ...]

_Label = TypeVar("_Label", bound=Hashable)

_NONE, _ALL = Fraction(0), Fraction(1)


class Solution(NamedTuple):
    """One unknown: ``v = sum_x coefficients[x] * x / D[block]``, x a terminal or a column."""

    block: int
    coefficients: Mapping[int | Terminal, Poly]


@dataclass(frozen=True)
class Loop:
    """A network with its terminals set free.

    Parameters
    ----------
    network : Network
        The network analysed.
    equations : Equations
        Its nodal equations.
    determinants : tuple of Poly
        Determinant of each block of the equations; their roots are the natural modes.
    solutions : mapping
        Column -> its solution, for the columns that the output depends on.
    denominators : tuple of Poly
        The determinants that the output depends on: the factors of D.
    """

    network: Network
    equations: Equations
    determinants: tuple[Poly, ...]
    solutions: Mapping[int, Solution]
    denominators: Factors

    @cached_property
    def numerators(self) -> Mapping[Terminal, Factors]:
        """Terminal -> factors of its numerator over D; a terminal with no effect is absent."""
        return _numerators(self.equations, self.solutions, self.determinants, lambda t: (t, _ALL))

    @property
    def variables(self) -> tuple[str, ...]:
        """Branch names; variable k is bit k of a monomial."""
        return self.equations.variables

    @property
    def drive(self) -> dict[Terminal, Fraction]:
        """The drive of the network as it stands: 1 at the input, 0 at ground."""
        return {t: _NONE if t.at == "ground" else _ALL for t in self.network.terminals}

    @property
    def fixed(self) -> tuple[Terminal, ...]:
        """Terminals that a drive may not move, with their reason in ``held``."""
        return tuple(t for t in self.network.terminals if t.held)

    def transfer(self, drive: Drive | None = None) -> Factors | None:
        """Return the factors of the numerator over D under `drive`; None when it is zero.

        The factors of a cascade are kept apart wherever all of the signal passes one node.
        """
        return self._as_driven if drive is None else self._driven(drive)

    @cached_property
    def _as_driven(self) -> Factors | None:
        return self._driven(self.drive)

    def _driven(self, drive: Drive) -> Factors | None:
        found = _numerators(
            self.equations,
            self.solutions,
            self.determinants,
            lambda t: ("in", drive.get(t, _NONE)),
        )
        return found.get("in")

    def complement(self, drive: Drive | None = None) -> dict[Terminal, Fraction]:
        """Return the drive with input and ground interchanged at every free terminal."""
        weights = self.drive if drive is None else drive
        return {
            t: weights.get(t, Fraction(0)) if t.held else 1 - weights.get(t, Fraction(0))
            for t in self.network.terminals
        }


def analyse(network: Network) -> Loop:
    """Return the exact loop of `network`, in its part names; values are not needed.

    Raises
    ------
    SingularError
        If the equations have no unique solution.
    """
    eq = equations(network)
    try:
        blocks = split(eq.rows, eq.row_nodes)
    except SingularError as error:
        raise _named(network, error) from error
    determinants = []
    for k, block in enumerate(blocks):
        d = _determinant(eq, block)
        if not d:
            nodes = ", ".join(eq.row_nodes[r] for r in blocks[k].rows)
            raise SingularError(
                f"the equations at nodes {nodes} have no unique solution for any part values; "
                "an op amp without a feedback path is the usual cause"
            )
        determinants.append(d)
    solutions = _solve(eq, blocks)
    return Loop(
        network=network,
        equations=eq,
        determinants=tuple(determinants),
        solutions=solutions,
        denominators=tuple(determinants[b] for b in sorted({x.block for x in solutions.values()})),
    )


def _named(network: Network, error: SingularError) -> SingularError:
    """Return an error that names the op amp without feedback, where there is one."""
    lost = _without_feedback(network)
    if not lost:
        return error
    return SingularError(
        f"the voltage at node {lost[0].out} is not determined: no path leads from the output of "
        f"{lost[0].name} back to its inputs, as in a comparator; close its feedback, or take it "
        "out of the circuit"
    )


def _without_feedback(network: Network) -> list[OpAmp]:
    """Return the op amps from whose output nothing leads back to an input of their own."""
    fixed = set(network.fixed_nodes)
    driven = {u.out for u in network.op_amps}
    found = []
    for u in network.op_amps:
        reached, fresh = {u.out}, [u.out]
        while fresh:
            node = fresh.pop()
            far = {n for b in network.branches if node in b.nodes for n in b.nodes}
            far -= driven  # another output holds its node, whatever a part does there
            far |= {v.out for v in network.op_amps if node in (v.plus, v.minus)}
            fresh += far - reached - fixed
            reached |= far - fixed
        if not reached & ({u.plus, u.minus} - fixed):
            found.append(u)
    return found


def _determinant(eq: Equations, block: Block) -> Poly:
    place = {c: k for k, c in enumerate(block.columns)}
    return determinant(
        [{place[c]: p for c, p in eq.rows[r].items() if c in place} for r in block.rows]
    )


def _solve(eq: Equations, blocks: Sequence[Block]) -> dict[int, Solution]:
    """Solve by Cramer's rule for the output's column and every column it depends on."""
    block_of = {c: k for k, block in enumerate(blocks) for c in block.columns}
    solutions: dict[int, Solution] = {}
    wanted = [x for x, _ in eq.output if isinstance(x, int)]
    while wanted:
        column = wanted.pop()
        if column in solutions:
            continue
        k = block_of[column]
        coefficients = _cramer(eq, blocks[k], column)
        solutions[column] = Solution(k, coefficients)
        wanted.extend(x for x in coefficients if isinstance(x, int))
    return solutions


def _cramer(eq: Equations, block: Block, column: int) -> dict[int | Terminal, Poly]:
    """Numerators of one unknown over the block's determinant, for all sources in one go.

    The right-hand side replaces the unknown's column; a marker variable for each source keeps
    their parts of the determinant, which is linear in that column, apart.
    """
    place = {c: k for k, c in enumerate(block.columns)}
    marker = 1 << len(eq.variables)
    bits: dict[int | Terminal, int] = {}
    rows: list[dict[int, Poly]] = []
    for r in block.rows:
        entry: dict[int, Coefficient] = {}
        known: list[tuple[int | Terminal, Poly, int]] = [
            (t, p, 1) for t, p in eq.sources[r].items()
        ]
        known += [(c, p, -1) for c, p in eq.rows[r].items() if c not in place]
        for source, poly, sign in known:
            bit = bits.setdefault(source, marker << len(bits))
            for mask, c in poly.items():
                entry[mask | bit] = entry.get(mask | bit, 0) + sign * c
        row = {place[c]: p for c, p in eq.rows[r].items() if c in place and c != column}
        if entry:
            row[place[column]] = entry
        rows.append(row)
    whole = determinant(rows)
    parts: dict[int | Terminal, dict[int, Coefficient]] = {}
    source_of = {bit: source for source, bit in bits.items()}
    for mask, c in whole.items():
        bit = mask & ~(marker - 1)
        parts.setdefault(source_of[bit], {})[mask ^ bit] = c
    return dict(parts)


def _numerators(
    eq: Equations,
    solutions: Mapping[int, Solution],
    determinants: Sequence[Poly],
    label: Callable[[Terminal], tuple[_Label, Fraction]],
) -> dict[_Label, Factors]:
    """Carry the sources forward to the output; sources of one label are added by weight.

    Returns for each label the numerator's factors over the common denominator.
    """
    done: dict[int, tuple[frozenset[int], dict[_Label, Factors]]] = {}

    def value(column: int) -> tuple[frozenset[int], dict[_Label, Factors]]:
        if column in done:
            return done[column]
        solution = solutions[column]
        earlier = {x: value(x) for x in solution.coefficients if isinstance(x, int)}
        blocks = frozenset({solution.block}).union(*(b for b, _ in earlier.values()))
        direct: dict[_Label, Poly] = {}
        terms: dict[_Label, list[Factors]] = {}
        for x, poly in solution.coefficients.items():
            if isinstance(x, int):
                continue
            name, weight = label(x)
            if weight:
                direct[name] = add(direct.get(name, {}), _weighted(poly, weight))
        for name, poly in direct.items():
            if poly:
                rest = sorted(blocks - {solution.block})
                terms.setdefault(name, []).append((poly, *(determinants[b] for b in rest)))
        for x, (inner, numerators) in earlier.items():
            rest = sorted(blocks - {solution.block} - inner)
            for name, factors in numerators.items():
                terms.setdefault(name, []).append(
                    (solution.coefficients[x], *factors, *(determinants[b] for b in rest))
                )
        sums = {name: _sum(factors) for name, factors in terms.items()}
        done[column] = (blocks, {name: f for name, f in sums.items() if f is not None})
        return done[column]

    def read(x: int | Terminal) -> tuple[frozenset[int], dict[_Label, Factors]]:
        if isinstance(x, int):
            return value(x)
        name, weight = label(x)
        return frozenset(), {name: (_weighted(ONE, weight),)} if weight else {}

    (first, _), *others = eq.output
    needed, found = read(first)
    for x, sign in others:
        needed, found = _plus(needed, found, *read(x), Fraction(sign), determinants)
    return found


def _plus(
    blocks: frozenset[int],
    numerators: Mapping[_Label, Factors],
    more_blocks: frozenset[int],
    more: Mapping[_Label, Factors],
    weight: Fraction,
    determinants: Sequence[Poly],
) -> tuple[frozenset[int], dict[_Label, Factors]]:
    """Add `weight` times other transfers, over the common denominator of both."""
    both = blocks | more_blocks
    terms: dict[_Label, list[Factors]] = {}
    for name, factors in numerators.items():
        rest = (determinants[b] for b in sorted(both - blocks))
        terms.setdefault(name, []).append((*factors, *rest))
    for name, factors in more.items():
        rest = (determinants[b] for b in sorted(both - more_blocks))
        terms.setdefault(name, []).append((_weighted(ONE, weight), *factors, *rest))
    sums = {name: _sum(factors) for name, factors in terms.items()}
    return both, {name: f for name, f in sums.items() if f is not None}


def _weighted(p: Poly, weight: Fraction) -> Poly:
    return p if weight == 1 else scale(p, weight)  # whole drives keep integer coefficients


def _sum(terms: Sequence[Factors]) -> Factors | None:
    """Add products of factors, taking common factors out first; None for zero."""
    if len(terms) == 1:
        return terms[0]
    common: list[Poly] = []
    rests = [list(t) for t in terms]
    for factor in terms[0]:
        if all(factor in rest for rest in rests):
            for rest in rests:
                rest.remove(factor)
            common.append(factor)
    total: Poly = {}
    for rest in rests:
        total = add(total, product(rest))
    return (*common, total) if total else None


def expanded(factors: Factors | None) -> Poly:
    """Multiply the factors out; the zero polynomial for None."""
    return product(factors) if factors is not None else {}


def law_holds(loop: Loop) -> bool:
    """Say whether the numerators of all terminals sum to D, identically in the part values.

    To 0 where the output is differential.  It is the theorem itself; the function serves tests
    and reports, and is exact.
    """
    total: Poly = {}
    for factors in loop.numerators.values():
        total = add(total, expanded(factors))
    if not loop.network.reading.against:
        total = add(total, negate(expanded(loop.denominators)))
    return not total
