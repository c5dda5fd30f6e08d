"""Written decks: read back they are the same network; the simulator runs them unchanged.

Formulas used as references: the first-order RC section; the two-pole section of R. P. Sallen and
E. L. Key, A practical method of designing RC active filters, IRE Trans. Circuit Theory CT-2
(1955) 74-85; a one-pole op amp A(s) = A0/(1 + s*A0/wt) as a follower of gain A/(1 + A).
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from synth.analysis.amplifier import Amplifier
from synth.errors import NetworkError, NumberError
from synth.network.deck_reader import read_deck
from synth.network.deck_writer import write_deck
from synth.network.model import Branch, Network, OpAmp, Port
from synth.report.netlist import deck_text
from synth.transform.drive import Swap
from synth.units import parse_deck_number
from tests.simulator import needs_simulator, simulate

#: Low-pass of the hydrophone channel: unity-gain Sallen-Key.
SALLEN_KEY = Network(
    branches=(
        Branch("R1", 0, ("in", "a"), 8.2e3),
        Branch("R2", 0, ("a", "p"), 12e3),
        Branch("C1", 1, ("a", "out"), 22e-9),
        Branch("C2", 1, ("p", "0"), 4.7e-9),
    ),
    op_amps=(OpAmp("U1", "p", "out", "out"),),
    title="hydrophone channel",
)

WAVE_SENSOR = """\
Wave sensor
V1 +12V GND DC 12
V2 GND -12V DC 12
V3 Net-(J1-Pin_1) GND AC 1
C10 +12V GND 100n
R1 Net-(J1-Pin_1) Net-(U1A--) 10k
R2 Net-(U1A--) /OUT 20k
C1 Net-(U1A--) /OUT 1n
R5 /OUT +12V 100k
XU1A GND Net-(U1A--) +12V -12V /OUT MACRO
.subckt MACRO inp inn vcc vee o
* word for word
E1 o 0 inp inn
+ 1e6
.ends
.end
"""


def sallen_key(s: np.ndarray, k: np.ndarray | float) -> np.ndarray:
    """H(s) of Sallen and Key's low-pass with an amplifier of gain k, which may depend on s."""
    r1, r2, c1, c2 = (SALLEN_KEY.values[n] for n in ("R1", "R2", "C1", "C2"))
    d = 1 + s * (r1 * c2 + r2 * c2 + r1 * c1 * (1 - k)) + s**2 * r1 * r2 * c1 * c2
    return k / d


def same_parts(one: Network, other: Network) -> None:
    """The same parts on the same nodes; values of many digits within 1e-12, short ones exactly."""
    assert one.with_values(dict.fromkeys(one.values, 1.0)).branches == (
        other.with_values(dict.fromkeys(other.values, 1.0)).branches
    )
    for name, value in other.values.items():
        short = float(f"{value:.12e}") == value
        assert one.values[name] == (value if short else pytest.approx(value, rel=1e-12, abs=0))
    assert [(u.name, u.plus, u.minus, u.out, u.supply_pins) for u in one.op_amps] == [
        (u.name, u.plus, u.minus, u.out, u.supply_pins) for u in other.op_amps
    ]
    assert one.inputs == other.inputs
    assert one.outputs == other.outputs
    assert one.reference == other.reference


# -- in the simulator ---------------------------------------------------------------------------


@needs_simulator
def test_rc_section_in_the_simulator() -> None:
    network = Network((Branch("R1", 0, ("in", "out"), 1e4), Branch("C1", 1, ("out", "0"), 1e-8)))
    answer = simulate(write_deck(network, frequencies=(10, 1e5)))
    s = 2j * np.pi * answer.frequencies
    np.testing.assert_allclose(answer.node("out"), 1 / (1 + s * 1e-4), rtol=1e-6)


@needs_simulator
@pytest.mark.parametrize("supply_pins", [None, ("vp", "vn")])
def test_sallen_key_with_an_ideal_amplifier(supply_pins: tuple[str, str] | None) -> None:
    network = replace(
        SALLEN_KEY,
        op_amps=(replace(SALLEN_KEY.op_amps[0], supply_pins=supply_pins),),
        supplies=supply_pins or (),
    )
    deck = write_deck(network, amplifier="ideal", frequencies=(10, 1e5))
    answer = simulate(deck)
    s = 2j * np.pi * answer.frequencies
    np.testing.assert_allclose(answer.node("out"), sallen_key(s, 1.0), rtol=1e-4)


@needs_simulator
@pytest.mark.parametrize("dc_gain", [1e5, 50.0, float("inf")])
def test_sallen_key_with_a_one_pole_amplifier(dc_gain: float) -> None:
    amplifier = Amplifier(gain_bandwidth=2 * np.pi * 300e3, dc_gain=dc_gain)
    answer = simulate(write_deck(SALLEN_KEY, amplifier=amplifier, frequencies=(10, 1e6)))
    s = 2j * np.pi * answer.frequencies
    inverse_gain = 1 / dc_gain + s / amplifier.gain_bandwidth
    np.testing.assert_allclose(answer.node("out"), sallen_key(s, 1 / (1 + inverse_gain)), rtol=1e-4)


@needs_simulator
@pytest.mark.parametrize("amplifier", [None, "ideal"])
def test_a_users_deck_runs_and_answers_as_before(amplifier: None) -> None:
    network = read_deck(WAVE_SENSOR).network
    answer = simulate(write_deck(network, amplifier=amplifier, frequencies=(10, 1e6)))
    s = 2j * np.pi * answer.frequencies
    # lossy integrator: -(R2/R1)/(1 + s*R2*C1), common practice
    np.testing.assert_allclose(answer.node("/OUT"), -2 / (1 + s * 20e3 * 1e-9), rtol=1e-4)


HOSTILE_NAMES = ["Net-(U1--)", "a,b", "{x}", "p'q", 'p"q', "two words", "a//b", "$n", "r=1", "é;"]
PLAIN_NAMES = ["X2.n1", "Net-_U1-Pad2_", "+5V", "n#1", "1.5", "4k7", "a:b", "/sheet/n", "x|y", "ac"]


@needs_simulator
@pytest.mark.parametrize("name", HOSTILE_NAMES + PLAIN_NAMES)
def test_node_names_survive_the_simulator(name: str) -> None:
    network = SALLEN_KEY.renamed(nodes={"p": name})
    answer = simulate(write_deck(network, frequencies=(10, 1e5)))
    s = 2j * np.pi * answer.frequencies
    np.testing.assert_allclose(answer.node("out"), sallen_key(s, 1.0), rtol=1e-4)


@needs_simulator
@pytest.mark.parametrize("name", ["a.b", "x/y", "Net-(out)", "4k7"])
def test_output_names_survive_the_simulator(name: str) -> None:
    network = SALLEN_KEY.renamed(nodes={"out": name})
    deck = write_deck(network, frequencies=(10, 1e5))
    answer = simulate(deck)
    written = read_deck(deck).network.output
    s = 2j * np.pi * answer.frequencies
    np.testing.assert_allclose(answer.node(written), sallen_key(s, 1.0), rtol=1e-4)


@needs_simulator
@pytest.mark.parametrize("title", ["", "* star", ".include nowhere", "+ plus", ".end", "it's {a}"])
def test_titles_survive_the_simulator(title: str) -> None:
    deck = write_deck(replace(SALLEN_KEY, title=title))
    assert read_deck(deck).network.title == title
    simulate(deck)


@needs_simulator
def test_a_reference_of_another_name_is_held_at_ground() -> None:
    network = SALLEN_KEY.renamed(nodes={"0": "signal_ground"})
    network = replace(
        network,
        branches=(*network.branches, Branch("R9", 0, ("out", "rail"), 1e5)),
        supplies=("rail",),
    )
    answer = simulate(write_deck(network, frequencies=(10, 1e5)))
    s = 2j * np.pi * answer.frequencies
    np.testing.assert_allclose(answer.node("out"), sallen_key(s, 1.0), rtol=1e-4)


# -- there and back -----------------------------------------------------------------------------


@pytest.mark.parametrize("amplifier", [None, "ideal", Amplifier(6e6, 1e5)])
def test_the_network_comes_back(amplifier: None) -> None:
    back = read_deck(write_deck(SALLEN_KEY, amplifier=amplifier))
    same_parts(back.network, SALLEN_KEY)
    assert back.network.title == SALLEN_KEY.title
    assert back.notes == ()


def test_a_users_deck_comes_back_with_only_the_connections_changed() -> None:
    network = read_deck(WAVE_SENSOR.replace("Net-(U1A--)", "n")).network
    moved = network.with_pins({("R1", "1"): "0", ("U1A", "plus"): "Net-(J1-Pin_1)"})
    deck = write_deck(moved).replace("Net-_J1-Pin_1", "Net-(J1-Pin_1)").splitlines()
    for line in (
        "Wave sensor",
        "V1 +12V 0 DC 12",
        "V3 Net-(J1-Pin_1) 0 AC 1",
        "C10 +12V 0 100n",
        "R1 0 n 10k",
        "R5 /OUT +12V 100k",
        "XU1A Net-(J1-Pin_1) n +12V -12V /OUT MACRO",
    ):
        assert line in deck
    text = "\n".join(deck)
    assert "\n* word for word\nE1 o 0 inp inn\n+ 1e6\n.ends\n" in text
    assert "opamp_ideal" not in text
    again = read_deck(write_deck(moved)).network
    assert again.bench.models == network.bench.models
    assert again.bench.decoupling == network.bench.decoupling


def test_a_model_called_but_not_defined_keeps_its_name() -> None:
    text = "t\nVin in 0 AC 1\nR1 in m 1k\nR2 m out 2k\nXU1 0 m out AMP\n"
    deck = write_deck(read_deck(text).network)
    assert "XU1 0 m out AMP" in deck.splitlines()
    assert ".subckt AMP plus minus out" in deck.splitlines()
    assert "* AMP is an ideal op amp here: put your own model in its place" in deck.splitlines()
    again = read_deck(deck).network.op_amps
    assert again == read_deck(text).network.op_amps


def test_replaced_models_keep_the_five_pins() -> None:
    deck = write_deck(read_deck(WAVE_SENSOR).network, amplifier="ideal")
    assert "MACRO" not in deck
    assert ".subckt opamp_ideal_5 plus minus vcc vee out" in deck
    assert read_deck(deck).network.op_amps[0].supply_pins == ("+12V", "-12V")


def test_a_single_supply_deck_comes_back() -> None:
    text = "t\nVcc vcc 0 9\nRa vcc ref 1k\nRb ref 0 1k\nVin in ref SIN(0 1 50)\nR1 in n 1k\n"
    text += "R2 n out 2k\nX1 ref n vcc 0 out amp\n"
    network = read_deck(text, ground="ref").network
    deck = write_deck(network)
    assert "Vin in ref SIN(0 1 50) AC 1" in deck
    assert "VHOLD" not in deck
    back = read_deck(deck, ground="ref").network
    same_parts(back, network)
    assert back.supplies == network.supplies
    assert back.bench.decoupling == network.bench.decoupling


def test_unsafe_and_clashing_names_are_rewritten_and_said() -> None:
    names = {"a": "Net-(R1-1)", "p": "OUT"}
    deck = write_deck(SALLEN_KEY.renamed(nodes=names))
    assert "* node Net-_R1-1 stands for Net-(R1-1)" in deck
    back = read_deck(deck, output=None)
    # one of the two nodes out and OUT had to give way, and must not be taken for the output
    assert {n.lower() for n in back.network.nodes} >= {"out", "n_out"}


def test_an_output_of_another_name_is_said() -> None:
    deck = write_deck(SALLEN_KEY.renamed(nodes={"out": "n9"}))
    assert "* the output is node n9" in deck
    same_parts(read_deck(deck, output="n9").network, SALLEN_KEY.renamed(nodes={"out": "n9"}))


REQUESTS = """\
t
VIN in 0 AC 1
R1 in Net-(m) {r}
R2 Net-(m) OUT 20k
XU1 0 Net-(m) OUT AMP
.param r=10k
.param fx=1k
.options reltol=1e-6
.tran 1u 2m
.ac dec 20 10 100k
.meas ac gain find vdb(OUT)
+ at=fx
.save v(Net-(m)) v(out) xu1.x
.print ac v(out)
.plot tran v(elsewhere)
.step param r 1k 10k
.control
run
.endc
.end
"""


def test_the_lines_for_the_simulator_come_back_word_for_word() -> None:
    lines = write_deck(read_deck(REQUESTS).network).splitlines()
    for line in (
        ".param fx=1k",
        ".options reltol=1e-6",
        ".tran 1u 2m",
        ".ac dec 20 10 100k",
        "+ at=fx",
        ".save v(Net-_m) v(OUT) xu1.x",
    ):
        assert line in lines
    text = "\n".join(lines)
    assert text.count(".ac ") == text.count(".print ac") == text.count(".end\n") + 1
    for left in (
        ".param r=10k",
        ".plot tran v(elsewhere)",
        ".step param r 1k 10k",
        "the .control block from line 17 on",
    ):
        assert f"* left out: {left}" in lines
    again = read_deck(text).network
    assert [c for c in again.bench.cards if c[0] == "*"] == []


def test_a_sweep_that_is_asked_for_replaces_the_decks_own() -> None:
    lines = write_deck(read_deck(REQUESTS).network, frequencies=(1, 1e9)).splitlines()
    assert ".ac dec 50 1 1g" in lines
    assert "* left out: .ac dec 20 10 100k" in lines
    assert ".ac dec 20 10 100k" not in lines


@pytest.mark.parametrize(
    ("line", "kept"),
    [("10 100k", True), ("1k 1meg", False), ("1 100", False), ("{f1} {f2}", True), ("", True)],
)
def test_the_decks_own_sweep_stands_where_it_takes_in_the_modes(line: str, kept: bool) -> None:
    """One mode at 1/(2 pi R C) = 159 Hz."""
    deck = f"t\nVIN in 0 AC 1\nR1 in out 10k\nC1 out 0 100n\n.ac dec 20 {line}\n.end\n"
    lines = deck_text(read_deck(deck).network).splitlines()
    assert (f".ac dec 20 {line}".rstrip() in [x.rstrip() for x in lines]) is kept
    assert (".ac dec 50 1 100k" in lines) is not kept


@needs_simulator
def test_a_deck_with_its_own_requests_runs() -> None:
    kept = REQUESTS.replace(".tran 1u 2m\n", "").replace("xu1.x", "i(VIN)")
    answer = simulate(write_deck(read_deck(kept).network))
    assert answer.frequencies[[0, -1]] == pytest.approx([10, 1e5])
    # inverting amplifier: -R2/R1, common practice
    np.testing.assert_allclose(answer.node("OUT"), -2, rtol=1e-5)


@needs_simulator
@pytest.mark.parametrize("gain", ["1e5", "-2MEG", "12345.5"])
def test_the_gain_of_a_controlled_source_stays(gain: str) -> None:
    """A follower of gain A has H = A/(1 + A)."""
    pins = "out in" if gain.startswith("-") else "in out"
    deck = f"t\nVIN in 0 AC 1\nE1 out 0 {pins} {gain}\nR1 out 0 1k\n.end\n"
    written = write_deck(read_deck(deck).network)
    a = abs(parse_deck_number(gain)[0])
    assert 1 - simulate(written).node("out")[0].real == pytest.approx(1 / (1 + a), rel=1e-3)
    again = read_deck(written).network
    assert again.op_amps == read_deck(deck).network.op_amps
    assert write_deck(again) == written


BUFFERED = """\
Hydrophone, one supply, its middle behind a follower
VCC VCC 0 DC 5
R10 VCC D 10k
R11 D 0 10k
C10 D 0 10u
XU2 D VMID VCC 0 VMID AMP
VIN IN VMID AC 1
R1 IN A 10k
R2 A P 10k
C1 A OUT 22n
C2 P VMID 10n
XU1 P OUT VCC 0 OUT AMP
.end
"""


@needs_simulator
def test_the_buffer_of_the_ground_is_written_back() -> None:
    network = read_deck(BUFFERED, ground="VMID").network
    swapped = Swap().apply(network)[0]
    before, after = (
        simulate(write_deck(n, frequencies=(10, 1e5))).node("OUT") for n in (network, swapped)
    )
    np.testing.assert_allclose(before + after, 1, atol=1e-4)  # H and 1 - H
    back = read_deck(write_deck(network), ground="VMID").network
    same_parts(back, network)
    assert replace(back.bench, cards=(), models=()) == network.bench
    assert "VHOLD" not in write_deck(network)


NODE_NAMES = st.lists(
    st.from_regex(r"[A-Za-z0-9/+_#][A-Za-z0-9_+\-./#:]{0,8}", fullmatch=True).filter(
        lambda n: n.lower() not in ("0", "gnd", "out", "/out", "in") and "//" not in n
    ),
    min_size=3,
    max_size=6,
    unique_by=str.lower,
)
POSITIVE = st.floats(min_value=1e-18, max_value=1e15)


@st.composite
def networks(draw: st.DrawFn) -> Network:
    """A connected network: a chain in - ... - out, more branches, a ground end and op amps."""
    inner = draw(NODE_NAMES)
    chain = ["in", *inner, "out", "0"]
    pairs = list(pairwise(chain))
    more = st.tuples(st.sampled_from(chain), st.sampled_from(chain)).filter(lambda p: p[0] != p[1])
    pairs += draw(st.lists(more, max_size=8))
    branches = []
    for k, pair in enumerate(pairs):
        letter, power = draw(st.sampled_from([("R", 0), ("C", 1), ("L", -1)]))
        branches.append(Branch(f"{letter}{k}", power, pair, draw(POSITIVE)))
    outputs = draw(st.lists(st.sampled_from([*inner, "out"]), unique=True, max_size=3))
    five = draw(st.booleans())
    op_amps = []
    for k, out in enumerate(outputs):
        plus, minus = draw(more)
        name = draw(st.sampled_from(["U", "X", "XU", "A", "E", "Xa_"])) + str(k)
        op_amps.append(OpAmp(name, plus, minus, out, ("vcc!", "vee!") if five else None))
    supplies = ("vcc!", "vee!") if five and op_amps else ()
    return Network(tuple(branches), tuple(op_amps), supplies=supplies)


@given(networks())
def test_random_networks_come_back(network: Network) -> None:
    back = read_deck(write_deck(network)).network
    same_parts(back, network)
    assert set(back.supplies) == set(network.supplies)
    again = read_deck(write_deck(back)).network
    assert again == back


# -- refusals -----------------------------------------------------------------------------------

FDNR = Branch("D1", 2, ("out", "0"), 1e-15)


def with_branch(branch: Branch) -> Network:
    return replace(SALLEN_KEY, branches=(*SALLEN_KEY.branches, branch))


@pytest.mark.parametrize(
    ("network", "part"),
    [
        (with_branch(FDNR), "D1 is a frequency-dependent negative resistance"),
        (with_branch(Branch("R3", 0, ("out", "0"))), "R3 has no value; give values before"),
        (with_branch(Branch("r1", 0, ("out", "0"), 1.0)), "names R1 and r1 are one name"),
        (with_branch(Branch("Q3", 0, ("out", "0"), 1.0)), "resistor 'Q3' cannot stand in a deck"),
        (with_branch(Branch("R 3", 0, ("out", "0"), 1.0)), "'R 3' cannot stand in a deck"),
        (SALLEN_KEY.renamed(parts={"U1": "1U"}), "op amp name '1U' cannot stand in a deck"),
        (replace(SALLEN_KEY, outputs=()), "the network has no output"),
        (
            replace(SALLEN_KEY, inputs=(Port("input", "in"), Port("second", "a"))),
            "a network with one input",
        ),
    ],
)
def test_refusals(network: Network, part: str) -> None:
    with pytest.raises(NetworkError) as error:
        write_deck(network)
    assert part in str(error.value)


def test_refused_amplifiers() -> None:
    with pytest.raises(NetworkError, match="no op-amp model 'real'"):
        write_deck(SALLEN_KEY, amplifier="real")  # type: ignore[arg-type]
    with pytest.raises(NetworkError, match="must be positive"):
        write_deck(SALLEN_KEY, amplifier=Amplifier(gain_bandwidth=-1.0))


@pytest.mark.parametrize("frequencies", [(0, 1), (10, 10), (1, float("inf")), (float("nan"), 1)])
def test_refused_frequencies(frequencies: tuple[float, float]) -> None:
    with pytest.raises(NumberError, match="two increasing positive ones"):
        write_deck(SALLEN_KEY, frequencies=frequencies)
