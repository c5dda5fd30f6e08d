"""The answer of ``synth lift --json`` and its refusals, by the command itself."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from synth.catalog import stage
from synth.cli.main import run
from synth.network.model import Network
from tests import networks as oracle
from tests.test_schema import VALIDATOR

CASES = [
    ("sallen-key-lowpass-gain", ("lowpass", "highpass", "bandpass", "bandstop", "allpass")),
    ("sallen-key-highpass-gain", ("lowpass", "lowpass-notch", "highpass-notch")),
    ("multiple-feedback-bandpass", ("bandstop", "allpass")),
    ("deliyannis-bandpass", ("bandstop",)),
    ("tow-thomas-bandpass", ("lowpass", "highpass", "bandstop", "highpass-notch")),
    ("akerberg-mossberg-lowpass", ("highpass", "bandpass", "allpass", "lowpass-notch")),
    ("fliege-bandpass-attenuator", ("highpass", "bandstop")),
    ("fliege-notch", ("allpass", "bandpass")),
    ("impedance-converter-bandpass", ("lowpass", "bandstop")),
]
each = pytest.mark.parametrize(("name", "kind"), [(n, k) for n, kinds in CASES for k in kinds])


def modes_of(network: Network) -> tuple[float, float]:
    """w0 and w0/Q, rad/s, from the determinants at three places."""
    rate = oracle.rate_of(network)
    found = oracle.modes_by_eigenvalues(network, rate)
    (a, b) = (x * rate for x in found)
    return math.sqrt(abs(a * b)), -(a + b).real


def wanted(kind: str, w0: float, d1: float, wz: float) -> np.ndarray:
    """The numerator of a gain of 1 by its definition, descending powers of s."""
    return np.array(
        {
            "lowpass": [0, 0, w0 * w0],
            "highpass": [1, 0, 0],
            "bandpass": [0, d1, 0],  # gain at the centre
            "bandstop": [1, 0, w0 * w0],
            "allpass": [1, -d1, w0 * w0],
            "lowpass-notch": [w0 * w0 / (wz * wz), 0, w0 * w0],  # gain at DC
            "highpass-notch": [1, 0, wz * wz],
        }[kind]
    )


def sum_of_terminals(network: Network, plan: list[dict], s: complex) -> complex:
    """H = sum a_k T_k of the circuit before the lift, by nodal analysis of our own."""
    transfers = oracle.terminal_transfers(network, s)
    return sum(x["fraction"] * transfers[x["part"], x["pin"]] for x in plan)


def same(network: Network, factor: float) -> Network:
    """The network with every value changed a little, each by another amount."""
    changed = {n: v * (1 + factor * (k + 1)) for k, (n, v) in enumerate(network.values.items())}
    return network.with_values(changed)


@each
def test_the_answer_keeps_its_contract(name, kind, capsys) -> None:
    circuit = stage(name).circuit()
    w0, d1 = modes_of(circuit)
    wz = {"lowpass-notch": 1.7, "highpass-notch": 0.6}.get(kind, 1.0) * w0
    at = f"={wz / 2 / math.pi!r}Hz" if kind.count("-") else ""
    assert run(["lift", name, "--to", kind + at, "--top", "3", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    VALIDATOR.validate(answer)
    assert answer["denominator"] == pytest.approx([1, d1, w0 * w0], rel=1e-9)
    for option in (answer, *answer["alternatives"]):
        plan = option["plan"]
        assert [(x["part"], x["pin"]) for x in plan] == [t.key for t in circuit.terminals]
        for x in plan:
            assert set(x) == {"part", "pin", "fraction", "split"}
            assert x["split"] == (0 < x["fraction"] < 1)
        top = np.array([0.0] * (3 - len(option["numerator"])) + option["numerator"])
        assert top == pytest.approx(option["gain"] * wanted(kind, w0, d1, wz), rel=1e-6, abs=1e-9)
        for s in w0 * np.array([0.3j, 0.2 + 1.1j, 5j]):
            h = np.polyval(top, s) / np.polyval(answer["denominator"], s)
            scale = abs(option["gain"])
            assert abs(sum_of_terminals(circuit, plan, s) - h) < 1e-6 * max(scale, abs(h))
        check_zeros(circuit, option, kind, w0, wz)


def check_zeros(circuit: Network, option: dict, kind: str, w0: float, wz: float) -> None:
    places = {
        "lowpass": {None: 2},
        "highpass": {0: 2},
        "bandpass": {0: 1, None: 1},
        "bandstop": {w0: 1},
        "allpass": {},
    }.get(kind, {wz: 1})
    found = option["zeros"]
    assert len({(z["frequency"], z["kind"]) for z in found}) == len(found)
    for zero in found:
        assert (zero["floor_db"] is None) == (zero["kind"] == "structural")
    for place, count in places.items():
        at = place / 2 / math.pi if place else place
        here = [z for z in found if z["frequency"] == (at if not at else pytest.approx(at))]
        assert sum(z["count"] for z in here) == count
        found = [z for z in found if z not in here]
        if place in (0, None):
            kept = order_of_zero(circuit, option["plan"], bool(place == 0), w0)
            assert sum(z["count"] for z in here if z["kind"] == "structural") == kept
    assert not found


def order_of_zero(circuit: Network, plan: list[dict], at_dc: bool, w0: float) -> int:
    """How fast H vanishes there with other values and the same fractions: nothing is matched."""
    other = same(circuit, 0.004)
    far = [1e-4, 1e-5] if at_dc else [1e4, 1e5]
    h = [abs(sum_of_terminals(other, plan, 1j * w0 * x)) for x in far]
    return round(abs(math.log10(h[1] / h[0])))


def test_an_answer_without_a_plan_says_what_is_in_reach(capsys) -> None:
    assert run(["lift", "sallen-key-lowpass-unity", "--to", "highpass", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    VALIDATOR.validate(answer)
    assert answer["plan"] is answer["gain"] is answer["numerator"] is answer["zeros"] is None
    assert answer["alternatives"] == []
    circuit = stage("sallen-key-lowpass-unity").circuit()
    for row in answer["reach"]["terminals"]:
        for s in (3e3j, 1e4 + 2e4j):
            t = oracle.terminal_transfers(circuit, s)[row["part"], row["pin"]]
            found = np.polyval(row["numerator"], s) / np.polyval(answer["denominator"], s)
            assert found == pytest.approx(t, rel=1e-9)


def test_the_schema_refuses_what_is_no_plan(capsys) -> None:
    """The check can fail."""
    assert run(["lift", "sallen-key-lowpass-gain", "--to", "highpass", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    for key, value in (("fraction", 1.5), ("split", "no"), ("colour", 1)):
        broken = json.loads(json.dumps(answer))
        broken["plan"][0][key] = value
        assert not VALIDATOR.is_valid(broken)


# -- bad input -------------------------------------------------------------------------------------

NO_GROUND = """hydrophone follower
VIN in 0 DC 0 AC 1
R1 in p 10k
C1 p out 10n
XU1 p out out opamp
.ac dec 10 1 1meg
.end
"""
TO_SUPPLY = """wave sensor from one supply
VCC vcc 0 DC 5
VIN in 0 DC 0 AC 1
R1 in p 10k
R2 p vcc 10k
C1 p out 10n
XU1 p out out opamp
.ac dec 10 1 1meg
.end
"""
GAIN, FIRST = "sallen-key-lowpass-gain", "first-order-lowpass"
MFB = "multiple-feedback-bandpass-no-attenuator"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["no-ground.cir", "--to", "highpass"], "no part touches the ground"),
        (["supply.cir", "--to", "highpass"], "R2.2 (supply vcc)"),
        ([MFB, "--to", "bandstop", "--keep-grounded", "U1"], "U1.plus (kept grounded)"),
        ([GAIN, "--to", "highpass", "--keep-grounded", "C9"], "C9"),
        ([FIRST, "--to", "bandpass"], "order 1"),
        ([FIRST, "--to", "bandstop"], "order 1"),
        ([FIRST, "--to", "highpass-notch=1kHz"], "order 1"),
        (["third-order-lowpass-unity", "--to", "lowpass-notch=9kHz"], "order 3"),
        (["inverting-amplifier", "--to", "highpass"], "no natural mode"),
        ([GAIN, "--numerator", "1 0 0 0"], "degree 3 and the loop order 2"),
        ([GAIN, "--numerator", "0 0 0"], "the numerator is zero"),
        ([GAIN, "--numerator", "1 x"], "x"),
        ([GAIN, "--to", "highpass", "--tolerance", "60%"], "out of range"),
        ([GAIN, "--to", "highpass", "--numerator", "1 0 0"], "one of them"),
        (["nowhere.cir", "--to", "highpass"], "nowhere.cir"),
    ],
)
def test_bad_input_is_one_sentence(arguments, words, tmp_path, capsys, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "no-ground.cir").write_text(NO_GROUND, encoding="utf-8")
    (tmp_path / "supply.cir").write_text(TO_SUPPLY, encoding="utf-8")
    before = sorted(tmp_path.iterdir())
    assert run(["lift", *arguments, "-o", "lifted.cir"]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert words in captured.err
    assert sorted(tmp_path.iterdir()) == before


LOADED = """wave sensor with a load
VIN in 0 DC 0 AC 1
R1 in a 10k
R2 a p 10k
C1 a out 22n
C2 p 0 10n
RL out 0 10k
XU1 p out out opamp
.end
"""


@pytest.mark.parametrize(
    ("step", "words"),
    [
        ("lift=C2.2:1.4", "C2.2 is asked for the fraction 1.4; it must lie in 0..1"),
        ("lift=C2.2:-0.1", "it must lie in 0..1"),
        ("lift=C2.2:nan", "nan"),
        ("lift=C2.1", "C2.1 is no terminal of this network"),
        ("lift=C2", "names no terminal"),
        ("lift=C2.2,C2.2:0.5", "named twice"),
        ("lift=R1.1:0", "the output would not depend on the input"),
        ("lift=R1.1:0,RL.2", "have no effect on the output"),
        ("lift", "needs a value"),
    ],
)
def test_a_bad_lift_step_is_one_sentence(step, words, tmp_path, capsys, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "loaded.cir").write_text(LOADED, encoding="utf-8")
    assert run(["transform", "loaded.cir", step, "-o", "lifted.cir"]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert words in captured.err
    assert not (tmp_path / "lifted.cir").exists()


def test_a_lift_step_weighs_the_terminals(tmp_path, capsys, monkeypatch) -> None:
    """H = T(R1.1) + 0.3 T(C2.2), by hand: N = w0^2 + 0.3 (s^2 + s*2/(R*C1)), R1 = R2 = R."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "loaded.cir").write_text(LOADED, encoding="utf-8")
    assert run(["transform", "loaded.cir", "lift=C2.2:0.3", "--json"]) == 0
    after = json.loads(capsys.readouterr().out)["after"]
    r, c1, c2 = 10e3, 22e-9, 10e-9
    square = 1 / (r * r * c1 * c2)
    assert after["denominator"] == pytest.approx([1, 2 / (r * c1), square])
    assert after["numerator"] == pytest.approx([0.3, 0.6 / (r * c1), square])
