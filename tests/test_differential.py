"""Outputs between two nodes: what they read, what a swap makes of them, and who refuses them."""

import json
from dataclasses import replace

import numpy as np
import pytest

from synth.analysis.amplifier import Amplifier, same_everywhere
from synth.analysis.loop import analyse, expanded, law_holds
from synth.analysis.numbers import common_form, transfer
from synth.analysis.real import real_system
from synth.analysis.ring import add, negate
from synth.analysis.sweep import Sweep
from synth.analysis.symbolic import formula, to_sympy
from synth.api import read
from synth.catalog import stage, stages
from synth.cli.main import run
from synth.drawing.picture import draw
from synth.drawing.recover import differences, recover
from synth.errors import DeckError, FormatError, NetworkError, TransformError
from synth.network.deck_reader import read_deck
from synth.network.deck_writer import write_deck
from synth.network.equivalence import equivalent, shape_key
from synth.network.model import Branch, Network, OpAmp, Port
from synth.plots.figures import figure
from synth.realisation.design import Design
from synth.realisation.saved import design_text, read_design
from synth.report.examined import Wishes, examine
from synth.report.explain import explanation
from synth.report.mathematics import ratio
from synth.search.candidates import derivations
from synth.search.lifted import build_index
from synth.tolerances.nodal import nodal
from synth.transfer import polynomial as exact
from synth.transform.cascade import cascade
from synth.transform.drive import Swap
from synth.transform.follow import Follow
from synth.transform.impedance import ImpedanceSwap
from synth.transform.lift import LiftTerminals
from synth.transform.loop_complement import LoopComplement
from synth.transform.output import ReadAt
from synth.transform.prune import Prune
from tests import networks as oracle
from tests.simulator import needs_simulator, simulate

#: A sensor's two-op-amp filter: a first-order low-pass, and its inverse.
GEOPHONE = """geophone line driver
VIN in 0 AC 1
R1 in a 10k
R2 a out 10k
C2 a out 10n
XU1 0 a out opamp
R3 out b 10k
R4 b inv 22k
XU2 0 b inv opamp
.end
"""
DIFFERENTIAL = [s for s in stages() if s.network.reading.against]
every_one = pytest.mark.parametrize("one", DIFFERENTIAL, ids=lambda s: s.name)


def read_between(network: Network, node: str, against: str) -> Network:
    return replace(network, outputs=(Port("output", node, against),))


def rc(*output: str) -> Network:
    parts = (Branch("R1", 0, ("in", "out"), 1e4), Branch("C1", 1, ("out", "0"), 1e-8))
    return Network(parts, outputs=(Port("output", *output),))


def pairs(network: Network, rng: np.random.Generator, count: int) -> list[tuple[str, str]]:
    """Pairs of nodes that parts touch, one of each driven by the network."""
    touched = {n for _, _, n in network.pins()} | {u.out for u in network.op_amps}
    nodes = sorted(touched - {network.reference})
    found = []
    while len(found) < count and len(nodes) > 1:
        a, b = (str(n) for n in rng.permutation(nodes)[:2])
        if {a, b} - {network.input}:
            found.append((a, b))
    return found


# -- the model -------------------------------------------------------------------------------------


def test_a_differential_output_is_no_single_ended_one() -> None:
    network = rc("out", "in")
    assert network.reading == Port("output", "out", "in")
    assert network.read_nodes == {"out", "in"}
    with pytest.raises(NetworkError, match="read between out and in"):
        _ = network.output
    assert rc("out").output == "out"
    assert rc("out").terminal_sum == rc("out").complement_sum == 1
    assert (network.terminal_sum, network.complement_sum) == (0, -1)
    assert rc("in", "out").complement_sum == 1


@pytest.mark.parametrize(
    ("output", "words"),
    [
        (("out", "out"), "between node out and itself"),
        (("out", "0"), "0 is the ground or a supply; name out alone"),
        (("0", "out"), "0 is the ground or a supply; name out alone"),
        (("in",), "output node in is held by input input"),
    ],
)
def test_outputs_that_read_nothing_are_refused(output: tuple[str, ...], words: str) -> None:
    with pytest.raises(NetworkError, match=words):
        rc(*output)


def test_between_two_inputs_or_as_an_input_it_is_refused() -> None:
    parts = (Branch("R1", 0, ("x", "out"), 1.0), Branch("R2", 0, ("y", "out"), 1.0))
    inputs = (Port("x", "x"), Port("y", "y"))
    with pytest.raises(NetworkError, match="both held"):
        Network(parts, inputs=inputs, outputs=(Port("output", "x", "y"),))
    with pytest.raises(NetworkError, match="drives its node against the signal's ground"):
        Network(parts, inputs=(Port("x", "x", "y"),))


def test_nodes_that_the_op_amps_keep_equal_are_refused() -> None:
    network = read_between(read_deck(GEOPHONE).network, "a", "b")  # virtual grounds
    with pytest.raises(NetworkError, match=r"read between a and b.*at one voltage"):
        analyse(network)


def test_renaming_nodes_and_the_graph_know_both_ends() -> None:
    network = rc("out", "in")
    assert network.renamed(nodes={"in": "x"}).reading == Port("output", "out", "x")
    keys = {shape_key(n) for n in (rc("out"), network, rc("in", "out"))}
    assert len(keys) == 3
    assert equivalent(network, rc("in", "out")) is None
    assert equivalent(network, network.renamed(nodes={"out": "y"})) is not None
    loose = replace(network, branches=(*network.branches, Branch("R2", 0, ("out", "z"), 1.0)))
    kept = Prune().apply(read_between(loose, "z", "out"))[0]
    assert [b.name for b in kept.branches] == ["R1", "C1", "R2"]
    assert [b.name for b in Prune().apply(loose)[0].branches] == ["R1", "C1"]


def _kept_equal(network: Network) -> bool:
    """The analysis refuses the output because its nodes have one voltage."""
    try:
        analyse(network)
    except NetworkError as error:
        return "at one voltage" in str(error)
    return False


# -- the analysis ----------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(2))
def test_random_networks_agree_with_nodal_analysis(seed: int) -> None:
    """Every terminal's transfer and H, against modified nodal analysis of its own (numpy)."""
    rng = np.random.default_rng(seed)
    done = equal = 0
    for single in oracle.random_networks(250, 100 + seed, powers=(0, 1, -1, 2)):
        for a, b in pairs(single, rng, 2):
            network = read_between(single, a, b)
            points = oracle.sample_points(network, 2)
            if _kept_equal(network):
                assert all(abs(oracle.transfer(network, s)) < 1e-6 for s in points)
                equal += 1
                continue
            loop = analyse(network)
            assert law_holds(loop)
            form = common_form(loop)
            h = transfer(loop, loop.transfer())
            for s in points:
                expected = oracle.terminal_transfers(network, s)
                assert abs(expected.pop("hidden")) < 1e-6
                assert {t.key for t in form.terminals} == set(expected)
                scale = max(1.0, *(abs(x) for x in expected.values()))
                d = complex(np.polyval([float(c) for c in form.denominator[::-1]], s))
                for terminal, n in form.terminals.items():
                    value = complex(np.polyval([float(c) for c in n[::-1]] or [0.0], s)) / d
                    assert abs(value - expected[terminal.key]) < 1e-6 * scale
                assert abs(sum(expected.values())) < 1e-6 * scale
                assert abs(h(s) - oracle.transfer(network, s)) < 1e-6 * scale
            done += 1
    assert done > 300
    assert equal > 10


def test_random_networks_with_one_pole_op_amps_agree_with_nodal_analysis() -> None:
    rng = np.random.default_rng(7)
    model = oracle.Amplifier(2 * np.pi * 1e6)
    ours = Amplifier(model.wt, model.a0)
    done = 0
    for single in oracle.random_networks(120, 31):
        if not single.op_amps:
            continue
        for a, b in pairs(single, rng, 1):
            network = read_between(single, a, b)
            amplifiers = {u.name: model for u in network.op_amps}
            f = np.array([0.3, 1.0, 3.0]) * oracle.rate_of(network) / (2 * np.pi)
            sweep = Sweep(real_system(network, same_everywhere(network, ours)), f)
            for k, x in enumerate(f):
                s = 2j * np.pi * x
                wanted = oracle.transfer(network, s, amplifiers)
                hidden = oracle.terminal_transfers(network, s, amplifiers)["hidden"]
                scale = max(1.0, abs(wanted), abs(hidden))
                assert abs(sweep.transfer[k] - wanted) < 1e-6 * scale
                assert abs(sweep.hidden[k] - hidden) < 1e-6 * scale
            done += 1
    assert done > 60


def test_the_batch_of_circuits_reads_the_difference() -> None:
    """Values drawn within 5 %: the nodal equations of `tolerance`, and their sensitivities."""
    network = read_deck(GEOPHONE, output="in,inv").network
    model = nodal(network)
    names = list(model.names)
    rng = np.random.default_rng(3)
    ratios = 1 + 0.05 * rng.uniform(-1, 1, (4, len(names)))
    f = np.array([300.0, 1600.0])
    found = model.response(model.prepare(ratios), f)
    for k, row in enumerate(ratios):
        drawn = network.with_values(
            {n: float(network.values[n] * r) for n, r in zip(names, row, strict=True)}
        )
        for j, x in enumerate(f):
            assert found[j, k] == pytest.approx(oracle.transfer(drawn, 2j * np.pi * x), rel=1e-9)
    slopes = model.sensitivities(f)
    for k, n in enumerate(names):
        up, down = (network.with_values({n: network.values[n] * x}) for x in (1 + 1e-6, 1 - 1e-6))
        for j, x in enumerate(f):
            s = 2j * np.pi * x
            change = np.log(oracle.transfer(up, s) / oracle.transfer(down, s)) / 2e-6
            assert slopes[j, k] == pytest.approx(change, abs=1e-5)


# -- the two theorems ------------------------------------------------------------------------------


def test_a_swap_only_changes_the_sign() -> None:
    """Both nodes of the output driven by the network, and no terminal held: H' = -H."""
    rng = np.random.default_rng(11)
    done = 0
    for single in oracle.random_networks(150, 77):
        for a, b in pairs(single, rng, 1):
            network = read_between(single, a, b)
            if single.input in (a, b) or Swap().accepts(network):
                continue
            try:
                before = analyse(network)
            except NetworkError:
                continue
            after = analyse(Swap().apply(network)[0])
            there = expanded(after.transfer())
            assert not add(expanded(before.transfer()), there)
            assert expanded(after.denominators) == expanded(before.denominators)
            assert network.complement_sum == 0
            done += 1
    assert done > 40


def test_read_against_the_input_it_is_the_complement_with_the_sign_reversed() -> None:
    """Without moving a part: D - N read from the input to the output, N - D the other way."""
    for network in oracle.random_networks(150, 78):
        whole = analyse(network)
        n, d = expanded(whole.transfer()), expanded(whole.denominators)
        for pair, sign in ((("in", "out"), 1), (("out", "in"), -1)):
            other = read_between(network, *pair)
            try:
                loop = analyse(other)
            except NetworkError:  # a follower of the source
                assert n == d
                continue
            rest = add(d, negate(n))
            assert expanded(loop.transfer()) == (rest if sign == 1 else negate(rest))
            assert other.complement_sum == sign


def test_the_words_of_a_swap_say_what_becomes_of_h() -> None:
    network = read_deck(GEOPHONE).network
    for pair, words in (
        ("out,inv", "turns H into -H"),
        ("in,out", "the output going on to read the input, turns H into 1 - H"),
        ("out,in", "the output going on to read the input, turns H into -1 - H"),
    ):
        changed, _ = ReadAt(pair).apply(network)
        swapped, step = Swap().apply(changed)
        assert step.theorem.endswith(words)
        assert swapped.reading == changed.reading
        again, _ = Swap().apply(swapped)
        assert [b.nodes for b in again.branches] == [b.nodes for b in changed.branches]
        h, other = (common_form(analyse(x)) for x in (changed, swapped))
        total = exact.add(h.numerator, other.numerator)
        assert total == exact.scale(h.denominator, changed.complement_sum)


# -- decks -----------------------------------------------------------------------------------------


def test_decks_name_two_nodes_and_keep_them() -> None:
    network = read_deck(GEOPHONE, output=" out , INV").network
    assert network.reading == Port("output", "out", "inv")
    text = write_deck(network)
    assert "* the output is the voltage from node out to node inv" in text
    assert text.splitlines()[-2] == ".print ac v(out,inv)"
    assert read_deck(text).network.reading == network.reading
    assert read_deck(text, output="out").network.reading == Port("output", "out")
    assert read_deck(GEOPHONE, output="in,out").network.reading.nodes == ("in", "out")


def test_a_node_with_a_comma_in_its_name_is_still_one_node() -> None:
    network = rc("out").renamed(nodes={"out": "a,b"})
    changed = replace(
        network,
        op_amps=(OpAmp("U1", "a,b", "q", "q"), OpAmp("U2", "q", "p", "p")),
        outputs=(Port("output", "q"),),
    )
    moved = changed.renamed(nodes={"p": "q,in"})
    assert ReadAt("q,in").apply(moved)[0].reading == Port("output", "q,in")
    assert ReadAt("q,in").apply(changed)[0].reading == Port("output", "q", "in")


def _read_again(network: Network) -> Network:
    """Write a network and read it without a word on its output."""
    return read_deck(write_deck(network)).network


def _h(network: Network) -> object:
    return expanded(analyse(network).transfer())


@every_one
def test_a_written_deck_of_a_differential_stage_is_read_as_it_was(one) -> None:  # type: ignore[no-untyped-def]
    for network in (one.circuit(), Swap().apply(one.circuit())[0]):
        assert _read_again(network).reading == network.reading
        assert _h(_read_again(network)) == _h(network)


@pytest.mark.parametrize("output", ["inv", "a,inv", "inv,out", "in,out", "inv,in"])
def test_a_moved_output_survives_the_deck_whatever_was_printed(output: str) -> None:
    """Also where the deck prints something itself, which the written one then leaves out."""
    moves = ReadAt(output) if "a" not in output else None
    for printed in ("", ".print ac v(out)", ".print ac vdb(out)", ".print ac v(b) v(in)"):
        deck = GEOPHONE.replace(".end", f"{printed}\n.end")
        network = read_deck(deck).network
        if moves is None:
            network = read_deck(deck, output=output).network
        else:
            network = moves.apply(network)[0]
        text = write_deck(network)
        assert read_deck(text).network.reading == network.reading
        assert f".print ac v({output})" in text.splitlines()
        assert not printed or f"* left out: {printed}" in text.splitlines()


def test_a_node_with_a_dot_is_renamed_to_be_printed() -> None:
    network = read_between(
        read_deck(GEOPHONE).network.renamed(nodes={"inv": "x1.n"}), "x1.n", "out"
    )
    assert ".print ac v(x1_n,out)" in write_deck(network).splitlines()
    assert _h(_read_again(network)) == _h(network)
    alone = replace(network, outputs=(Port("output", "x1.n"),))
    assert _read_again(alone).reading == Port("output", "x1_n")


@pytest.mark.parametrize(
    ("cards", "nodes"),
    [
        (".print ac v(inv)", ("inv",)),
        (".PRINT AC V( Inv )  ; the line driver", ("inv",)),
        (".print ac\n+ v(out,\n+ inv) $ both", ("out", "inv")),
        (".print ac v(inv,0)", ("inv",)),
        (".print ac v(in,inv)\n.plot ac v(b)\n.print tran v(a)", ("in", "inv")),
    ],
)
def test_the_only_voltage_that_a_deck_prints_is_its_output(
    cards: str, nodes: tuple[str, ...]
) -> None:
    found = read_deck(GEOPHONE.replace(".end", f"{cards}\n.end"))
    assert found.network.reading == Port("output", *nodes)
    assert found.notes == (
        f"the output is v({','.join(nodes)}), as the deck's only .print ac line asks; "
        "--output names another",
    )
    named = read_deck(GEOPHONE.replace(".end", f"{cards}\n.end"), output="b")
    assert (named.network.reading, named.notes) == (Port("output", "b"), ())


@pytest.mark.parametrize(
    "cards",
    [
        ".print ac v(out)",
        ".print ac v(in)",
        ".print ac v(0)",
        ".print ac v(inv,inv)",
        ".print ac v(0,inv)",
        ".print ac v(nowhere)",
        ".print ac v(out,nowhere)",
        ".print ac v(a,b,inv)",
        ".print ac vdb(inv)",
        ".print ac i(vin)",
        ".print ac v(inv) v(out)",
        ".print ac v(inv)\n.print ac v(b)",
        ".print ac v(inv)\n.print ac vp(inv)",
        ".print ac all",
        ".print ac",
        ".print tran v(inv)",
        ".plot ac v(inv)",
        ".print ac v(out)\n.print tran v(inv)",
    ],
)
def test_a_deck_that_prints_anything_else_is_read_at_out(cards: str) -> None:
    found = read_deck(GEOPHONE.replace(".end", f"{cards}\n.end"))
    assert (found.network.reading, found.notes) == (Port("output", "out"), ())
    assert read_deck(write_deck(found.network)).network.reading == Port("output", "out")


def test_a_supply_that_is_printed_is_no_output() -> None:
    deck = GEOPHONE.replace("XU1 0 a out", "VCC vcc 0 5\nXU1 0 a vcc 0 out")
    found = read_deck(deck.replace(".end", ".print ac v(vcc)\n.end")).network
    assert found.reading == Port("output", "out")
    assert read_deck(deck.replace(".end", ".print ac v(inv,vcc)\n.end")).network.reading == Port(
        "output", "inv"
    )


@pytest.mark.parametrize("output", ["out,", ",out", "out,,inv", ",", ""])
def test_a_missing_name_is_refused(output: str) -> None:
    with pytest.raises(DeckError, match=rf"^in '{output}' a name is missing; name one node"):
        read_deck(GEOPHONE, output=output)
    with pytest.raises(DeckError, match="a name is missing"):
        read_deck(GEOPHONE, input_="in,")
    network = read_deck(GEOPHONE).network
    assert "a name is missing" in ReadAt(output).accepts(network)


@pytest.mark.parametrize(
    ("output", "words"),
    [
        ("out,nowhere", "no node is called nowhere"),
        ("out,in,inv", "names 3 nodes; name one, or two"),
    ],
)
def test_decks_refuse_what_is_no_pair(output: str, words: str) -> None:
    with pytest.raises(DeckError, match=words):
        read_deck(GEOPHONE, output=output)


@needs_simulator
@pytest.mark.parametrize("pair", ["out,inv", "in,out", "b,in", "inv,a"])
def test_the_simulator_prints_the_difference(pair: str, tmp_path) -> None:
    """The voltages of the nodes, and what the deck itself asks to be printed."""
    import re
    import subprocess

    from tests.simulator import EXECUTABLE

    network = read_deck(GEOPHONE, output=pair).network
    loop = analyse(network)
    h = transfer(loop, loop.transfer())
    deck = write_deck(network, amplifier="ideal", frequencies=(100, 1e5), points=10)
    answer = simulate(deck)
    wanted = h.response(answer.frequencies)
    size = np.abs(wanted).max()
    assert np.abs(answer.output(network) - wanted).max() < 1e-4 * size
    (tmp_path / "deck.cir").write_text(deck)
    command = [str(EXECUTABLE), "-b", "deck.cir"]
    printed = subprocess.run(
        command, cwd=tmp_path, capture_output=True, text=True, check=True
    ).stdout
    rows = re.findall(r"^\d+\s+(\S+)\s+(\S+),\s+(\S+)\s*$", printed, re.MULTILINE)
    assert len(rows) == len(answer.frequencies)
    for f, real, imaginary in rows:
        given = complex(float(real), float(imaginary))
        assert abs(given - h(2j * np.pi * float(f))) < 1e-4 * size


# -- steps, and who refuses ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a,in", "node a is no op-amp output"),
        ("in", "node in is no op-amp output"),
        ("out,0", "node 0 is no op-amp output"),
        ("out,out", "between node out and itself"),
        ("out,inv,in", "names 3 nodes"),
        ("out", "the response is read at out already"),
    ],
)
def test_the_step_takes_what_feels_no_reader(text: str, words: str) -> None:
    network = read_deck(GEOPHONE).network
    assert words in ReadAt(text).accepts(network)


def test_the_step_goes_there_and_back() -> None:
    network = read_deck(GEOPHONE).network
    there, step = ReadAt("out,inv").apply(network)
    assert step.arguments == (("from", "out"), ("to", "out,inv"))
    assert "read between out and inv already" in ReadAt("out,inv").accepts(there)
    back, _ = ReadAt("out").apply(there)
    assert back == network


def test_a_cascade_is_refused_in_one_sentence() -> None:
    single = read_deck(GEOPHONE).network
    pair = read_between(single, "out", "inv")
    with pytest.raises(TransformError, match="stage 2 of a cascade is read between out and inv"):
        cascade((single, pair))
    for first, second in ((single, pair), (pair, single)):
        assert "read between out and inv" in Follow(second, "it").accepts(first)


def test_a_loop_complement_is_refused_in_one_sentence() -> None:
    network = stage("sallen-key-lowpass-unity-differential").circuit()
    with pytest.raises(TransformError, match="read between in and out"):
        LoopComplement().apply(network)


def test_other_steps_read_on_between_the_same_nodes() -> None:
    """RC:CR mirrors the difference, a lift halves it; worked out by nodal analysis."""
    network = stage("sallen-key-lowpass-unity-differential").circuit()
    mirrored, _ = ImpedanceSwap(1e3).apply(network)
    lifted, _ = LiftTerminals(((("C2", "2"), 0.5),)).apply(network)
    w0 = 2e3 * np.pi
    for s in oracle.sample_points(network, 3):
        assert oracle.transfer(mirrored, s) == pytest.approx(
            oracle.transfer(network, w0**2 / s), rel=1e-9
        )
        assert oracle.transfer(lifted, s) == pytest.approx(
            oracle.transfer(network, s) / 2, rel=1e-9
        )


def test_a_swap_tells_apart_what_is_held_at_ground() -> None:
    network = replace(
        read_deck(GEOPHONE, output="in,out").network, supplies=("vcc",), held=frozenset({"U1"})
    )
    _, step = Swap().apply(network)
    (note,) = (x for x in step.notes if x.startswith("left at ground"))
    assert "U1.plus (kept grounded)" in note
    assert "output.+" not in note


def test_the_search_offers_no_stage_with_a_differential_output() -> None:
    assert len(DIFFERENTIAL) >= 6
    for one in DIFFERENTIAL:
        assert derivations(one) == ()
        assert derivations(stage(one.base)) != ()
    assert build_index(DIFFERENTIAL) == ()


# -- stages ----------------------------------------------------------------------------------------


@every_one
def test_a_stage_needs_one_op_amp_and_moves_no_part_of_its_base(one) -> None:
    """H of the stage and of its base sum to 1: the output is read against the source."""
    base = stage(one.base)
    assert len(one.network.op_amps) == 1
    values = one.circuit().values
    pair = common_form(analyse(one.network.with_values(values)))
    single = common_form(analyse(base.network.with_values(values)))
    assert exact.add(pair.numerator, single.numerator) == pair.denominator
    assert pair.denominator == single.denominator


def test_an_output_of_a_stage_file_must_be_one_node_or_two(tmp_path) -> None:
    from synth.catalog import load_stage
    from synth.errors import CatalogError

    text = (
        'name = "bridge"\ntitle = "Bridge"\nnames = []\nsource = "common practice, 1950"\n'
        'kinds = ["gain"]\norder = 0\nH = "R2/(R1 + R2) - R4/(R3 + R4)"\nconditions = []\n'
        'remarks = []\noutput = "a,b"\nparts = [["R1", "in", "a"], ["R2", "a", "0"], '
        '["R3", "in", "b"], ["R4", "b", "0"]]\nop_amps = []\n'
        '[example]\nR1 = "1k"\nR2 = "2k"\nR3 = "2k"\nR4 = "1k"\n'
    )
    path = tmp_path / "bridge.toml"
    path.write_text(text)
    assert load_stage(path).network.reading == Port("output", "a", "b")
    for wrong in ("a,", "a,b,in", ""):
        path.write_text(text.replace('"a,b"', f'"{wrong}"'))
        with pytest.raises(CatalogError, match="key output"):
            load_stage(path)
    path.write_text(text.replace("R2/(R1 + R2) -", "R2/(R1 + R2) +"))
    with pytest.raises(CatalogError, match="key H"):
        load_stage(path)


# -- pictures and files ----------------------------------------------------------------------------


@pytest.mark.parametrize("pair", ["out,inv", "in,out", "out,in", "inv,a"])
def test_a_picture_shows_both_ends_with_their_signs(pair: str) -> None:
    network = read_deck(GEOPHONE, output=pair).network
    drawing = draw(network)
    assert differences(drawing, network) == []
    assert recover(drawing).doubts == ()
    a, b = network.reading.nodes
    shown = [s.shown for s in drawing.symbols if s.kind == "output"]
    assert shown == [f"+ {a}", f"\N{MINUS SIGN} {b}"]
    turned = read_between(network, b, a)
    assert differences(drawing, turned) != []
    alone = replace(network, outputs=(Port("output", "out"),))
    assert any("2 outputs are drawn, not 1" in x for x in differences(drawing, alone))


@every_one
def test_the_picture_of_a_stage_has_its_marks_where_the_file_says(one) -> None:
    drawing = draw(one.circuit(), placement=one.placement)
    assert differences(drawing, one.circuit()) == []
    ends = {s.name: s.pins[0].at for s in drawing.symbols if s.kind == "output"}
    assert {*ends} == {"output", "output-against"}
    for name, at in ends.items():
        assert (at.x, at.y) == (one.placement.places[name].x, one.placement.places[name].y)


@pytest.mark.parametrize("pair", ["out,inv", "in,out"])
def test_a_saved_design_keeps_both_nodes(pair: str) -> None:
    network = read_deck(GEOPHONE, output=pair).network
    text = design_text(Design(network))
    assert read_design(text).network == network
    outputs = json.loads(text)["design"]["network"]["outputs"]
    assert [(p["node"], p["against"]) for p in outputs] == [tuple(pair.split(","))]


def test_a_design_without_the_key_reads_against_ground() -> None:
    network = read_deck(GEOPHONE).network
    saved = json.loads(design_text(Design(network)))
    (port,) = saved["design"]["network"]["outputs"]
    assert port.pop("against") is None
    assert read_design(json.dumps(saved)).network == network
    for wrong, words in (("", "a node, or null"), (3, "must be text"), ("out", "and itself")):
        port["against"] = wrong
        with pytest.raises(FormatError, match=words):
            read_design(json.dumps(saved))


# -- the command line ------------------------------------------------------------------------------


@pytest.fixture
def desk(tmp_path, monkeypatch):
    (tmp_path / "geo.cir").write_text(GEOPHONE)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def _said(capsys, *arguments: str) -> str:
    assert run(arguments) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return " ".join(out.split())


def test_analyse_says_between_which_nodes_and_that_the_sum_is_0(desk, capsys) -> None:
    said = _said(capsys, "analyse", "geo.cir", "--output", "out,inv")
    assert "read between out and inv" in said
    assert "the sum of all T_k is 0 (exact)" in said
    said = _said(capsys, "analyse", "geo.cir", "--output", "in,out")
    assert "stays: the output is read there" in said
    answer = json.loads(_said(capsys, "analyse", "geo.cir", "--output", "out,inv", "--json"))
    assert answer["outputs"] == [{"name": "output", "node": "out", "against": "inv"}]
    assert (answer["law_holds"], answer["terminals_sum_to_one"]) == (True, False)


def test_catalog_says_between_which_nodes(capsys) -> None:
    said = _said(capsys, "catalog", "inverting-amplifier-differential")
    assert "read between in and out" in said
    assert ".print ac v(in,out)" in said


@pytest.mark.parametrize(
    ("pair", "words"),
    [
        ("out,inv", ("H + H' = 0", "both rise by 1 V", "5. H and -H", "do not sum to 0", "-N(s)")),
        (
            "out,in",
            (
                *("H + H' = -1", "5. H and -1 - H", "output.- left at the input"),
                *("T_output.- = -1", "H'(s) = -H(s) - 1 = -1 - H(s)", ", and -D(s) - N(s) takes"),
            ),
        ),
        (
            "in,out",
            (
                *("H + H' = 1", "5. H and 1 - H", "output.+ left at the input"),
                *("T_output.+ = 1", "H'(s) = -H(s) + 1 = 1 - H(s)", ", and D(s) - N(s) takes"),
            ),
        ),
    ],
)
def test_explain_tells_the_law_of_a_differential_output(desk, capsys, pair, words) -> None:
    said = _said(capsys, "explain", "geo.cir", "swap", "--output", pair)
    for text in (*words, "The numerators add up to 0: checked exactly"):
        assert text in said
    assert "fault" not in said


@pytest.mark.parametrize("pair", ["out,inv", "out,in", "in,out", *(s.name for s in DIFFERENTIAL)])
def test_what_explain_derives_for_the_complement_is_that_of_the_swapped_circuit(pair: str) -> None:
    """The last response that section 5 comes to, against the exact polynomials after the swap."""
    network = read_deck(GEOPHONE, output=pair).network if "," in pair else stage(pair).circuit()
    loop, swapped = analyse(network), analyse(Swap().apply(network)[0])
    both = network.complement_sum
    record = explanation(network)
    row = record.complement or record.analysis.ground
    assert (record.complement is None) == (both == 0)
    form, other = common_form(loop), common_form(swapped)
    assert row.numerator == exact.to_floats(other.numerator)
    wanted = exact.add(exact.scale(form.denominator, both), exact.scale(form.numerator, -1))
    assert row.numerator == exact.to_floats(wanted)
    there = to_sympy(formula(swapped.transfer(), swapped.denominators, network.branches))
    assert (to_sympy(row.formula) - there).simplify() == 0
    section = " ".join(record.text.partition("\n5. ")[2].partition("\n6. ")[0].split())
    name = {0: "-H(s)", 1: "H'(s)", -1: "H'(s)"}[both]
    assert f"= {row.formula} " in section.partition(f" {name} = ")[2]
    h = row.transfer
    assert f"{name} = {ratio(h.numerator, h.denominator).plain} " in section


@pytest.mark.parametrize("pair", ["out,inv", "out,in", "in,out"])
def test_the_complement_figure_shows_sum_and_defect_apart(pair: str) -> None:
    network = read_deck(GEOPHONE, output=pair).network
    made = figure(examine("it", Design(network), Wishes(samples=60)), "complement")
    curves = {c.role: c for c in made.panels[0].curves}
    both = network.complement_sum
    assert list(curves) == ["built", "complement", *(["sum"] if both else []), "defect"]
    assert "none" not in made.note
    assert f"the sum is {both}" in made.note
    if both:
        assert max(curves["sum"].y) == pytest.approx(0, abs=1)
        assert curves["sum"].y != curves["defect"].y


@pytest.mark.parametrize("pair", ["out,inv", "in,out"])
@pytest.mark.parametrize(
    "arguments",
    [
        ("check", "--op-amp", "general-purpose", "--source-resistance", "100", "--load", "10k"),
        ("check", "--op-amp", "rail-to-rail-1mhz", "--supply", "0:5"),
        ("tolerance",),
        ("values",),
        ("transform", "output=out"),
        ("transform", "swap"),
        ("lift", "--to", "lowpass"),
        ("pairings", "--gain-bandwidth", "1M"),
        ("netlist", "--spread"),
        ("parts",),
        ("draw", "-o", "x.svg"),
        ("plot", "--figure", "complement", "-o", "x.svg"),
        ("report", "--op-amp", "general-purpose", "-o", "x.html"),
    ],
    ids=" ".join,
)
def test_every_command_takes_it(desk, capsys, pair, arguments) -> None:
    command, *rest = arguments
    said = _said(capsys, command, "geo.cir", *rest, "--output", pair)
    assert said
    if command == "report":
        a, b = pair.split(",")
        assert f"read between {a} and {b}" in (desk / "x.html").read_text(encoding="utf-8")


def test_the_check_reads_the_difference(desk, capsys) -> None:
    """Noise between two outputs that share a source is no sum of theirs: by nodal analysis."""
    network = read_deck(GEOPHONE, output="out,inv").network
    answer = json.loads(
        _said(capsys, "check", "geo.cir", "--op-amp", "en=5n,in=0,in_corner=0,en_corner=0,rout=0",
              "--output", "out,inv", "--band", "100:10k", "--json")
    )  # fmt: skip
    found, op_amp = answer["figures"], answer["op_amp"]
    model = oracle.Amplifier(2 * np.pi * op_amp["gain_bandwidth"], op_amp["dc_gain"])
    amplifiers = {u.name: model for u in network.op_amps}
    wanted = oracle.noise_density(network, found["noise_density_hz"], amplifiers, 5e-9)
    assert found["noise_density_v_per_root_hz"] == pytest.approx(wanted, rel=1e-3)
    alone = oracle.noise_density(
        replace(network, outputs=(Port("output", "inv"),)), 100.0, amplifiers, 5e-9
    )
    assert abs(wanted / alone - 1) > 0.1


def test_a_load_stands_between_the_two_nodes(desk, capsys) -> None:
    from synth.checking.loading import LOAD, with_source_and_load

    network = read_deck(GEOPHONE, output="out,inv").network
    assert with_source_and_load(network, 0.0, 1e3).branch(LOAD).nodes == ("out", "inv")
    single = read_deck(GEOPHONE).network
    assert with_source_and_load(single, 0.0, 1e3).branch(LOAD).nodes == ("out", "0")


def test_what_cannot_read_a_difference_says_so(desk, capsys) -> None:
    assert run(["analyse", "geo.cir", "--output", "out,0"]) == 2
    assert "0 is the ground or a supply; name out alone" in capsys.readouterr().err
    assert run(["transform", "geo.cir", "output=a,in"]) == 2
    assert "node a is no op-amp output" in capsys.readouterr().err


def test_read_takes_two_nodes(desk) -> None:
    assert read("geo.cir", output="inv,out").reading == Port("output", "inv", "out")
