"""Networks with several inputs: the transfers of all of them, and of ground, sum to 1."""

import json

import numpy as np
import pytest

import synth
from synth.cli.main import run
from synth.errors import DeckError, NetworkError, TransformError
from synth.network.deck_reader import read_deck
from synth.network.model import Branch, Network, OpAmp, Port
from synth.report.layout import WIDTH
from tests.networks import mna, random_networks, sample_points, several_inputs
from tests.test_schema import VALIDATOR

DIFFERENCE = """wave sensor, difference amplifier
V1 a 0 AC 1
V2 b 0 AC 1
R1 a m {R1}
R2 m out {R2}
R3 b p {R3}
R4 p 0 {R4}
XU1 p m out opamp
.end
"""


def _difference(r1, r2, r3, r4):
    deck = DIFFERENCE.format(R1=r1, R2=r2, R3=r3, R4=r4)
    return read_deck(deck, input_="a,b").network


def _gains(record):
    rows = {row.name: row for row in (*record.inputs, record.ground)}
    return {name: row.transfer.gain for name, row in rows.items()}


def test_balanced_difference_amplifier():
    """Franco, Design with Operational Amplifiers, ch. 1 (from memory): with R4/R3 = R2/R1 the
    output is (R2/R1) (v2 - v1).  What is left for ground is 1: a level shift of its own."""
    record = synth.analyse(_difference("1k", "15k", "2k", "30k"))
    assert _gains(record) == pytest.approx({"a": -15.0, "b": 15.0, "ground": 1.0}, rel=1e-12)
    assert record.sum_is_one


def test_difference_amplifier_with_unequal_ratios():
    """Same source: vO = (R2/R1) ((1 + R1/R2)/(1 + R3/R4) v2 - v1)."""
    r1, r2, r3, r4 = 10e3, 47e3, 22e3, 33e3
    record = synth.analyse(_difference(r1, r2, r3, r4))
    second = (r2 / r1) * (1 + r1 / r2) / (1 + r3 / r4)
    assert _gains(record) == pytest.approx(
        {"a": -r2 / r1, "b": second, "ground": 1 + r2 / r1 - second}, rel=1e-12
    )
    assert str(record.inputs[0].formula) == "-R2/R1"


def test_summing_amplifier():
    """Same source: vO = -(RF/R1 v1 + RF/R2 v2 + RF/R3 v3).

    The op amp's grounded input has the noise gain 1 + RF/R1 + RF/R2 + RF/R3: the sum is 1.
    """
    resistors = {"R1": 10e3, "R2": 20e3, "R3": 40e3}
    branches = [Branch(n, 0, (f"in{n[1]}", "m"), r) for n, r in resistors.items()]
    network = Network(
        (*branches, Branch("RF", 0, ("m", "out"), 30e3)),
        (OpAmp("U1", "0", "m", "out"),),
        inputs=tuple(Port(f"sensor {k}", f"in{k}") for k in (1, 2, 3)),
    )
    record = synth.analyse(network)
    wanted = {f"sensor {n[1]}": -30e3 / r for n, r in resistors.items()}
    wanted["ground"] = 1 - sum(wanted.values())
    assert _gains(record) == pytest.approx(wanted, rel=1e-12)


@pytest.mark.parametrize("count", [2, 3])
def test_random_networks_against_nodal_analysis(count):
    rng = np.random.default_rng(count)
    done = 0
    for parent in random_networks(400, seed=30 + count):
        network = several_inputs(parent, count, rng)
        if network is None:
            continue
        done += 1
        record = synth.analyse(network)
        assert record.sum_is_one
        node_of = {(name, pin): node for name, pin, node in network.pins()}
        for s in sample_points(network, 2, seed=done):
            found = mna(network, s).solve(network.output)
            size = 1 + sum(abs(v) for k, v in found.items() if isinstance(k, tuple))
            total = record.ground.transfer(s)
            for row in record.inputs:
                oracle = sum(v for k, v in found.items() if node_of.get(k) == row.node)
                assert abs(row.transfer(s) - oracle) < 1e-7 * size
                total += row.transfer(s)
            assert abs(total - 1) < 1e-7 * size
            assert abs(record.H(s) + record.ground.transfer(s) - 1) < 1e-7 * size
    assert done > 40


def test_a_single_input_has_one_row_that_is_h():
    record = synth.analyse(synth.stage("twin-t").circuit())
    (row,) = record.inputs
    assert row.numerator == record.numbers.numerator
    assert str(row.formula) == str(record.response.formula)
    assert "H(s)" in str(record)
    assert "T(ground)" not in str(record)


def test_without_values_the_formulas_sum_to_one():
    network = _difference(1, 1, 1, 1)
    bare = Network(
        tuple(Branch(b.name, b.power, b.nodes) for b in network.branches),
        network.op_amps,
        network.inputs,
    )
    record = synth.analyse(bare)
    assert record.sum_is_one
    assert [row.numerator for row in record.inputs] == [None, None]
    assert str(record.inputs[1].formula) == "R4*(R1 + R2)/(R1*(R3 + R4))"


# -- decks and the command line --------------------------------------------------------------------


@pytest.fixture
def deck(tmp_path):
    path = tmp_path / "difference.cir"
    path.write_text(DIFFERENCE.format(R1="10k", R2="20k", R3="10k", R4="20k"))
    return str(path)


@pytest.mark.parametrize(
    "options", [["--input", "a", "--input", "b"], ["--input", "a,b"], ["--input", "V1, v2"]]
)
def test_inputs_on_the_command_line(options, deck, capsys):
    assert run(["analyse", deck, *options]) == 0
    out = capsys.readouterr().out
    assert "H(a) + H(b) + T(ground) = 1 (exact)" in out
    assert max(map(len, out.splitlines())) <= WIDTH
    assert run(["analyse", deck, *options, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    VALIDATOR.validate(answer)
    assert {x["name"]: x["numerator"] for x in answer["inputs"]} == {"a": [-2.0], "b": [2.0]}
    assert answer["ground"]["numerator"] == [1.0]
    assert {t["at"] for t in answer["terminals"]} == {"a", "b", "ground"}


def test_one_input_in_json_keeps_its_name(deck, capsys):
    assert run(["analyse", deck, "--input", "b", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["inputs"][0]["name"] == "input"
    assert answer["inputs"][0]["numerator"] == answer["numerator"] == [2.0]


def test_a_source_that_is_named_is_an_input_and_not_set_aside():
    text = DIFFERENCE.format(R1="10k", R2="20k", R3="10k", R4="20k")
    both = read_deck(text, input_="a,b")
    assert both.network.inputs == (Port("a", "a"), Port("b", "b"))
    assert both.network.supplies == ()
    assert not any("set aside" in n for n in both.notes)
    assert any("V2" in n and "set aside" in n for n in read_deck(text, input_="a").notes)


@pytest.mark.parametrize(
    ("names", "words"),
    [
        ("a,V1", "named twice"),
        ("a,nowhere", "no node or V source is called nowhere"),
        ("a,0", "--input 0 is the ground"),
        ("", "a name is missing"),
        ("a,,b", "a name is missing"),
    ],
)
def test_wrong_inputs(names, words):
    text = DIFFERENCE.format(R1="10k", R2="20k", R3="10k", R4="20k")
    with pytest.raises(DeckError, match=words):
        read_deck(text, input_=names)


def test_an_ambiguous_deck_names_both_ways_out():
    text = DIFFERENCE.format(R1="10k", R2="20k", R3="10k", R4="20k")
    with pytest.raises(DeckError, match="name one with --input, or several"):
        read_deck(text)


def test_names_of_inputs_are_their_own():
    network = Network(
        (Branch("R1", 0, ("a", "out")), Branch("R2", 0, ("b", "out"))),
        inputs=(Port("wave", "a"), Port("wave", "b")),
    )
    with pytest.raises(NetworkError, match="name of its own"):
        synth.analyse(network)


def test_transformations_of_one_input_refuse():
    with pytest.raises(TransformError, match="needs one input; this network has 2"):
        synth.swap(_difference("1k", "1k", "1k", "1k"))
