"""Op amps paired anew: same ideal H, stability, and published first-order errors of f0 and Q.

Sources are named beside each check.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from importlib.resources import files
from itertools import product
from math import pi
from pathlib import Path

import numpy as np
import pytest
from jsonschema import Draft202012Validator

from synth.analysis.amplifier import Amplifier as Real
from synth.analysis.loop import analyse
from synth.analysis.numbers import common_form, modes
from synth.analysis.roots import real_roots
from synth.catalog import Stage, stage, stages
from synth.cli.main import run
from synth.errors import NetworkError, NumberError
from synth.network.equivalence import equivalent
from synth.network.model import Branch, Network, OpAmp
from synth.realisation.circuit import read_design_file
from synth.search.pairing import MOST_OP_AMPS, all_wirings, gain_error, pairings, rewired
from synth.search.wiring import RATIOS, Wiring
from synth.transform.cascade import cascade
from tests import networks as oracle
from tests.networks import random_networks

VALIDATOR = Draft202012Validator(
    json.loads(files("synth").joinpath("schema.json").read_text(encoding="utf-8"))
)
R, C = 1e4, 1e-8
W0 = 1e4

with_op_amps = pytest.mark.parametrize(
    "one", [s for s in stages() if s.network.op_amps], ids=lambda s: s.name
)


def with_values(name: str, values: Mapping[str, float]) -> Network:
    return stage(name).network.with_values(values)


def converter(q: float) -> Network:
    """The two-amplifier impedance converter n-R2-o1-C2-mid-R3-out-R4-bot-R5-ground with C1 at n."""
    equal = dict.fromkeys(("R2", "R3", "R4", "R5"), R)
    return with_values("fliege-bandpass", {"R1": q * R, "C1": C, "C2": C, **equal})


# -- the wirings -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "count"),
    [
        ("sallen-key-lowpass-unity", 2),  # one op amp: two orientations
        ("wien-robinson-notch", 8),  # two op amps that share no input node: 2! * 2**2
        ("fliege-bandpass", 24),  # one shared node: 3 trees * 2! * 2**2
        ("bainter-notch", 144),  # a pair with a shared ground and one apart: 3 * 3! * 2**3
        ("tow-thomas-bandpass", 768),  # three with a shared ground: 4**2 trees * 3! * 2**3
    ],
)
def test_number_of_wirings(name: str, count: int) -> None:
    """Trees on n labelled nodes: n**(n - 2) (A. Cayley, Quart. J. 23 (1889) 376-378)."""
    network = stage(name).network
    wirings = list(all_wirings(network))
    assert len(wirings) == len(set(wirings)) == count
    assert wiring_of(network) in wirings


@pytest.mark.parametrize("name", ["fliege-notch", "bainter-notch", "akerberg-mossberg-lowpass"])
def test_every_wiring_has_the_same_ideal_transfer(name: str) -> None:
    network = stage(name).circuit()
    expected = common_form(analyse(network))
    for wiring in all_wirings(network):
        found = common_form(analyse(rewired(network, wiring)))
        assert (found.numerator, found.denominator) == (expected.numerator, expected.denominator)


def test_every_wiring_of_random_networks_has_the_same_ideal_transfer() -> None:
    """Against nodal analysis of our own."""
    done = 0
    for network in random_networks(250, seed=40):
        if len(network.op_amps) != 2:
            continue
        done += 1
        (s,) = oracle.sample_points(network, 1)
        expected = oracle.transfer(network, s)
        for wiring in all_wirings(network):
            found = oracle.transfer(rewired(network, wiring), s)
            assert abs(found - expected) < 1e-6 * max(1, abs(expected))
    assert done > 30


# -- stability -------------------------------------------------------------------------------------


def wiring_of(network: Network) -> Wiring:
    return tuple((u.plus, u.minus) for u in network.op_amps)


def grows(network: Network, ratios: tuple[float, ...], limit: float) -> bool:
    """A mode in the right half-plane, by eigenvalues of the equations of tests/networks.py."""
    rate = max(abs(p) for p in modes(analyse(network)))
    models = {
        u.name: oracle.Amplifier(limit * r * rate, np.inf)
        for u, r in zip(network.op_amps, ratios, strict=True)
    }
    found = oracle.modes_by_eigenvalues(network, rate, models)
    return any(x.real > 1e-6 * max(1.0, abs(x)) for x in found)


@pytest.mark.parametrize(
    "network",
    [converter(5), stage("simulated-inductor-highpass").circuit(), stage("fdnr-lowpass").circuit()],
    ids=["converter", "inductor", "fdnr"],
)
def test_kept_pairings_are_stable_and_the_others_are_not(network: Network) -> None:
    kept = {wiring_of(x.network) for x in pairings(network, 1e7).stable}
    assert 1 < len(kept) < 24
    combinations = list(product(RATIOS[2], repeat=2))
    for wiring in all_wirings(network):
        one = rewired(network, wiring)
        growing = [grows(one, c, 1e4) for c in combinations]
        if wiring in kept:
            assert not any(growing)
            assert not grows(one, (0.5, 2.0), 1e5)  # and so between the ratios tried
        else:
            assert any(growing), wiring


@pytest.mark.parametrize("name", ["fdnr-lowpass", "fliege-lowpass"])
def test_unequal_amplifiers_sort_out_what_equal_ones_let_pass(name: str) -> None:
    network = stage(name).circuit()
    kept = {wiring_of(x.network) for x in pairings(network, 1e7).stable}
    with_equal = {
        w
        for w in all_wirings(network)
        if not any(grows(rewired(network, w), (1.0, 1.0), x) for x in (1e4, 1e6))
    }
    assert kept < with_equal


@with_op_amps
def test_the_published_pairing_of_every_stage_is_among_the_stable(one: Stage) -> None:
    found = pairings(one.circuit(), 1e7)
    own = [x for x in found.stable if not x.changes]
    assert len(own) == 1
    assert own[0].network == one.circuit()
    assert [x.worst for x in found.stable] == sorted(
        (x.worst for x in found.stable), key=lambda x: float(f"{x:.6g}")
    )


# -- published facts -------------------------------------------------------------------------------


@pytest.mark.parametrize("q", [1.0, 5.0, 20.0])
def test_the_well_known_converter_is_the_least_sensitive_in_q(q: float) -> None:
    """Op amps (+n, -m, out o2) and (+b, -m, out o1) (A. Antoniou, Proc. IEE 116 (1969) 1838-1850,
    from memory)."""
    found = pairings(converter(q), 1e6 / (2 * pi) * 10)
    assert len(found.stable) > 1

    def q_error(x):
        return abs(x.dominant.q_shift)

    best, second = sorted(found.stable, key=q_error)[:2]
    assert {(u.plus, u.minus, u.out) for u in best.network.op_amps} == {
        ("n", "mid", "out"),
        ("bot", "mid", "o1"),
    }
    assert q_error(second) > 10 * q_error(best)


def test_akerberg_mossberg_is_a_pairing_of_tow_thomas() -> None:
    """D. Akerberg, K. Mossberg, IEEE Trans. CAS-21 (1974) 75-78 (from memory): their loop is less
    sensitive by far."""
    parts = {"R4": 5 * R, "R1": 5 * R, "R2": R, "R3": R, "R5": R, "R6": R, "C1": C, "C2": C}
    found = pairings(with_values("tow-thomas-lowpass", parts), 1e6)
    published = stage("akerberg-mossberg-bandpass").network
    loops = []
    for x in found.stable:
        outputs = replace(x.network, outputs=())
        for u in x.network.op_amps:
            seen = replace(outputs, outputs=(replace_port(x.network, u.out),))
            if equivalent(seen, published) is not None:
                loops.append(x)
    assert loops
    (own,) = (x for x in found.stable if not x.changes)
    assert abs(loops[0].dominant.q_shift) < abs(own.dominant.q_shift) / 50


def replace_port(network: Network, node: str):
    return network.outputs[0]._replace(node=node)


EQUAL = {"R2": R, "R3": R, "R5": R, "C1": C, "C2": C}
#: Errors over e = w0/wt, by row of tests/published/published_tables.json.
FIRST_ORDER = {
    # A. Budak, Passive and Active Network Analysis and Synthesis, 1974 (from memory)
    "Sallen-Key LP unity, equal R": (
        "sallen-key-lowpass-unity",
        lambda q: {"R1": R, "R2": R, "C1": 4 * q * q * C, "C2": C},
        lambda q: (-q, q),
    ),
    # A. Budak, 1974 (from memory); K = 3 - 1/Q
    "Sallen-Key LP equal R, C, K = 3 - 1/Q": (
        "sallen-key-lowpass-gain",
        lambda q: {"R1": R, "R2": R, "C1": C, "C2": C, "RA": R, "RB": (2 - 1 / q) * R},
        lambda q: (-((3 - 1 / q) ** 2) / 2, (3 - 1 / q) ** 2 / 2),
    ),
    # A. S. Sedra, J. L. Espinoza, IEEE Trans. CAS-22 (1975) 122-130 (from memory)
    "multiple-feedback BP equal C, no divider": (
        "multiple-feedback-bandpass-no-attenuator",
        lambda q: {"R1": R, "R2": 4 * q * q * R, "C1": C, "C2": C},
        lambda q: (-q, q),
    ),
    # A. Budak, 1974 (from memory)
    "multiple-feedback LP, gain -1, equal R": (
        "multiple-feedback-lowpass",
        lambda q: {"R1": R, "R2": R, "R3": R, "C1": C, "C2": 9 * q * q * C},
        lambda q: (-1.5 * q, 0.5 * q),
    ),
    # L. C. Thomas, IEEE Trans. Circuit Theory CT-18 (1971) 350-361 (from memory): gain 1 at w0
    "Tow-Thomas": (
        "tow-thomas-bandpass",
        lambda q: {"R1": q * R, "R4": q * R, "R6": R, **EQUAL},
        lambda q: (-(1 + 1 / (2 * q)), 4 * q),
    ),
    # A. Budak, 1974 (from memory)
    "state-variable, non-inverting input": (
        "state-variable-bandpass",
        lambda q: {**EQUAL, "R7": R, "R1": R, "R3": (2 * q - 1) * R, "R6": R},
        lambda q: (-(1 - 3 / (2 * q)), 4 * q),
    ),
    # D. Akerberg, K. Mossberg, IEEE Trans. CAS-21 (1974) 75-78 (from memory): low-pass, gain 1
    "Akerberg-Mossberg": (
        "akerberg-mossberg-lowpass",
        lambda q: {"R1": q * R, "R4": R, "R6": R, **EQUAL},
        lambda q: (-1.5, 0.5),
    ),
    # A. S. Sedra, J. L. Espinoza, IEEE Trans. CAS-22 (1975) 122-130 (from memory)
    "impedance-converter biquad; two-amplifier band-pass": (
        "fliege-bandpass",
        lambda q: {"R1": q * R, "R4": R, **EQUAL},
        lambda q: (-2.0, 0.0),
    ),
}


def test_every_row_of_the_table_is_checked() -> None:
    path = Path(__file__).parent / "published" / "published_tables.json"
    table = json.loads(path.read_text(encoding="utf-8"))["finite_gain_bandwidth_first_order"]
    assert [row["stage"] for row in table["rows"]] == list(FIRST_ORDER)


@pytest.mark.parametrize("q", [1.0, 3.0, 30.0])
@pytest.mark.parametrize("row", FIRST_ORDER)
def test_first_order_errors(row: str, q: float) -> None:
    name, values, expected = FIRST_ORDER[row]
    network = with_values(name, values(q))
    ideal = modes(analyse(network))
    w0, e = abs(ideal[0]), 1e-6
    found = real_roots(network, Real(w0 / e))
    assert found.dominant is not None
    assert found.stable
    assert found.dominant.q == pytest.approx(q, rel=1e-9)
    f0_error, q_error = expected(q)
    assert found.dominant.f0_shift / e == pytest.approx(f0_error, rel=1e-3, abs=1e-3)
    # published is the term in Q; the three-amplifier loops have terms of order 1 and 1/Q beside it
    rest = {"Tow-Thomas": 0.51, "state-variable, non-inverting input": 1.51}.get(row, 1e-3)
    assert found.dominant.q_shift / e == pytest.approx(q_error, rel=2e-3, abs=rest)


def test_errors_at_large_e_are_those_of_the_polynomial() -> None:
    """Unity Sallen-Key with A = wt/s: (s^2 + s/Q + 1) + e*s*(s^2 + (2Q + 1/Q)*s + 1) by hand, from
    H = A*t/(1 - A*t) with the bridged-T transfer t."""
    q, e = 2.0, 0.2
    network = with_values(*(lambda r: (r[0], r[1](q)))(FIRST_ORDER["Sallen-Key LP unity, equal R"]))
    w0 = abs(modes(analyse(network))[0])
    roots = np.roots([e, 1 + e * (2 * q + 1 / q), 1 / q + e, 1])
    (p,) = (x for x in roots if x.imag > 0)
    found = real_roots(network, Real(w0 / e)).dominant
    assert found is not None
    assert 1 + found.f0_shift == pytest.approx(abs(p), rel=1e-9)
    assert found.q * (1 + found.q_shift) == pytest.approx(abs(p) / (-2 * p.real), rel=1e-9)


def test_gain_error_by_nodal_analysis() -> None:
    network = converter(4)
    found = pairings(network, 2e5)
    s = 2j * pi * found.centre_hz
    assert found.centre_hz == pytest.approx(W0 / (2 * pi), rel=1e-9)
    for x in found.stable:
        models = {u.name: oracle.Amplifier(2 * pi * 2e5, np.inf) for u in network.op_amps}
        real = abs(oracle.transfer(x.network, s, models)) / abs(oracle.transfer(network, s)) - 1
        assert x.gain_error == pytest.approx(real, rel=1e-6, abs=1e-12)


def test_no_gain_error_at_a_zero() -> None:
    network = stage("bainter-notch").circuit()
    loop = analyse(network)
    zero = 1j * abs(np.roots([float(c) for c in reversed(common_form(loop).numerator)])[0])
    assert gain_error(network, loop, Real(2 * pi * 1e6), zero.imag / (2 * pi)) is None


# -- what it refuses -------------------------------------------------------------------------------


def follower_chain(count: int) -> Network:
    """Followers with an RC low-pass before each."""
    branches, op_amps, node = [], [], "in"
    for k in range(1, count + 1):
        out = "out" if k == count else f"o{k}"
        branches += [Branch(f"R{k}", 0, (node, f"p{k}"), R), Branch(f"C{k}", 1, (f"p{k}", "0"), C)]
        op_amps.append(OpAmp(f"U{k}", f"p{k}", out, out))
        node = out
    return Network(tuple(branches), tuple(op_amps))


def test_the_number_of_op_amps_is_bounded() -> None:
    assert pairings(follower_chain(MOST_OP_AMPS), 1e6).stable
    with pytest.raises(NetworkError, match="5 op amps"):
        pairings(follower_chain(MOST_OP_AMPS + 1), 1e6)
    with pytest.raises(NetworkError, match="no op amp"):
        pairings(stage("rc-lowpass").circuit(), 1e6)


def test_other_refusals() -> None:
    network = converter(5)
    with pytest.raises(NetworkError, match="no value for"):
        pairings(stage("fliege-bandpass").network, 1e6)
    with pytest.raises(NumberError, match="positive"):
        pairings(network, 0.0)
    with pytest.raises(NumberError, match="times below"):
        pairings(network, 0.01)
    coil = replace(network, branches=(*network.branches, Branch("L1", -1, ("n", "0"), 1.0)))
    with pytest.raises(NetworkError, match="L1 is of kind inductor"):
        pairings(coil, 1e6)
    growing = with_values(
        "sallen-key-lowpass-gain", {"R1": R, "R2": R, "C1": C, "C2": C, "RA": R, "RB": 3 * R}
    )
    with pytest.raises(NetworkError, match="right half-plane"):
        pairings(growing, 1e6)


def test_an_op_amp_kept_grounded_stays() -> None:
    network = replace(stage("tow-thomas-bandpass").circuit(), held=frozenset({"U2"}))
    for wiring in all_wirings(network):
        assert wiring[1] == ("0", "y")


def test_slow_op_amps_make_some_grow_and_it_is_said(capsys) -> None:
    """Q enhancement of Tow-Thomas: Q' = Q/(1 - 4*Q*e) is infinite at e = 1/(4*Q) (L. C. Thomas,
    IEEE Trans. Circuit Theory CT-18 (1971) 350-361, from memory)."""
    values = FIRST_ORDER["Tow-Thomas"][1](20.0)
    network = with_values("tow-thomas-bandpass", values)
    limit = 4 * 20 * W0 / (2 * pi)
    for factor, present in ((0.8, False), (1.5, True)):
        found = pairings(network, factor * limit)
        assert any(not x.changes for x in found.stable) == present
        assert (found.growing > 0) or present
    assert run(["pairings", "tow-thomas-bandpass", "--gain-bandwidth", "10kHz"]) == 0
    text = capsys.readouterr().out
    assert "more would be stable with faster op amps" in text
    assert "is not among the stable ones" in text


# -- the command line ------------------------------------------------------------------------------


def test_json_answer(capsys) -> None:
    arguments = ["pairings", "tow-thomas-bandpass", "--gain-bandwidth", "1MHz", "--top", "3"]
    assert run([*arguments, "--pick", "5", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    VALIDATOR.validate(answer)
    ranks = [p["rank"] for p in answer["pairings"]]
    own = [p["rank"] for p in answer["pairings"] if not p["changes"]]
    assert ranks == sorted({1, 2, 3, 5, *own})
    assert len(own) == 1
    assert answer["tried"] == 768
    broken = answer | {"colour": "red"}
    assert not VALIDATOR.is_valid(broken)


@pytest.mark.parametrize("name", ["inverting-amplifier", "bainter-notch", "integrator-inverting"])
def test_json_answer_of_circuits_without_a_figure(name, capsys) -> None:
    assert run(["pairings", name, "--gain-bandwidth", "1MHz", "--json"]) == 0
    VALIDATOR.validate(json.loads(capsys.readouterr().out))


def test_text_and_file(tmp_path, capsys) -> None:
    path = tmp_path / "paired.json"
    arguments = ["pairings", "fliege-bandpass", "--gain-bandwidth", "1MHz", "--pick", "2"]
    assert run([*arguments, "-o", str(path)]) == 0
    text = capsys.readouterr().out
    assert "24 pairings" in text
    assert "none: the circuit as it is" in text
    assert "pairing 2:" in text
    design = read_design_file(str(path))
    assert [s.name for s in design.derivation][-1] == "pair-op-amps"
    found = pairings(stage("fliege-bandpass").circuit(), 1e6)
    assert design.network.op_amps == found.stable[1].network.op_amps
    deck = tmp_path / "paired.cir"
    assert run([*arguments, "-o", str(deck)]) == 0
    assert deck.exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["fliege-bandpass"], "gain-bandwidth is missing"),
        (["fliege-bandpass", "--gain-bandwidth", "1parsec"], "--gain-bandwidth"),
        (["fliege-bandpass", "--gain-bandwidth", "0Hz"], "must be positive"),
        (["fliege-bandpass", "--gain-bandwidth", "1MHz", "--pick", "99"], "--pick 99"),
        (["rc-lowpass", "--gain-bandwidth", "1MHz"], "no op amp"),
    ],
)
def test_wrong_input(arguments, words, capsys) -> None:
    assert run(["pairings", *arguments]) == 2
    err = capsys.readouterr().err
    assert words in err
    assert err.count("\n") == 1


def test_a_cascade_of_three_op_amps_is_paired_across_its_stages() -> None:
    chain = cascade(
        [converter(5), stage("multiple-feedback-bandpass").circuit()], buffer_last=False
    ).network
    found = pairings(chain, 1e7)
    assert len(chain.op_amps) == 3
    assert any(not x.changes for x in found.stable)
    assert len(found.stable[0].real.poles) == 2
