"""Published networks against the exact analysis: H(s) in the part names, and the sum of terminals.

Source of every entry: the field `source` of tests/published/published_stages.json.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import networkx as nx
import pytest
from sympy import QQ
from sympy.polys.fields import field

from synth.analysis.loop import analyse
from synth.catalog import stages
from synth.network.model import POWERS, Branch, Network, OpAmp, Port
from synth.transfer.expression import parse

ENTRIES = json.loads(
    (Path(__file__).parent / "published" / "published_stages.json").read_text(encoding="utf-8")
)
by_name = pytest.mark.parametrize("entry", ENTRIES, ids=[e["name"] for e in ENTRIES])


def network_of(entry: dict[str, Any]) -> Network:
    def at(node: str) -> str:
        return "0" if node == "gnd" else node

    branches, op_amps = [], []
    for kind, name, *nodes in entry["elements"]:
        pins = [at(n) for n in nodes]
        if kind == "opamp":
            op_amps.append(OpAmp(name, *pins))
        else:
            branches.append(Branch(name, POWERS[kind], (pins[0], pins[1])))
    return Network(
        tuple(branches),
        tuple(op_amps),
        (Port("input", entry["input"]),),
        (Port("output", entry["output"]),),
    )


def read(text: str, values: dict[str, Any], domain: Any) -> Any:
    def number(x: Fraction | float) -> Any:
        f = Fraction(x)
        return domain(QQ(f.numerator, f.denominator))

    return parse(text.replace("**", "^"), values).evaluate(values, number)


def substituted(entry: dict[str, Any]) -> tuple[dict[str, Any], Any]:
    """Return a field element for every name, the constraints of `reduced` put in."""
    texts = " ".join(e[1] for e in entry["elements"]) + " s " + entry["H"]
    names = sorted(set(re.findall(r"[A-Za-z]\w*", texts + " " + entry.get("reduced", ""))))
    domain = field(names, QQ)[0]
    values = dict(zip(names, domain.gens, strict=True))
    for chain in filter(None, entry.get("reduced", "").split(",")):
        *left, right = (x.strip() for x in chain.split("="))
        for name in left:
            values[name] = read(right, values, domain)
    return values, domain


def test_the_file_is_complete() -> None:
    assert len(ENTRIES) == 89  # as the collection's own description says


@by_name
def test_the_analysis_gives_the_published_transfer(entry: dict[str, Any]) -> None:
    network = network_of(entry)
    loop = analyse(network)
    values, domain = substituted(entry)
    y = [
        values["s"] ** b.power * (values[b.name] if b.power > 0 else 1 / values[b.name])
        for b in network.branches
    ]

    def product(factors: Any) -> Any:
        whole = domain(1)
        for poly in factors:
            total = domain(0)
            for mask, c in poly.items():
                term = domain(c)
                for k, admittance in enumerate(y):
                    if mask >> k & 1:
                        term *= admittance
                total += term
            whole *= total
        return whole

    denominator = product(loop.denominators)
    numerators = {t: product(f) for t, f in loop.numerators.items()}
    driven = sum((n for t, n in numerators.items() if t.at != "ground"), domain(0))
    assert driven / denominator == read(entry["H"], values, domain)
    # the law of complements: D. Hilberman, IEEE Trans. Circuit Theory CT-20 (1973) 540-547
    assert sum(numerators.values(), domain(0)) == denominator


def graph_of(network: Network) -> nx.Graph:
    """The circuit as a coloured bipartite graph; its input, output and ground are marked."""
    graph = nx.Graph()
    marks = {network.input: "input", network.output: "output", network.reference: "ground"}
    for node in (*network.nodes, network.reference):
        graph.add_node(("node", node), colour=marks.get(node, ""))
    for b in network.branches:
        graph.add_node(("part", b.name), colour=f"power {b.power}")
        for n in b.nodes:
            graph.add_edge(("part", b.name), ("node", n), pins="")
    for u in network.op_amps:
        graph.add_node(("part", u.name), colour="op amp")
        pins: dict[str, str] = {}
        for pin, n in (("+", u.plus), ("-", u.minus), ("o", u.out)):
            pins[n] = pins.get(n, "") + pin
        for n, text in pins.items():
            graph.add_edge(("part", u.name), ("node", n), pins=text)
    return graph


def colours(graph: nx.Graph) -> Counter[tuple[str, int]]:
    return Counter((c, graph.degree(n)) for n, c in graph.nodes(data="colour"))


@cache
def catalogue_graphs() -> tuple[tuple[str, nx.Graph, Counter[tuple[str, int]]], ...]:
    graphs = [(s.name, graph_of(s.network)) for s in stages()]
    return tuple((name, g, colours(g)) for name, g in graphs)


@by_name
def test_every_published_network_is_a_stage_of_the_catalogue(entry: dict[str, Any]) -> None:
    graph = graph_of(network_of(entry))
    key = colours(graph)
    found = [
        name
        for name, other, other_key in catalogue_graphs()
        if key == other_key
        and nx.is_isomorphic(
            graph,
            other,
            node_match=lambda a, b: a["colour"] == b["colour"],
            edge_match=lambda a, b: a["pins"] == b["pins"],
        )
    ]
    assert len(found) == 1, f"{entry['name']}: the catalogue has it as {found}"
