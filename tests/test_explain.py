"""The derivation of a circuit: its values against independent ones, its text, its formats."""

import json
import math
import re
from dataclasses import replace

import numpy as np
import pytest

import synth
from synth.analysis.amplifier import Amplifier as Real
from synth.analysis.amplifier import same_everywhere
from synth.analysis.defect import defect_frequencies, limits
from synth.analysis.finite import hidden_transfer
from synth.analysis.loop import analyse, law_holds
from synth.analysis.real import real_system
from synth.analysis.ring import add, negate, product
from synth.analysis.sweep import Sweep
from synth.analysis.symbolic import to_sympy
from synth.catalog import names, stage, stages
from synth.cli.main import run
from synth.errors import NetworkError, SynthError, TransformError
from synth.network.deck_writer import write_deck
from synth.network.model import Branch, Network, OpAmp
from synth.report.explain import explanation
from synth.report.layout import WIDTH
from synth.report.mathematics import escaped, fraction
from synth.transform.cascade import cascade
from synth.transform.drive import Swap
from synth.transform.impedance import ImpedanceSwap
from tests.networks import (
    Amplifier,
    mna,
    random_networks,
    rate_of,
    return_ratio,
    sample_points,
    terminal_transfers,
    transfer,
)
from tests.simulator import needs_simulator, simulate
from tests.test_schema import VALIDATOR

MODEL = Real(2 * math.pi * 1e6, 2e5)
ORACLE = Amplifier(2 * math.pi * 1e6, 2e5)
ACTIVE = [s.name for s in stages() if s.network.op_amps]
KEY = "sallen-key-lowpass-unity"
every_stage = pytest.mark.parametrize("name", names())
every_active = pytest.mark.parametrize("name", ACTIVE)


def _circuit(name):
    return stage(name).circuit()


# -- the law with real amplifiers ------------------------------------------------------------------


@every_active
def test_h_and_its_complement_and_hidden_sum_to_one_with_unequal_amplifiers(name):
    """H and H' from nodal analysis of our own, T_hidden from the library."""
    circuit = _circuit(name)
    if Swap().accepts(circuit):
        pytest.skip("no accessible ground")
    swapped = synth.swap(circuit)
    oracle, models = {}, {}
    for k, u in enumerate(circuit.op_amps):
        wt, a0 = 2 * math.pi * 1e6 * 3.0**k, 1e5 / 7.0**k
        oracle[u.name], models[u.name] = Amplifier(wt, a0), Real(wt, a0)
    frequencies = rate_of(circuit) / (2 * math.pi) * np.array([0.03, 1.07, 40.0])
    hidden = real_system(circuit, models).hidden(2j * np.pi * frequencies)
    for f, h in zip(frequencies, hidden, strict=True):
        s = 2j * math.pi * f
        total = transfer(circuit, s, oracle) + transfer(swapped, s, oracle) + h
        assert abs(total - 1) < 1e-8 * (1 + abs(h) + abs(transfer(circuit, s, oracle)))


@every_active
def test_hidden_formula_is_that_of_nodal_analysis(name):
    circuit = _circuit(name)
    found = hidden_transfer(circuit)
    assert found is not None
    assert found.vanishes
    oracle = {u.name: Amplifier(math.inf, 30.0 * (k + 2)) for k, u in enumerate(circuit.op_amps)}
    values = dict(circuit.values) | {sym: oracle[u].a0 for u, sym in found.gains}
    s = sample_points(circuit, 1)[0]
    y = [
        s**b.power * (values[b.name] if b.power > 0 else 1 / values[b.name]) for b in found.symbols
    ]

    def value(poly):
        return sum(
            float(c) * math.prod(y[k] for k in range(len(y)) if mask >> k & 1)
            for mask, c in poly.items()
        )

    wanted = terminal_transfers(circuit, s, oracle)["hidden"]
    assert value(found.numerator) / value(found.denominator) == pytest.approx(wanted, rel=1e-6)


@every_active
def test_what_is_left_of_the_denominator_is_that_of_the_ideal_circuit(name):
    """Said in section 3 of the text; the sign of a determinant is a matter of row order."""
    circuit = _circuit(name)
    found = hidden_transfer(circuit)
    first = len(circuit.branches)
    left = {m: c for m, c in found.denominator.items() if not m >> first}
    whole = product(analyse(circuit).determinants)
    assert not add(left, negate(whole)) or not add(left, whole)


def test_hidden_formula_of_an_inverting_amplifier():
    """By hand: with e in series with the output, v_m = v_out R1/(R1 + R2) and v_out = e - A v_m,
    so v_out/e = (R1 + R2)/(A R1 + R1 + R2)."""
    import sympy

    network = Network(
        (Branch("R1", 0, ("in", "m")), Branch("R2", 0, ("m", "out"))),
        (OpAmp("U1", "0", "m", "out"),),
    )
    r1, r2, a = (sympy.Symbol(n, positive=True) for n in ("R1", "R2", "A"))
    found = to_sympy(hidden_transfer(network).formula)
    assert sympy.simplify(found - (r1 + r2) / (a * r1 + r1 + r2)) == 0


def test_inductors_and_their_like_are_taken_too():
    for network in random_networks(60, seed=5, powers=(-1, 0, 1, 2)):
        if not network.op_amps:
            continue
        f = rate_of(network) / (2 * math.pi)
        s = 2j * math.pi * f
        oracle = {u.name: ORACLE for u in network.op_amps}
        if mna(network, s, oracle).condition > 1e8:
            continue
        wanted = terminal_transfers(network, s, oracle)["hidden"]
        system = real_system(network, same_everywhere(network, MODEL))
        found = system.hidden(np.array([s]))[0]
        assert abs(found - wanted) < 1e-6 * max(1, abs(wanted))


# -- frequencies and the law T/(1 + T) -------------------------------------------------------------


@every_active
def test_one_per_cent_is_where_it_is_said(name):
    """|H + H' - 1| = |T_hidden| of nodal analysis: below 1 % before, 1 % there."""
    case = explanation(_circuit(name)).real[0]
    f = case.limits.one_per_cent
    if not 0 < f < math.inf:
        pytest.skip("never, or always, beyond 1 %")
    oracle = {u.name: ORACLE for u in case.network.op_amps}

    def size(hertz):
        return abs(terminal_transfers(case.network, 2j * math.pi * hertz, oracle)["hidden"])

    assert size(f) == pytest.approx(0.01, rel=1e-6)
    integrates = size(f * 1e-4) >= 0.01  # beyond 1 % at low frequency too
    assert max(size(f * x) for x in np.geomspace(0.5 if integrates else 1e-4, 0.99, 60)) < 0.01
    g = case.limits.tenth_db
    if 0 < g < math.inf:
        hidden = terminal_transfers(case.network, 2j * math.pi * g, oracle)["hidden"]
        assert abs(20 * math.log10(abs(1 - hidden))) == pytest.approx(0.1, rel=1e-6)


def test_limits_of_a_follower_by_hand():
    """A follower at the end of an RC: T = A, T_hidden = 1/(1 + A); |A| = wt/w at high frequency,
    so 1 % is reached near GBW/100 and |T/(1+T)| = 1/sqrt(1 + (f/GBW)^2) is 0.1 dB down at
    GBW sqrt(10^0.01 - 1)."""
    network = Network(
        (Branch("R1", 0, ("in", "p"), 1e4), Branch("C1", 1, ("p", "0"), 1e-8)),
        (OpAmp("U1", "p", "out", "out"),),
    )
    system = real_system(network, same_everywhere(network, Real(2 * math.pi * 1e6)))
    found = limits(Sweep(system, defect_frequencies(system, analyse(network))))
    assert found.one_per_cent == pytest.approx(1e6 / math.sqrt(1e4 - 1), rel=1e-6)
    assert found.tenth_db == pytest.approx(1e6 * math.sqrt(10**0.01 - 1), rel=1e-6)


@every_active
def test_loop_gain_and_its_law(name):
    circuit = _circuit(name)
    if len(circuit.op_amps) != 1:
        pytest.skip("more than one op amp")
    frequencies = rate_of(circuit) / (2 * math.pi) * np.array([0.1, 1.1, 30.0])
    system = real_system(circuit, same_everywhere(circuit, MODEL))
    gains = Sweep(system, frequencies).return_ratio(circuit.op_amps[0].name)
    for f, t in zip(frequencies, gains, strict=True):
        assert t == pytest.approx(return_ratio(circuit, 2j * math.pi * f, ORACLE), rel=1e-8)
    rows = explanation(circuit).real[0].rows
    if (circuit.op_amps[0].out,) == circuit.reading.nodes:
        for row in rows:
            law = row.loop_gain / (1 + row.loop_gain)
            assert abs(1 - row.hidden - law) < 1e-9 * max(1, abs(law))
    else:
        assert all(row.loop_gain is None for row in rows)


# -- the simulator ---------------------------------------------------------------------------------

SIMULATED = (KEY, "multiple-feedback-bandpass", "tow-thomas-lowpass")


@needs_simulator
@pytest.mark.parametrize("name", SIMULATED)
def test_simulator_leaves_one_by_one_per_cent_where_it_is_said(name):
    circuit = _circuit(name)
    f = explanation(circuit).real[0].limits.one_per_cent
    answers = [
        simulate(write_deck(n, amplifier=MODEL, frequencies=(f, f * 1.01), points=1000))
        for n in (circuit, synth.swap(circuit))
    ]
    assert answers[0].frequencies[0] == pytest.approx(f, rel=1e-9)
    total = sum(a.node(circuit.output)[0] for a in answers)
    assert abs(total - 1) == pytest.approx(0.01, rel=1e-3)


@needs_simulator
@pytest.mark.parametrize("name", SIMULATED)
def test_simulator_with_the_references_brought_out_has_a_sum_of_one(name):
    """The one-pole amplifier as a deck of our own, its reference a pin; all references one node."""
    circuit = _circuit(name)
    # a source of gm into 1 ohm beside a capacitor makes A0/(1 + s A0/wt); then, against ref, out
    tail = [
        ".subckt pole plus minus out ref",
        f"G1 0 x plus minus {MODEL.dc_gain!r}",
        "R1 x 0 1",
        f"C1 x 0 {MODEL.dc_gain / MODEL.gain_bandwidth!r}",
        "E1 out ref x 0 1",
        ".ends",
        ".ac dec 20 10 1meg",
        f".print ac v({circuit.output})",
        ".end",
        "",
    ]
    moves = {
        t.key: "0" if t.at == "input" else circuit.input for t in circuit.terminals if not t.held
    }
    swapped = circuit.with_pins(moves)
    assert swapped.terminals != circuit.terminals
    total = 0
    for network, on_input, on_reference in ((circuit, 1, 0), (swapped, 1, 0), (circuit, 0, 1)):
        lines = ["references brought out"]
        lines += [f"{b.name} {' '.join(b.nodes)} {b.value!r}" for b in network.branches]
        lines += [f"X{u.name} {u.plus} {u.minus} {u.out} ref pole" for u in network.op_amps]
        lines += [f"VIN {circuit.input} 0 DC 0 AC {on_input}", f"VREF ref 0 DC 0 AC {on_reference}"]
        total = total + simulate("\n".join([*lines, *tail])).node(circuit.output)
    assert np.abs(total - 1).max() < 1e-6


# -- the record ------------------------------------------------------------------------------------


@every_stage
def test_every_stage_is_explained(name):
    record = synth.explain(_circuit(name))
    text, marked = record.text, record.markdown
    assert str(record) == text
    assert max(map(len, text.splitlines())) <= WIDTH
    assert "IT DOES NOT" not in text
    assert "do NOT sum" not in text
    assert text.count("\n9. ") == marked.count("\n## 9\\. ") + marked.count("\n## 9. ") == 1
    _check_markdown(marked)
    if record.network.op_amps:
        assert record.unstable, "every active stage has a case that does not work"
        assert all(c.mode is None or c.mode.real > 0 for c in record.unstable)


def _check_markdown(text):
    plain = text.replace("$$", "")
    assert text.count("$$") % 2 == 0
    for line in plain.splitlines():
        assert line.count("$") % 2 == 0, line
    formulas = re.findall(r"\$\$\n(.*?)\n\$\$|\$([^$]+)\$", text, re.DOTALL)
    assert formulas
    for pair in formulas:
        latex = "".join(pair)
        depth = 0
        for c in latex.replace(r"\{", "").replace(r"\}", ""):
            depth += {"{": 1, "}": -1}.get(c, 0)
            assert depth >= 0, latex
        assert depth == 0, latex
        assert "|" not in latex
        assert latex.count(r"\left(") == latex.count(r"\right)")


@every_stage
def test_every_stage_without_values_is_explained(name):
    network = stage(name).network
    if not network.branches:
        pytest.skip("no part that could have a value")
    record = synth.explain(network)
    assert record.spot is None
    assert record.real == ()
    assert "N_k" not in record.text
    _check_markdown(record.markdown)


@every_stage
def test_coefficients_add_up_in_part_names(name):
    record = synth.explain(stage(name).network)
    for c in record.coefficients:
        total = {}
        for _, terms in c.terms:
            for _, parts, value in terms:
                total[parts] = total.get(parts, 0) + value
        wanted = {} if record.network.reading.against else {p: v for _, p, v in c.denominator}
        assert {k: v for k, v in total.items() if v} == wanted
    if record.coefficients:
        powers = {c.power for c in record.coefficients if c.denominator}
        assert max(powers) - min(powers) <= stage(name).order


@every_stage
def test_spot_values_are_those_of_nodal_analysis(name):
    circuit = _circuit(name)
    spot = explanation(circuit).spot
    wanted = terminal_transfers(circuit, 2j * math.pi * spot.frequency_hz)
    for terminal, value in spot.values:
        assert abs(value - wanted[terminal.key]) < 1e-6 * (1 + abs(value))
    rest = abs(spot.total - circuit.terminal_sum)
    assert rest < 1e-9 * (1 + sum(abs(v) for _, v in spot.values))


@every_active
def test_the_case_that_does_not_work_has_the_same_algebra(name):
    """Exchanged inputs: same ideal H; the mode solves the equations of our own."""
    circuit = _circuit(name)
    for case in explanation(circuit).unstable:
        if not case.exchanged:
            continue
        op_amps = tuple(
            OpAmp(u.name, u.minus, u.plus, u.out) if u.name == case.exchanged else u
            for u in circuit.op_amps
        )
        network = replace(circuit, op_amps=op_amps)
        assert law_holds(analyse(network))
        assert str(case.formula) == str(synth.analyse(circuit).response.formula)
        oracle = {u.name: ORACLE for u in network.op_amps}
        # the equations are singular at a mode, and not beside it
        at, beside = (
            abs(np.linalg.det(mna(network, case.mode * x, oracle).matrix)) for x in (1.0, 1.3)
        )
        assert at < 1e-6 * beside


def test_a_circuit_in_positive_feedback_is_said_to_be_so():
    """By hand: a non-inverting amplifier with its inputs exchanged; v+ = b v_out with
    b = R1/(R1 + R2), so the mode is at s = b wt - wt/A0."""
    network = Network(
        (Branch("R1", 0, ("m", "0"), 1e3), Branch("R2", 0, ("m", "out"), 4e3)),
        (OpAmp("U1", "m", "in", "out"),),
    )
    (case,) = explanation(network).unstable
    assert case.exchanged == ""
    assert case.sum_is_one
    assert case.mode == pytest.approx(0.2 * MODEL.gain_bandwidth * (1 - 5 / 2e5), rel=1e-9)
    text = " ".join(explanation(network).text.split())
    assert "U1 is in positive feedback" in text
    assert "the algebra holds" in text


def test_a_growing_mode_with_ideal_op_amps_is_told_apart():
    """Sallen-Key with gain K: Q = 1/(3 - K) at equal parts, so K = 4 grows (P. Horowitz, W. Hill,
    The Art of Electronics, filter chapter, from memory): s^2 - w0 s + w0^2."""
    parts = (
        Branch("R1", 0, ("in", "a"), 1e4),
        Branch("R2", 0, ("a", "p"), 1e4),
        Branch("C1", 1, ("a", "out"), 1e-8),
        Branch("C2", 1, ("p", "0"), 1e-8),
        Branch("R3", 0, ("m", "0"), 1e4),
        Branch("R4", 0, ("m", "out"), 3e4),
    )
    record = explanation(Network(parts, (OpAmp("U1", "p", "m", "out"),)))
    (case,) = record.unstable
    assert case.ideal
    assert case.mode.real == pytest.approx(5e3, rel=1e-9)


def test_held_terminals_with_a_real_amplifier():
    """H of both circuits by nodal analysis: H + H' = 1 - T_load - T_hidden."""
    free = _circuit(KEY)
    load = Branch("RL", 0, ("p", "0"), 33e3)
    network = replace(free, branches=(*free.branches, load), held=frozenset({"RL"}))
    record = explanation(network)
    oracle = {u.name: ORACLE for u in network.op_amps}
    for row in record.real[0].rows:
        s = 2j * math.pi * row.frequency_hz
        total = transfer(network, s, oracle) + transfer(synth.swap(network), s, oracle)
        share = terminal_transfers(network, s, oracle)["RL", "2"]
        assert abs(total - (1 - share - row.hidden)) < 1e-9
    assert "(RL.2) are counted as interchanged too" in " ".join(record.text.split())


def test_held_terminals_leave_their_share():
    """RC with a load: H + H' = 1 - T_load; at DC T_load = R1/(R1 + RL), by the divider."""
    network = Network(
        (
            Branch("R1", 0, ("in", "out"), 1e3),
            Branch("C1", 1, ("out", "0"), 1e-6),
            Branch("RL", 0, ("out", "0"), 4e3),
        ),
        held=frozenset({"RL"}),
    )
    case = explanation(network).held
    assert case.actual
    assert [str(t) for t in case.terminals] == ["RL.2"]
    w = 2 * math.pi * case.frequency_hz
    assert case.spot == pytest.approx(1e-3**-1 / (1e3 + 1 / 4 * 1e3 + 1j * w) / 4, rel=1e-9)
    text = " ".join(str(explanation(network)).split())
    assert "RL.2 stay where they are" in text
    assert "counted as interchanged too" not in text  # there is no op amp
    free = explanation(Network(network.branches)).held
    assert not free.actual


# -- steps -----------------------------------------------------------------------------------------


def test_steps_say_what_moved_and_h_before_and_after():
    record = synth.explain(_circuit(KEY), [Swap(), ImpedanceSwap(1e3)])
    first, second = record.steps
    assert {(c.old.name, c.old.nodes, c.new.nodes) for c in first.changes} == {
        ("R1", ("in", "a"), ("0", "a")),
        ("C2", ("p", "0"), ("p", "in")),
    }
    assert (first.sum.gain, first.sum.sections) == (1.0, ())
    assert first.before.formula == record.analysis.response.formula
    assert second.before.formula == first.after.formula
    values = {c.old.name: c.new.value for c in second.changes}
    # C = 1/(w0 R) and R = 1/(w0 C)
    assert values["R1"] == pytest.approx(1 / (2e3 * math.pi * record.network.values["R1"]))
    text = " ".join(record.text.split())
    assert first.step.theorem in text
    assert second.step.theorem in text


def test_a_swap_leaves_the_amplifier_figures_and_rc_cr_does_not():
    alike = synth.explain(_circuit(KEY), [Swap()])
    assert len(alike.real) == 1
    assert "alike" in alike.real[0].what
    other = synth.explain(_circuit(KEY), [ImpedanceSwap(3e3)])
    assert len(other.real) == 2


def test_a_step_that_does_not_apply_says_so():
    divider = Network((Branch("R1", 0, ("in", "out"), 1e4), Branch("R2", 0, ("out", "0"), 1e4)))
    with pytest.raises(TransformError, match="rc-cr needs"):
        synth.explain(divider, [ImpedanceSwap()])


# -- the text follows the circuit ------------------------------------------------------------------


def test_the_text_changes_with_the_circuit():
    base = _circuit(KEY)
    text = explanation(base).text
    other_value = explanation(base.with_values({"R1": base.values["R1"] * 2})).text
    renamed = explanation(base.renamed(parts={"R1": "R7", "U1": "U9"}, nodes={"a": "mid"})).text
    faster = explanation(base, (), Real(2 * math.pi * 1e7, 2e5)).text
    loaded = explanation(_circuit("sallen-key-lowpass-gain")).text
    assert len({text, other_value, renamed, faster, loaded}) == 5
    assert "R7.1" in renamed
    assert "R1.1" not in renamed
    assert "U9" in renamed
    assert "mid" in renamed


def test_every_figure_in_the_sum_is_from_the_values():
    record = explanation(_circuit(KEY))
    v = record.network.values
    w2 = 1 / (v["R1"] * v["R2"] * v["C1"] * v["C2"])
    assert f"{w2:.6g}" in record.text
    assert f"{(v['R1'] + v['R2']) / (v['R1'] * v['R2'] * v['C1']):.6g}" in record.text


def test_a_passive_circuit_has_no_reference():
    text = " ".join(explanation(_circuit("rc-lowpass")).text.split())
    assert "There is no op amp, so nothing else refers to ground" in text
    assert "at every frequency" in text


def test_several_inputs_are_explained():
    network = synth.read(
        "wave sensor\nV1 a 0 AC 1\nV2 b 0 AC 1\nR1 a m 10k\nR2 m out 20k\nR3 b p 10k\n"
        "R4 p 0 20k\nXU1 p m out opamp\n.end\n",
        input_="a,b",
    )
    text = synth.explain(network).text
    assert "H_a(s) = T_R1.1 = -R2/R1" in text
    assert "1 - H_a(s) - H_b(s)" in text
    with pytest.raises(SynthError, match="with one input; it has 2: a, b"):
        synth.explain(network, [Swap()])


def test_a_long_cascade_is_explained_in_numbers():
    chain = cascade([_circuit(KEY)] * 4).network
    record = explanation(chain, [("swap=2", Swap("2"))])
    assert record.coefficients == ()
    assert "too many terms to be read" in record.text
    assert max(map(len, record.text.splitlines())) <= WIDTH
    _check_markdown(record.markdown)


def test_names_that_are_markup_are_escaped():
    odd = {"R1": "R_1$", "C2": "C|2*", "U1": "U{1}#"}
    network = _circuit(KEY).renamed(parts=odd, nodes={"a": "<n>_1", "p": "x`$y"})
    marked = explanation(network).markdown
    _check_markdown(marked)
    assert "<n>" not in marked
    assert r"\mathrm{R\_1\char36{}}" in marked
    assert escaped("a b_c") == r"a~b\_c"
    assert "\x1b" not in explanation(_circuit(KEY).renamed(nodes={"a": "n\x1b[31m"})).text


def test_latex_of_a_formula():
    """1/(1 + s R1 C1), written as LaTeX."""
    symbolic = synth.analyse(_circuit("rc-lowpass")).response.formula
    wanted = r"\frac{1}{s\,\mathrm{C1}\,\mathrm{R1} + 1}"
    assert fraction(symbolic).latex == wanted


@pytest.mark.parametrize("model", [Real(0.0, 1e5), Real(-1.0), Real(1e6, 1.0)])
def test_amplifiers_that_are_none(model):
    with pytest.raises(NetworkError, match="give a positive frequency and a gain above 1"):
        explanation(_circuit(KEY), (), model)


# -- the command -----------------------------------------------------------------------------------


def _said(capsys, *arguments):
    assert run(arguments) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return out


@every_stage
def test_json_follows_the_schema(name, capsys):
    steps = [] if Swap().accepts(_circuit(name)) else ["swap", "prune"]
    answer = json.loads(_said(capsys, "explain", name, *steps, "--json"))
    VALIDATOR.validate(answer)
    assert answer["command"] == "explain"
    one = _circuit(name).terminal_sum == 1
    assert answer["law_holds"]
    assert answer["terminals_sum_to_one"] == one
    assert len(answer["steps"]) == len(steps)
    for case in answer["unstable"]:
        assert case["terminals_sum_to_one"] == one


def test_command_writes_what_the_ending_says(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    shown = _said(capsys, "explain", KEY, "swap")
    assert shown == _said(capsys, "explain", KEY, "swap", "--format", "text")
    marked = _said(capsys, "explain", KEY, "swap", "--format", "markdown")
    assert marked.startswith("# Explained: ")
    assert _said(capsys, "explain", KEY, "swap", "-o", "a.md") == "written: a.md\n"
    assert _said(capsys, "explain", KEY, "swap", "-o", "a.txt") == "written: a.txt\n"
    assert (tmp_path / "a.md").read_text() == marked
    assert (tmp_path / "a.txt").read_text() == shown


def test_help_fits_80_columns_and_names_the_steps(capsys):
    text = _said(capsys, "explain", "--help")
    assert max(map(len, text.splitlines())) <= WIDTH
    assert "rc-cr" in text


def test_options_of_the_amplifier(capsys):
    arguments = ["explain", KEY, "--gain-bandwidth", "10MHz", "--dc-gain", "1e6", "--json"]
    answer = json.loads(_said(capsys, *arguments))
    assert answer["amplifier"] == {
        "gain_bandwidth_hz": pytest.approx(1e7, rel=1e-12),
        "dc_gain": 1e6,
    }
    slow = json.loads(_said(capsys, "explain", KEY, "--json"))
    ratio = answer["real"][0]["one_per_cent_hz"] / slow["real"][0]["one_per_cent_hz"]
    assert 5 < ratio < 20


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["-o", "a.cir"], "end it in .md for Markdown or .txt for plain text"),
        (["-o", "a.md", "--format", "text"], "disagree"),
        (["twist"], "there is no step 'twist'"),
        (["--gain-bandwidth", "0"], "give a positive frequency"),
        (["--gain-bandwidth", "-1MHz"], "give a positive frequency"),
        (["--dc-gain", "1"], "a gain above 1"),
        (["--dc-gain", "many"], "--dc-gain"),
        (["-o", "nowhere/a.md"], "there is no folder nowhere"),
    ],
)
def test_wrong_input_is_one_sentence(arguments, words, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run(["explain", KEY, *arguments]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
