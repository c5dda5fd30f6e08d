"""T_hidden in part names: what a volt at the op amps' own references does while A is finite.

An op amp of gain A amplifies against its inaccessible reference: ``v_out - e = A (v+ - v-)``.
Divided by A this is a row of the nodal equations in which e and v_out stand with 1/A only, so
both vanish from it as A grows and ``v+ = v-`` is left: the nullator.
"""

from __future__ import annotations

from dataclasses import dataclass

from synth.analysis.ring import Poly, add, determinant, scale
from synth.analysis.symbolic import Formula, formula
from synth.errors import NetworkError
from synth.network.model import Branch, Network

#: A formula with a minor of more terms than this is not for a reader.
MOST_TERMS = 2000


@dataclass(frozen=True)
class HiddenTransfer:
    """T_hidden = numerator / denominator, exact.

    Parameters
    ----------
    symbols : tuple of Branch
        The network's branches, then one for each op amp whose "resistance" is its gain A.
    gains : tuple of (str, str)
        Op amp, and the symbol of its gain.
    numerator, denominator : Poly
        In the admittances of the symbols: 1/A for a gain.
    """

    symbols: tuple[Branch, ...]
    gains: tuple[tuple[str, str], ...]
    numerator: Poly
    denominator: Poly

    @property
    def formula(self) -> Formula:
        """T_hidden in part names and gains."""
        return formula(
            (self.numerator,) if self.numerator else None, (self.denominator,), self.symbols
        )

    @property
    def vanishes(self) -> bool:
        """Whether T_hidden goes to 0 as the gains grow: 1/A in all of N and not in all of D."""
        gains = sum(1 << k for k in range(len(self.symbols) - len(self.gains), len(self.symbols)))
        return all(m & gains for m in self.numerator) and any(
            not m & gains for m in self.denominator
        )


def hidden_transfer(network: Network) -> HiddenTransfer | None:
    """Return T_hidden of a network with gains of its own in part names.

    Returns
    -------
    HiddenTransfer or None
        None where it has too many terms to be read.
    """
    fixed = network.fixed_nodes
    nodes = [n for n in network.nodes if n not in fixed]
    index = {n: k for k, n in enumerate(nodes)}
    symbols, gains = _symbols(network)
    first = len(network.branches)
    outputs = {u.out for u in network.op_amps}
    rows: list[dict[int, Poly]] = [{} for _ in nodes]

    def put(row: int, node: str, entry: Poly) -> None:
        if node in index:
            rows[row][index[node]] = add(rows[row].get(index[node], {}), entry)

    for k, b in enumerate(network.branches):
        for here, there in ((0, 1), (1, 0)):
            row = index.get(b.nodes[here])
            if row is not None and b.nodes[here] not in outputs:
                put(row, b.nodes[here], {1 << k: 1})
                put(row, b.nodes[there], {1 << k: -1})
    sources: dict[int, Poly] = {}
    for k, u in enumerate(network.op_amps):
        row = index[u.out]
        put(row, u.out, {1 << (first + k): 1})
        put(row, u.plus, {0: -1})
        put(row, u.minus, {0: 1})
        sources[row] = {1 << (first + k): 1}
    clean = [{c: p for c, p in row.items() if p} for row in rows]

    def driven(out: int) -> list[dict[int, Poly]]:
        return [
            {c: p for c, p in row.items() if c != out} | ({out: sources[k]} if k in sources else {})
            for k, row in enumerate(clean)
        ]

    numerator: Poly = {}
    try:
        for node, weight in network.reading.weights:
            if node in index:  # an input stands at 0 V
                numerator = add(
                    numerator, scale(determinant(driven(index[node]), MOST_TERMS), weight)
                )
        return HiddenTransfer(symbols, gains, numerator, determinant(clean, MOST_TERMS))
    except NetworkError:
        return None


def _symbols(network: Network) -> tuple[tuple[Branch, ...], tuple[tuple[str, str], ...]]:
    taken = {b.name for b in network.branches} | {"s"}
    gains = []
    for u in network.op_amps:
        name = "A" if len(network.op_amps) == 1 else f"A{u.name.removeprefix('U')}"
        while name in taken:
            name += "x"
        taken.add(name)
        gains.append((u.name, name))
    made = tuple(Branch(symbol, 0, (u, "")) for u, symbol in gains)
    return (*network.branches, *made), tuple(gains)
