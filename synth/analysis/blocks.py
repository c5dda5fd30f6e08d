"""Block-triangular form: the strongly connected parts of the equations, in order of solution.

Kirchhoff's law is not written at an ideal op-amp output, so a stage driven from one never acts
back on the stage before it.  A chain of stages therefore falls apart into blocks, found as the
strongly connected components of the matched equations (A. L. Dulmage and N. S. Mendelsohn,
Canad. J. Math. 10 (1958) 517-534, from memory).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from synth.analysis.ring import Poly
from synth.errors import SingularError


class Block(NamedTuple):
    """A square set of equations to be solved together."""

    rows: tuple[int, ...]
    columns: tuple[int, ...]


def split(rows: Sequence[Mapping[int, Poly]], names: Sequence[str]) -> tuple[Block, ...]:
    """Split the equations into blocks, each needing only the blocks before it.

    Parameters
    ----------
    rows : sequence of mappings
        Column -> nonzero entry.
    names : sequence of str
        A name for each row (its node), for the message.

    Raises
    ------
    SingularError
        If some equations cannot be matched with an unknown of their own.
    """
    row_of = _matching(rows, names)
    column_of = {row: column for column, row in row_of.items()}
    graph = {column: [c for c in rows[row_of[column]] if c != column] for column in sorted(row_of)}
    order = {column_of[r]: r for r in range(len(rows))}
    return tuple(
        Block(tuple(sorted(order[c] for c in component)), tuple(sorted(component)))
        for component in _components(graph)
    )


def _matching(rows: Sequence[Mapping[int, Poly]], names: Sequence[str]) -> dict[int, int]:
    row_of: dict[int, int] = {}

    def place(row: int, tried: set[int]) -> bool:
        for column in rows[row]:
            if column in tried:
                continue
            tried.add(column)
            if column not in row_of or place(row_of[column], tried):
                row_of[column] = row
                return True
        return False

    for row in range(len(rows)):
        if not place(row, set()):
            raise SingularError(
                f"the voltages of the network are not determined (around node {names[row]}); "
                "an op amp without a feedback path, or a loop of two op amps, is the usual cause"
            )
    return row_of


def _components(graph: Mapping[int, Sequence[int]]) -> list[list[int]]:
    """Strongly connected components, each after the ones it points to (R. E. Tarjan, 1972)."""
    number: dict[int, int] = {}
    low: dict[int, int] = {}
    stack: list[int] = []
    on_stack: set[int] = set()
    result: list[list[int]] = []
    for start in graph:
        if start in number:
            continue
        work = [(start, iter(graph[start]))]
        number[start] = low[start] = len(number)
        stack.append(start)
        on_stack.add(start)
        while work:
            node, successors = work[-1]
            for nxt in successors:
                if nxt not in number:
                    number[nxt] = low[nxt] = len(number)
                    stack.append(nxt)
                    on_stack.add(nxt)
                    work.append((nxt, iter(graph[nxt])))
                    break
                if nxt in on_stack:
                    low[node] = min(low[node], number[nxt])
            else:
                work.pop()
                if work:
                    low[work[-1][0]] = min(low[work[-1][0]], low[node])
                if low[node] == number[node]:
                    component = []
                    while True:
                        member = stack.pop()
                        on_stack.discard(member)
                        component.append(member)
                        if member == node:
                            break
                    result.append(component)
    return result
