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
from synth.catalog import Stage, stage, stages
from synth.generators.published import published, published_counts
from synth.network.model import POWERS, Branch, Network, OpAmp, Port
from synth.report.catalog import tree_text
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
    """The circuit as a coloured bipartite graph; its input, output and ground are marked.

    Two parts in series through a node of their own hang on one vertex, for their order changes
    nothing.
    """
    graph = nx.Graph()
    marks = {network.input: "input", network.output: "output", network.reference: "ground"}
    touching: dict[str, list[str]] = {}
    for name, _, node in network.pins():
        touching.setdefault(node, []).append(name)
    for u in network.op_amps:
        touching.setdefault(u.out, []).append(u.name)
    branches = {b.name: b for b in network.branches}
    series = {
        node: pair
        for node, pair in touching.items()
        if len(pair) == 2 and set(pair) <= set(branches) and node not in marks
    }
    for node in (*network.nodes, network.reference):
        if node not in series:
            graph.add_node(("node", node), colour=marks.get(node, ""))
    for b in network.branches:
        graph.add_node(("part", b.name), colour=f"power {b.power}")
        inside = next((n for n in b.nodes if n in series), None)
        if inside is not None:
            graph.add_node(("series", inside), colour="series")
            graph.add_edge(("part", b.name), ("series", inside), pins="")
        for n in b.nodes:
            if n not in series:
                graph.add_edge(
                    ("part", b.name) if inside is None else ("series", inside), ("node", n), pins=""
                )
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
def catalogue_graphs() -> tuple[tuple[Stage, nx.Graph, Counter[tuple[str, int]]], ...]:
    graphs = [(s, graph_of(s.network)) for s in stages() if not s.network.reading.against]
    return tuple((s, g, colours(g)) for s, g in graphs)


def matches(entry: dict[str, Any]) -> dict[str, dict[str, str]]:
    """Stages that are the published network, each with published part name -> its own."""
    graph = graph_of(network_of(entry))
    key = colours(graph)
    found = {}
    for s, other, other_key in catalogue_graphs():
        if key != other_key:
            continue
        matcher = nx.algorithms.isomorphism.GraphMatcher(
            graph,
            other,
            node_match=lambda a, b: a["colour"] == b["colour"],
            edge_match=lambda a, b: a["pins"] == b["pins"],
        )
        if matcher.is_isomorphic():
            pairs = matcher.mapping.items()
            found[s.name] = {a[1]: b[1] for a, b in pairs if a[0] == "part"}
    return found


FAMILY = {p.name: (p.stage, p.base, p.steps) for p in published()}


def test_the_table_of_the_family_has_every_published_network_once() -> None:
    assert list(FAMILY) == [e["name"] for e in ENTRIES]
    stages = {stage: steps for stage, base, steps in FAMILY.values() if base}
    bases = {stage for stage, base, _ in FAMILY.values() if not base}
    assert not bases & set(stages)
    counts = {"circuits": len(FAMILY), "stages": len(bases) + len(stages), "derived": len(stages)}
    counts["swaps_or_lifts"] = sum(s.startswith(("swap", "lift")) for s in stages.values())
    assert published_counts() == counts
    assert counts == {"circuits": 89, "stages": 86, "derived": 49, "swaps_or_lifts": 26}


def test_the_family_tree_and_the_readme_say_the_counts_of_the_table() -> None:
    c = published_counts()
    told = (
        f"{c['circuits']} published circuits are {c['stages']} of these stages",
        f"{c['swaps_or_lifts']} are swaps or lifts of others, {c['derived']} derive in all",
    )
    readme = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")
    tree = " ".join(tree_text(stages()).split())
    for words in told:
        assert words in readme
        assert words in tree


@by_name
def test_every_published_network_is_a_stage_by_the_steps_in_the_table(
    entry: dict[str, Any],
) -> None:
    name, base, steps = FAMILY[entry["name"]]
    found = matches(entry)
    assert list(found) == [name], f"{entry['name']}: the catalogue has it as {list(found)}"
    assert (stage(name).base, " ".join(stage(name).steps)) == (base, steps)


@by_name
def test_the_published_transfer_is_that_of_the_stage(entry: dict[str, Any]) -> None:
    """Both texts of H at rational part values, the parts matched by the graphs: exact."""
    name, _, _ = FAMILY[entry["name"]]
    values, domain = substituted(entry)
    own = {
        mine: values[theirs] for theirs, mine in matches(entry)[name].items() if theirs in values
    }
    own["s"] = values["s"]
    assert read(stage(name).H, own, domain) == read(entry["H"], values, domain)
