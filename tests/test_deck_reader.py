"""Decks as people and schematic editors write them; every refusal with its sentence.

The line rules (title, comments, continuation, suffixes) are those of SPICE as the manual of
ngspice gives them, chapter 2 (circuit description); the choice of input, output, op amps and
supplies is our own, written in the docstring of `read_deck`.
"""

from __future__ import annotations

import contextlib
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from synth.errors import DeckError, NetworkError, SynthError
from synth.network.deck_reader import ReadResult, read_deck, read_deck_file
from synth.network.model import Branch, OpAmp, Port

HYDROPHONE = """\
Hydrophone preamplifier of the buoy, Sallen-Key low-pass
* all parts 1 %
VIN in 0 DC 0 AC 1
R1 in mid 10k
R2 mid plus 10k
C1 mid out 22n
C2 plus 0 10n
XU1 plus out out OPAMP
.subckt OPAMP p m o
E1 o 0 p m 1e6
.ends
.ac dec 20 10 100k
.end
R9 this is never read
"""

# As a schematic editor exports it: node names with dashes and parentheses, five-pin amplifiers
# in one package, split supplies, decoupling, tabs, carriage returns, a byte order mark.
WAVE_SENSOR = (
    "\ufeff"
    + """\
.title Wave sensor board, rev. B
.save all
.probe alli
V1\t+12V\tGND\tDC 12
V2\tGND\t-12V\tDC 12
V3\tNet-(J1-Pin_1)\tGND\tSIN(0 1 100) AC 1
C10\t+12V\tGND\t100nF
C11\t-12V\tgnd\t100nF
C12\t+12V\t-12V\t10uF
R1\tNet-(J1-Pin_1)\tNet-(U1A--)\t10kOhm
R2\tNet-(U1A--)\tNet-_U1A-Pad1_\t10kOhm
C1\tNet-(U1A--)\tNet-_U1A-Pad1_\t1nF
R3\tNet-_U1A-Pad1_\tNet-(U1B--)\t1MEG
R4\tNet-(U1B--)\t/OUT\t1MEG
R5\t/OUT\t+12V\t100k
XU1A\tGND\tNet-(U1A--)\t+12V\t-12V\tNet-_U1A-Pad1_\tGENERIC_DUAL
XU1B\tGND\tNet-(U1B--)\t+12V\t-12V
+\t/OUT\tGENERIC_DUAL
.end
""".replace("\n", "\r\n")
)

SINGLE_SUPPLY = """\
* Hum notch pickup, single supply
Vcc vcc 0 9
Ra vcc vref 100k
Rb vref 0 100k
Cref vref 0 100u
Vin in vref AC 1
R1 in n 10k
R2 n out 100k
C1 n out 100p
X1 vref n vcc 0 out lowpower
"""


def branch_table(result: ReadResult) -> dict[str, tuple[tuple[str, str], float | None]]:
    return {b.name: (b.nodes, b.value) for b in result.network.branches}


def test_a_hand_written_deck() -> None:
    network, notes = read_deck(HYDROPHONE)
    assert notes == ()
    assert network.title == "Hydrophone preamplifier of the buoy, Sallen-Key low-pass"
    assert network.branches == (
        Branch("R1", 0, ("in", "mid"), 10e3),
        Branch("R2", 0, ("mid", "plus"), 10e3),
        Branch("C1", 1, ("mid", "out"), 22e-9),
        Branch("C2", 1, ("plus", "0"), 10e-9),
    )
    assert network.op_amps == (OpAmp("U1", "plus", "out", "out", None, "OPAMP"),)
    assert network.inputs == (Port("input", "in"),)
    assert network.outputs == (Port("output", "out"),)
    assert network.reference == "0"
    assert network.supplies == ()
    assert network.bench.models == (("OPAMP", ".subckt OPAMP p m o\nE1 o 0 p m 1e6\n.ends"),)


def test_a_deck_from_a_schematic_editor() -> None:
    network, notes = read_deck(WAVE_SENSOR)
    assert network.title == "Wave sensor board, rev. B"
    assert notes == ()
    assert network.input == "Net-(J1-Pin_1)"
    assert network.output == "/OUT"
    assert network.supplies == ("+12V", "-12V")
    assert [b.name for b in network.branches] == ["R1", "R2", "C1", "R3", "R4", "R5"]
    assert [b.name for b in network.bench.decoupling] == ["C10", "C11", "C12"]
    assert network.op_amp("U1B") == OpAmp(
        "U1B", "0", "Net-(U1B--)", "/OUT", ("+12V", "-12V"), "GENERIC_DUAL"
    )
    assert network.values["R3"] == 1e6
    held = {str(t): t.held for t in network.terminals}
    assert held == {"R1.1": "", "R5.2": "supply +12V", "U1A.plus": "", "U1B.plus": ""}


def test_a_single_supply_circuit_with_its_own_reference() -> None:
    network, notes = read_deck(SINGLE_SUPPLY, ground="VREF")
    assert notes == ()
    assert network.title == "Hum notch pickup, single supply"
    assert network.reference == "vref"
    assert set(network.supplies) == {"0", "vcc"}
    assert [b.name for b in network.bench.decoupling] == ["Ra", "Rb", "Cref"]
    assert network.op_amp("X1").supply_pins == ("vcc", "0")
    assert [str(t) for t in network.terminals] == ["R1.1", "X1.plus"]


def test_without_the_reference_named_the_source_floats() -> None:
    with pytest.raises(DeckError, match="source Vin stands between nodes in and vref") as error:
        read_deck(SINGLE_SUPPLY)
    assert "say so with --ground vref" in str(error.value)


GROUNDED = SINGLE_SUPPLY.replace("Vin in vref", "Vin in 0")
BUFFER = "Ra vcc d 100k\nRb d 0 100k\nX2 d vref vcc 0 vref lowpower\n"
BUFFERED = SINGLE_SUPPLY.replace("Ra vcc vref 100k\nRb vref 0 100k\n", BUFFER)


@pytest.mark.parametrize(
    ("deck", "note"),
    [
        (
            GROUNDED,
            "node vref is held by a divider from vcc; if vref is the signal's ground, say so with "
            "--ground vref",
        ),
        (
            GROUNDED.replace("Ra vcc vref 100k\nRb vref 0 100k\n", BUFFER),
            "node d is held by a divider from vcc, and vref follows it; if vref is the signal's "
            "ground, say so with --ground vref",
        ),
        (
            GROUNDED.replace("Ra vcc vref 100k\nRb vref 0 100k\n", "Vref vref 0 4.5\n"),
            "node vref is held by source Vref; if vref is the signal's ground, say so with "
            "--ground vref",
        ),
    ],
)
def test_a_node_that_may_be_meant_as_the_ground_draws_a_note(deck: str, note: str) -> None:
    assert read_deck(deck).notes == (note,)
    assert read_deck(deck, ground="0").notes == ()


@pytest.mark.parametrize(
    "parts",
    [
        ("C1 in p 1u", "Ra vcc p 10k", "Rb p 0 10k", "X1 p out vcc 0 out amp"),  # bias
        ("R1 in out 1k", "X1 in q vcc 0 q amp", "Ra q x 1k", "Cx x 0 1n", "R2 out vcc 1k"),
        ("R1 in m 1k", "R2 m out 1k", "X1 0 m vcc vee out amp", "Vee vee 0 -5", "R9 out vcc 9k"),
    ],
)
def test_other_nodes_draw_no_note(parts: tuple[str, ...]) -> None:
    assert read_deck(with_parts("Vcc vcc 0 5", *parts)).notes == ()


@pytest.mark.parametrize(
    ("deck", "aside", "op_amps"),
    [
        (BUFFERED, ["Ra", "Rb", "Cref"], ["X2"]),
        # the follower with a resistor behind it, and in its feedback
        (
            BUFFERED.replace("X2 d vref vcc 0 vref", "Rs o vref 10\nRf o f 1k\nX2 d f vcc 0 o"),
            ["Ra", "Rb", "Rs", "Rf", "Cref"],
            ["X2"],
        ),
        # a source at its input
        (BUFFERED.replace("Ra vcc d 100k\nRb d 0 100k", "Vd d 0 4.5"), ["Cref"], ["X2"]),
    ],
)
def test_a_follower_that_makes_the_ground_is_set_aside(
    deck: str, aside: list[str], op_amps: list[str]
) -> None:
    network = read_deck(deck, ground="vref").network
    assert [b.name for b in network.bench.decoupling] == aside
    assert [u.name for u in network.bench.op_amps] == op_amps
    alone = read_deck(SINGLE_SUPPLY, ground="vref").network
    assert (network.branches, network.op_amps) == (alone.branches, alone.op_amps)
    assert network.terminals == alone.terminals


def test_an_op_amp_that_makes_the_ground_from_the_signal_is_refused() -> None:
    deck = BUFFERED.replace("Rb d 0 100k", "Rb d in 100k")
    with pytest.raises(DeckError, match=r"op amp X2 drives vref.*joined to the signal.*remove X2"):
        read_deck(deck, ground="vref")


def with_parts(*lines: str, source: str = "VIN in 0 AC 1") -> str:
    return "\n".join(("title", source, *lines, ".end"))


def test_case_comments_and_continuations() -> None:
    result = read_deck(
        with_parts(
            "r1 IN Mid ; first",
            "* a comment between",
            "",
            "   + 4.7K $ kilo in any case",
            "R2 mid OUT R = 1k tc1 = 0.001 // value by name",
            "c1 out GnD 10n ic=0",
            "C2 OUT 0 c=1n",
            "L1 oUt gnd 10mH",
        )
    )
    assert branch_table(result) == {
        "r1": (("in", "Mid"), 4700.0),
        "R2": (("Mid", "OUT"), 1000.0),
        "c1": (("OUT", "0"), 10e-9),
        "C2": (("OUT", "0"), 1e-9),
        "L1": (("OUT", "0"), 10e-3),
    }
    assert result.notes == ()


def test_simulator_commands_are_passed_over() -> None:
    deck = with_parts(
        ".options reltol=1e-6",
        ".model d1n d is=1e-14",
        ".control",
        "D1 run what you like",
        "plot v(out)",
        ".endc",
        "R1 in out 1k",
        ".meas ac x find v(out) at=1k",
        "C1 out 0 1u",
        ".unheard of",
    )
    result = read_deck(deck)
    assert list(branch_table(result)) == ["R1", "C1"]
    assert result.notes == ("line 12: .unheard is not used",)


def test_parameters_that_are_plain_numbers() -> None:
    result = read_deck(
        with_parts(
            ".param rval=4.7k cval = {10n}",
            ".param unused = {rval * 2}",
            "R1 in out {rval}",
            "R2 out 0 'rval'",
            "R3 out 0 RVAL",
            "C1 out 0 C={cval}",
        )
    )
    assert result.network.values == {"R1": 4700.0, "R2": 4700.0, "R3": 4700.0, "C1": 10e-9}


def test_passive_subcircuits_are_expanded() -> None:
    result = read_deck(
        with_parts(
            "X2 in out twice r=2k",
            ".subckt twice a b params: r=1k",
            "Xa a m ladder rr={r}",
            "Xb m b ladder",
            ".ends twice",
            ".subckt ladder p q rr=5k",
            "R1 p n1 {rr}",
            "R2 n1 q 1k",
            "C1 n1 gnd 1n",
            ".ends",
        )
    )
    assert branch_table(result) == {
        "R1_Xa_X2": (("in", "X2.Xa.n1"), 2000.0),
        "R2_Xa_X2": (("X2.Xa.n1", "X2.m"), 1000.0),
        "C1_Xa_X2": (("X2.Xa.n1", "0"), 1e-9),
        "R1_Xb_X2": (("X2.m", "X2.Xb.n1"), 5000.0),
        "R2_Xb_X2": (("X2.Xb.n1", "out"), 1000.0),
        "C1_Xb_X2": (("X2.Xb.n1", "0"), 1e-9),
    }


def test_op_amps_inside_an_expanded_subcircuit() -> None:
    network, _ = read_deck(
        with_parts(
            "XF in out vp vn section",
            "Vp vp 0 5",
            "Vn vn 0 -5",
            ".global rail",
            ".subckt section a b vcc vee",
            "R1 a n 1k",
            "C1 n rail 1n",
            "R9 rail 0 1k",
            "XU1 n b vcc vee b somebody",
            ".ends",
        )
    )
    assert network.op_amps == (OpAmp("U1_XF", "XF.n", "out", "out", ("vp", "vn"), "somebody"),)
    assert network.branch("C1_XF").nodes == ("XF.n", "rail")


def test_controlled_sources_of_high_gain_are_op_amps() -> None:
    network, _ = read_deck(
        with_parts(
            ".subckt opamp_gain_1meg a b c",
            ".ends",
            "R1 in a 1k",
            "R2 a m 1k",
            "E1 m 0 0 a 1e5",
            "R3 m b 1k",
            "R4 b out 1k",
            "E2 (out 0) (b, 0) -1MEG",
        )
    )
    assert network.op_amps == (
        OpAmp("E1", "0", "a", "m", model="opamp_gain_100k"),
        OpAmp("E2", "0", "b", "out", model="opamp_gain_1meg_"),
    )
    gains = [text.split()[-3] for _, text in network.bench.models]
    assert gains == ["100k", "1meg"]


def test_models_that_lean_on_other_definitions_are_kept_whole() -> None:
    deck = with_parts(
        ".param a0=1e5",
        ".model dz d is=1e-14",
        ".subckt unused a b c",
        "Q1 a b c q",
        ".ends",
        ".subckt core p m o",
        "E1 o 0 p m {a0}",
        "D1 o 0 dz",
        ".ends",
        ".subckt AMP p m vcc vee o",
        "* word for word",
        "Xc p m q core",
        "E2 o 0 q 0",
        "+ 1",
        ".ends AMP",
        "V1 v+ 0 5",
        "V2 v- 0 -5",
        "R1 in out 1k",
        "X9 in out v+ v- out amp",
    )
    models = dict(read_deck(deck).network.bench.models)
    assert list(models) == ["a0", "dz", "AMP", "core"]
    assert models["AMP"] == (
        ".subckt AMP p m vcc vee o\n* word for word\nXc p m q core\nE2 o 0 q 0\n+ 1\n.ends AMP"
    )


# -- input, output, supplies --------------------------------------------------------------------


def test_the_only_source_that_feeds_no_supply_is_the_input() -> None:
    network, _ = read_deck(
        with_parts(
            "Vp vp mid 5",
            "Vm mid 0 5",
            "Vs sig 0 SIN(0 1 1k)",
            "R1 sig a 1k",
            "X1 a out vp 0 out amp",
        ).replace("VIN in 0 AC 1\n", "")
    )
    assert network.input == "sig"
    assert set(network.supplies) == {"vp", "mid"}


def test_naming_input_and_output() -> None:
    deck = with_parts("R1 in x 1k", "R2 x y 1k", "C1 y 0 1n", "V2 x2 0 AC 1", "R3 x2 y 1k")
    network, notes = read_deck(deck, input_="V2", output="Y", keep_grounded=["c1"])
    assert (network.input, network.output) == ("x2", "y")
    assert network.supplies == ("in",)
    assert network.held == {"C1"}
    assert notes == ("source VIN also has an AC value; it is set aside",)
    assert network.bench.sources[0].text == "DC 0"
    assert read_deck(deck, input_="IN", output="y").network.input == "in"


def test_an_input_node_without_a_source() -> None:
    network, _ = read_deck("t\nR1 /sig out 1k\nC1 out 0 1n\n", input_="sig")
    assert network.input == "/sig"
    assert network.bench.sources == ()


def test_supply_pins_without_a_source_are_taken_as_supplies() -> None:
    network, notes = read_deck(
        with_parts("R1 in a 1k", "C1 a 0 1n", "C9 VCC 0 1u", "X1 a out VCC 0 out amp")
    )
    assert network.supplies == ("VCC",)
    assert [b.name for b in network.bench.decoupling] == ["C9"]
    assert notes == ("node VCC feeds pin vcc of X1 but no source holds it; taken as a supply",)


@pytest.mark.parametrize(
    ("line", "part"),
    [
        ("C9 out 0 1F", "femto"),
        ("R9 out 0 1M", "write 1MEG"),
        ("R9 out 0 0.5", "500 mohm, below 1 ohm"),
        ("R9 out 0 4k7", "simulators read 4k"),
        ("R9 out 0 1k foo=3", "parameter foo=3 is not used"),
    ],
)
def test_what_draws_a_note(line: str, part: str) -> None:
    notes = read_deck(with_parts("R1 in out 1k", line)).notes
    assert len(notes) == 1
    assert notes[0].startswith("line 4: ")
    assert part in notes[0]


def test_a_part_on_the_title_line_draws_a_note() -> None:
    result = read_deck("R1 in out 1k\nVIN in 0 AC 1\nR2 in out 1k\nC1 out 0 1n\n")
    assert list(result.network.values) == ["R2", "C1"]
    assert "is its title: 'R1 in out 1k' was not read" in result.notes[0]
    assert read_deck(with_parts("R1 in out 1k", "C1 out 0 1n")).notes == ()


# -- refusals -------------------------------------------------------------------------------------

RC = ("R1 in out 1k", "C1 out 0 1n")

REFUSED = [
    # parts
    ((*RC, "D1 out 0 dx"), "line 5: D1 is a diode"),
    ((*RC, "Q1 out 0 in qx"), "Q1 is a bipolar transistor"),
    ((*RC, "I1 out 0 0"), "I1 is a current source"),
    ((*RC, "G1 out 0 in 0 1m"), "voltage-controlled current source"),
    ((*RC, "K1 L1 L2 0.9"), "coupling of inductors"),
    ((*RC, "B1 out 0 v=exec(1)"), "behavioural source"),
    ((*RC, "?1 out 0 1"), "no kind of part"),
    ((*RC, "r1 out 0 1k"), "part r1 is already on line 3"),
    # values
    (("R1 in out 0", RC[1]), "the resistor has value 0 ohm; it must be above zero"),
    (("R1 in out -5", RC[1]), "value -5 ohm; it must be above zero"),
    (("R1 in out nan", RC[1]), "'nan' is not a number"),
    (("R1 in out 4M7", RC[1]), "write 4.7MEG for mega or 4.7m for milli"),
    (("R1 in out 1,5k", RC[1]), "'1,5k' is not a number"),
    (("R1 in out", RC[1]), "needs two nodes and one value"),
    (("R1 in out 1 k", RC[1]), "needs two nodes and one value"),
    (("R1 in out {r}", RC[1]), "parameter r is not defined; add .param r=number"),
    (("R1 in out {2*3}", RC[1]), "expressions are not evaluated"),
    ((".param r = 2 * 500", "R1 in out {r}", RC[1]), "parameter r: '2 * 500' is not a plain"),
    (("R1 in out 1k m=2", RC[1]), "m=2 multiplies the value"),
    (("R1 in out 1k ac=2k", RC[1]), "ac=2k is a second value"),
    (("R1 in in 1k", *RC), "part R1 is already"),
    # controlled sources and calls
    ((*RC, "E1 x 0 out 0 2"), "E1 has gain 2; a controlled source is taken as an op amp"),
    ((*RC, "E1 x 0 poly(1) out 0 0 1e6"), "controlled source of another form"),
    ((*RC, "E1 x 0 value={v(out)*1e6}"), "controlled source of another form"),
    ((*RC, "E1 x in2 out 0 1e6", "R5 x in2 1k", "R6 in2 0 1k"), "second node of E1, in2"),
    ((*RC, "X1 out y"), "X1 calls y with 1 pins"),
    ((*RC, "X1 in 0 out x thing"), "X1 calls thing with 4 pins, which is not in the deck"),
    ((*RC, "X1 in"), "needs nodes and the name of a subcircuit"),
    ((*RC, "X1 in 0 f", ".subckt f a b c", "R1 a b 1", ".ends"), "has 3 pins"),
    ((*RC, "X1 in 0 f", ".subckt f a b", "X2 a b f", ".ends"), "subcircuit f calls itself"),
    ((*RC, "X1 in 0 f z=1", ".subckt f a b", "R2 a b 1", ".ends"), "has no parameter z"),
    ((*RC, "X1 in 0 f", ".subckt f a b", "D1 a b d", ".ends"), "holds other parts than R, C, L"),
    ((*RC, ".subckt f a b", "R1 a b 1"), "subcircuit f has no .ends"),
    ((*RC, ".ends"), ".ends has no .subckt"),
    ((*RC, ".subckt f"), ".subckt needs a name and its pins"),
    ((*RC, *(".subckt f a b", "R1 a b 1", ".ends") * 2), "subcircuit f is defined twice"),
    (("X1 in 0 out VC VE amp", "R1 out VC 1k", "R2 VE in 1k"), "on the signal node out"),
    # lines
    ((".include amp.lib", *RC), "line 3: '.include amp.lib' is not followed; paste the subcircuit"),
    ((".inc 'amp.lib'", *RC), "is not followed"),
    ((".LIB models.lib tt", *RC), "is not followed"),
    ((".if (x==1)", *RC), "chooses lines by an expression"),
    # connections
    ((*RC, "R3 out nowhere 1k"), "floating node nowhere: only part R3 is connected to it"),
    ((*RC, "X1 lonely out x amp"), "only the plus input of op amp X1"),
    ((*RC, "R3 a b 1k", "C3 b a 1n"), "node a has no connection to the ground, the input"),
    ((*RC, "V2 out x 0", "R3 x 0 1k"), "source V2 stands between the signal nodes out and x"),
    # ports
    (("R1 in x 1k", "C1 x 0 1n"), "no node out; name the output with --output (nodes: in, x, 0)"),
    ((*RC, "R3 /OUT out 1k"), "ambiguous: nodes out and /OUT"),
    ((*RC, "V2 b 0 AC 1", "R3 b out 1k"), "it may be VIN (node in), V2 (node b); name one with"),
]


@pytest.mark.parametrize(("lines", "part"), REFUSED, ids=[p for _, p in REFUSED])
def test_refusals(lines: tuple[str, ...], part: str) -> None:
    with pytest.raises(DeckError) as error:
        read_deck(with_parts(*lines))
    assert part in str(error.value)
    assert "\n" not in str(error.value)


SOURCES = [
    ("VIN 0 in AC 1", "drives node in with the sign reversed; exchange its two nodes"),
    ("VIN in", "a V source needs two nodes"),
    ("VIN 0 0 AC 1", "has both ends at the ground"),
    ("* none", "the deck has no input (no V source); add VIN in 0 AC 1"),
    ("VIN other 0 AC 1", "no part is connected to input node other"),
    ("VIN in 0 1\nVB out2 0 1\nR7 out2 out 1k", "the input is ambiguous: it may be VIN (node in)"),
]


@pytest.mark.parametrize(("source", "part"), SOURCES, ids=[p for _, p in SOURCES])
def test_refused_sources(source: str, part: str) -> None:
    with pytest.raises(DeckError) as error:
        read_deck(with_parts(*RC, source=source))
    assert part in str(error.value)


@pytest.mark.parametrize(
    ("options", "part"),
    [
        ({"input_": "foo"}, "no node or V source is called foo (--input)"),
        ({"input_": "0"}, "--input 0 is the ground"),
        ({"output": "foo"}, "no node is called foo (--output); the nodes are in, out, 0"),
        ({"ground": "foo"}, "no node is called foo (--ground)"),
        ({"ground": "in"}, "name another ground than in with --ground"),
        ({"ground": "in", "input_": "in"}, "or another ground with --ground"),
        ({"keep_grounded": ["R9"]}, "no part is called R9 (--keep-grounded); the parts are R1, C1"),
    ],
)
def test_refused_options(options: dict[str, str], part: str) -> None:
    with pytest.raises(DeckError) as error:
        read_deck(with_parts(*RC), **options)  # type: ignore[arg-type]
    assert part in str(error.value)


@pytest.mark.parametrize(
    ("deck", "part"),
    [
        ("", "the deck has no parts"),
        ("title only", "the deck has no parts"),
        ("t\nVIN in x AC 1\nR1 in x 1k\nR2 x in 1k\n", "no node is called 0 or gnd"),
        (".include a.lib\nVIN in 0 AC 1\nR1 in 0 1k", "line 1: '.include a.lib' is not followed"),
        ("t\n+ R1 in 0 1k", "line 2 begins with + but there is no line to continue"),
        ("t\n" + "R1 a 0 1k ;" + "x" * 1_000_000, "at most 1000000 are read"),
        ("t\nR1 a\0 0 1k", "binary data"),
        ("t\n" + "\n".join(f"R{k} in 0 1k" for k in range(2001)), "more than 2000 parts"),
    ],
)
def test_refused_texts(deck: str, part: str) -> None:
    with pytest.raises(DeckError) as error:
        read_deck(deck)
    assert part in str(error.value)


def test_subcircuits_cannot_blow_up() -> None:
    levels = [f".subckt s{k} a b\nXa a b s{k + 1}\nXb a b s{k + 1}\n.ends" for k in range(15)]
    deck = with_parts("X1 in out s0", *levels, ".subckt s15 a b", "R1 a b 1k", ".ends")
    with pytest.raises(DeckError, match="more than 2000 parts"):
        read_deck(deck)


def test_deep_nesting_is_no_recursion() -> None:
    levels = [f".subckt s{k} a b\nX1 a b s{k + 1}\n.ends" for k in range(25)]
    deck = with_parts("X1 in out s0", *levels, ".subckt s25 a b", "R1 a b 1k", ".ends")
    with pytest.raises(DeckError, match="nested more than 20 deep") as error:
        read_deck(deck)
    assert "itself" not in str(error.value)


def test_a_shorted_part_is_refused_by_the_network() -> None:
    with pytest.raises(NetworkError, match="R3 has both ends on node out"):
        read_deck(with_parts(*RC, "R3 out out 1k"))


# -- files ----------------------------------------------------------------------------------


def test_a_file(tmp_path: Path) -> None:
    path = tmp_path / "wave.cir"
    path.write_bytes(WAVE_SENSOR.encode())
    assert read_deck_file(path) == read_deck(WAVE_SENSOR)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    binary, foreign, large = tmp_path / "a.cir", tmp_path / "b.cir", tmp_path / "c.cir"
    binary.write_bytes(b"\x89PNG\0\0")
    foreign.write_bytes("title\nR1 in out 10\u00b5\n".encode("latin-1"))
    large.write_bytes(b"*" * 1_000_001)
    for path, part in (
        (tmp_path, "is a folder"),
        (tmp_path / "none.cir", "there is no file"),
        (tmp_path / ("n" * 300), "cannot be read"),
        (Path("a\0b"), "is no file name"),
        (binary, "binary data"),
        (foreign, "is not UTF-8 text (byte 18); save it as UTF-8"),
        (large, "larger than 1 MB"),
    ):
        with pytest.raises(DeckError) as error:
            read_deck_file(path)
        assert part in str(error.value)


CARDS = ("R1", "C1", "L1", "V1", "XU1", "E1", "D1", ".subckt", ".ends", ".param", ".include")
NODES = ("in", "out", "0", "gnd", "a", "b", "(a", "b)", "(", ")")
VALUES = ("1k", "4k7", "1", "-1", "AC", "x=1", "{x}", "=", ",", ";", "$", "+", "*")
WORDS = st.sampled_from(CARDS) | st.sampled_from(NODES) | st.sampled_from(VALUES) | st.just("\n")


@given(st.lists(WORDS, max_size=60).map(" ".join) | st.text(max_size=200))
def test_any_text_gives_a_network_or_a_sentence(text: str) -> None:
    with contextlib.suppress(SynthError):
        read_deck(f"t\nVIN in 0 AC 1\n{text}")


@pytest.mark.parametrize(
    "line",
    [
        "R1 in" + " " * 900_000 + "out 1k",
        ".param " + "a" * 900_000,
        "R1 " + "(" * 900_000,
        "R1 " + "{" * 900_000,
        "R1 in out 1k" + "\n+" * 400_000,
        "R" * 900_000,
        "V1 in 0 " + "ac " * 300_000,
        ".subckt a b c\n" * 60_000,
    ],
    ids=["spaces", "name", "parentheses", "braces", "continuations", "word", "ac", "nested"],
)
def test_hostile_texts_end_soon(line: str) -> None:
    start = time.perf_counter()
    with contextlib.suppress(SynthError):
        read_deck(f"t\nVIN in 0 AC 1\n{line}\nC1 out 0 1n\n")
    assert time.perf_counter() - start < 5  # linear time takes well under a second
