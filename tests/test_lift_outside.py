"""What an outside tester found wrong with lifts, each by other means than the library's own.

Nodal analysis, modes and part-value draws are those of tests/networks.py; linear programs are
written here with scipy over transfers sampled on the axis.  The decks are the front end of a small
buoy: hum notch, wave band-pass, hydrophone all-pass.
"""

from __future__ import annotations

import json
import math
import subprocess
import sys
from itertools import product

import numpy as np
import pytest
from scipy.optimize import linprog

from synth.analysis.loop import analyse
from synth.analysis.zeros import Zero, transmission_zeros
from synth.catalog import stage
from synth.cli.main import run
from synth.network.deck_reader import read_deck
from synth.network.model import Network
from synth.report.lift import LiftOption, lift_record
from synth.report.text import zero_text
from synth.search.goal import goal
from synth.search.lift import WINDOWS, plans
from synth.search.reach import nearest
from synth.transfer.kinds import describe
from synth.transfer.transfer import Transfer
from tests import networks as oracle
from tests.test_schema import VALIDATOR

ALLPASS = """hydrophone all-pass
V1 in 0 AC 1
R1 in m 10k
R2 m out 10k
R3 in p 27k
C1 p 0 4.7n
X1 p m out oa
.end
"""
TWIN_T = """hum notch, bootstrapped foot
V1 in 0 AC 1
R1 in a 31.6k
R2 a y 31.6k
C3 a f 200n
C1 in b 100n
C2 b y 100n
R3 b f 15.8k
X1 y out out oa
R4 out g 1k
R5 g 0 9k
X2 g f f oa
.end
"""
DIFFERENCE = """differential hydrophone, matched
Va a 0 AC 1
Vb b 0 AC 1
X1 a g1 o1 oa
X2 b g2 o2 oa
Rg g1 g2 2k
R1 g1 o1 10k
R2 g2 o2 10k
R3 o1 m 10k
R4 m out 20k
C4 m out 1n
R5 o2 p 10k
R6 p 0 20k
C6 p 0 1n
X3 p m out oa
.end
"""
THIRD = """third-order wave filter, gain 1.3
V1 in 0 AC 1
R1 in a 10k
C1 a 0 10n
R2 a b 12k
C2 b out 12n
R3 b p 15k
C3 p 0 2.7n
Rg m 0 10k
Rf m out 3k
X1 p m out oa
.end
"""
TOW_THOMAS = """wave band-pass of three amplifiers
V1 in 0 AC 1
R1 in a 22k
R2 a out 47k
C1 a out 3.3n
R3 v3 a 18k
X1 0 a out oa
R4 out b 15k
C2 b v2 2.2n
X2 0 b v2 oa
R5 v2 c 10k
R6 c v3 12k
X3 0 c v3 oa
.end
"""
WRONG_WAY = """wave low-pass, the op amp the wrong way round
V1 in 0 AC 1
R1 in x 12k
R2 x y 8.2k
C1 x out 15n
C2 y 0 6.8n
Ra fb 0 10k
Rb fb out 12k
X1 fb y out oa
.end
"""
WITH_DIVIDER = """wave band-pass with input divider
V1 in 0 AC 1
R1 in a 33k
R2 a 0 1.2k
C1 a out 4.7n
C2 a m 10n
R3 m out 120k
X1 0 m out oa
.end
"""
POSITIVE = """wave band-pass with some positive feedback
V1 in 0 AC 1
R4 in a 47k
R5 a 0 3.9k
C1 a out 10n
C2 a m 10n
R2 m out 39k
Ra p 0 1k
Rb p out 22k
X1 p m out oa
.end
"""
LOW_PASS = """wave low-pass, gain -2
V1 in 0 AC 1
R1 in a 5.6k
R3 a out 11k
R2 a m 4.7k
C1 a 0 22n
C2 m out 2.2n
X1 0 m out oa
.end
"""
RESONATOR = """wave band-pass by an impedance converter
V1 in 0 AC 1
R0 in out 100k
C0 out 0 10n
R1 out n2 9.1k
R2 n2 n3 10k
R3 n3 n4 11k
C4 n4 n5 10n
R5 n5 0 9.1k
X1 out n3 n4 oa
X2 n5 n3 n2 oa
.end
"""
BAINTER = """hum notch of three amplifiers
V1 in 0 AC 1
R1 in i1 10k
R2 i1 o1 22k
X1 0 i1 o1 oa
R3 o1 m2 27k
C1 m2 o2 10n
R4 out m2 15k
X2 0 m2 o2 oa
R5 o2 q 33k
C2 in q 10n
R6 q 0 150k
X3 q out out oa
.end
"""


def read(deck: str, input_: str | None = None) -> Network:
    return read_deck(deck, input_=input_).network


def modes(network: Network) -> np.ndarray:
    rate = oracle.rate_of(network)
    return np.array(oracle.modes_by_eigenvalues(network, rate)) * rate


def h_of(option: LiftOption, s: complex) -> complex:
    return oracle.transfer(option.network, s)


# -- answers at once, and the right ones -----------------------------------------------------------


@pytest.mark.parametrize("name", ["allpass-first-order-lag", "allpass-first-order-lead"])
def test_an_allpass_is_its_own_lift_and_that_is_said_at_once(name) -> None:
    """In a process of its own, so that a search that never ends is stopped."""
    program = "import sys; from synth.cli.main import run; sys.exit(run())"
    command = [sys.executable, "-c", program, "lift", name, "--to", "allpass", "--json"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    answer = json.loads(done.stdout)
    VALIDATOR.validate(answer)
    circuit = stage(name).circuit()
    w = abs(modes(circuit)[0])
    found = {}
    for option in (answer, *answer["alternatives"]):
        for s in (0.2j * w, 1j * w, 7j * w):
            terms = oracle.terminal_transfers(circuit, s)
            h = sum(x["fraction"] * terms[x["part"], x["pin"]] for x in option["plan"])
            assert h == pytest.approx(option["gain"] * (w - s) / (w + s), rel=1e-9)
        found[round(option["gain"], 9)] = option["added_parts"]
    assert found == {1.0: 0, -1.0: 0}


def best_by_programs(network: Network, kind_top: np.ndarray) -> dict[int, tuple[float, float]]:
    """Sign -> (least cost, largest gain of it): every pattern of ground, input and split tried."""
    found = modes(network)
    w0 = float(np.prod(np.abs(found)) ** (1 / len(found)))
    points = 1j * w0 * np.geomspace(0.05, 20, 9)
    bottom = np.poly(found)
    wanted = np.polyval(kind_top, points) / np.polyval(bottom, points)
    keys = [t.key for t in network.terminals]
    rows = np.array([[oracle.terminal_transfers(network, s)[k] for s in points] for k in keys])
    names = {u.name for u in network.op_amps}
    costs = [
        2.2 if t.part in names else 1.0 if network.branch(t.part).power == 0 else 2.5
        for t in network.terminals
    ]
    answer: dict[int, tuple[float, float]] = {}
    for sign in (1, -1):
        equal = np.column_stack([rows.T, -sign * wanted])
        equal = np.vstack([equal.real, equal.imag])
        options = []
        for pattern in product((0, 1, None), repeat=len(keys)):
            cost = sum(c for c, p in zip(costs, pattern, strict=True) if p is None)
            whole = np.array([0.0 if p is None else p for p in pattern])
            inner = [k for k, p in enumerate(pattern) if p is None]
            # a quick look first: is the pattern in reach of any fractions at all?
            left = equal[:, :-1] @ whole
            part = equal[:, [*inner, len(keys)]]
            solution, *_ = np.linalg.lstsq(part, -left, rcond=None)
            if np.abs(part @ solution + left).max() > 1e-9:
                continue
            result = linprog(
                np.append(np.zeros(len(inner)), -1.0),
                A_eq=part,
                b_eq=-left,
                bounds=[(1e-5, 1 - 1e-5)] * len(inner) + [(1e-6, None)],
            )
            if result.status == 0:
                options.append((cost, -float(result.x[-1])))
        if options:
            cost, gain = min((round(c, 6), g) for c, g in options)
            answer[sign] = (cost, -gain)
    return answer


@pytest.mark.parametrize(
    ("deck", "kind"),
    [
        (ALLPASS, "allpass"),
        (ALLPASS, "highpass"),
        (LOW_PASS, "bandstop"),
        (POSITIVE, "allpass"),
        (WITH_DIVIDER, "bandstop"),
        (BAINTER, "lowpass"),
        (BAINTER, "bandpass"),
        (TOW_THOMAS, "bandstop"),
    ],
)
def test_no_plan_is_cheaper_or_of_the_same_cost_louder(deck, kind) -> None:
    network = read(deck)
    found = modes(network)
    d = np.poly(found).real
    n = len(found)
    top = {
        "allpass": d * (-1.0) ** np.arange(n, -1, -1),
        "highpass": np.eye(n + 1)[0],
        "lowpass": np.eye(n + 1)[-1] * d[-1],
        "bandpass": np.array([0, d[1], 0])[: n + 1],
        "bandstop": np.array([1, 0, d[-1]])[: n + 1],
    }[kind]
    expected = best_by_programs(network, top)
    got: dict[int, tuple[float, float]] = {}
    for p in plans(analyse(network), goal(kind, tuple(float(x) for x in d)), 40):
        if not p.strained:
            sign = 1 if p.gain > 0 else -1
            got.setdefault(sign, (round(p.cost, 6), abs(p.gain)))
    assert got.keys() == expected.keys()
    for sign, (cost, gain) in expected.items():
        assert got[sign] == (pytest.approx(cost), pytest.approx(gain, rel=1e-6))


# -- modes that cancel -----------------------------------------------------------------------------

TWIN_R, TWIN_C, FOOT = 31.6e3, 1e-7, 0.9
TWIN_W = 1 / (TWIN_R * TWIN_C)


@pytest.mark.parametrize(
    ("kind", "top"),
    [
        ("lowpass", lambda s: TWIN_W**2),
        ("highpass", lambda s: s * s),
        ("bandpass", lambda s: 4 * (1 - FOOT) * TWIN_W * s),
        ("bandstop", lambda s: s * s + TWIN_W**2),
    ],
)
def test_a_twin_t_gives_its_kinds_of_order_two(kind, top) -> None:
    """A twin-T whose foot is driven with the fraction k of its output has
    D = s^2 + 4 (1 - k) w0 s + w0^2, the third mode cancelled (common practice)."""
    record = lift_record(read(TWIN_T), kind=kind)
    option = record.options[0]
    assert option.added == 0
    assert option.plan.gain == pytest.approx(1)
    for s in TWIN_W * np.array([0.1j, 0.8j, 1.3j, 5j, 0.2 + 0.4j]):
        d = s * s + 4 * (1 - FOOT) * TWIN_W * s + TWIN_W**2
        assert h_of(option, s) == pytest.approx(top(s) / d, rel=1e-9)
    (gone,) = record.goal.cancelled
    assert gone.roots == (pytest.approx(-TWIN_W),)
    assert gone.exact
    assert gone.hidden
    assert len(record.denominator) == 4


def test_a_matched_difference_amplifier_is_the_lowpass_that_it_is() -> None:
    """H = -(1 + 2 R1/Rg)(R4/R3)/(1 + s R4 C4) from input a alone; the other network's mode is
    common to every terminal only because R6 C6 match it."""
    record = lift_record(read(DIFFERENCE, "a"), kind="lowpass")
    pole = 1 / (20e3 * 1e-9)
    as_it_is = [o for o in record.options if not any(x.moved for x in o.plan.lifts)]
    assert [o.plan.gain for o in as_it_is] == [pytest.approx(-(1 + 10e3 / 2e3 * 2) * 2)]
    for option in record.options:
        for s in (2e4j, 9e4j, 4e5j):
            assert h_of(option, s) == pytest.approx(option.plan.gain * pole / (s + pole), rel=1e-9)


def test_a_mode_that_cancels_under_one_drive_only_is_named(tmp_path, capsys) -> None:
    deck = tmp_path / "third.cir"
    deck.write_text(THIRD, encoding="utf-8")
    assert run(["lift", str(deck), "--to", "bandpass", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    VALIDATOR.validate(answer)
    network = read(THIRD)
    found = modes(network)
    (real,) = found[np.abs(found.imag) < 1].real
    pair = found[np.abs(found.imag) > 1]
    assert answer["cancelled"] == [[pytest.approx(real), 0.0]]
    d1, d0 = -2 * pair[0].real, abs(pair[0]) ** 2
    for s in (2e3j, 1e4j, 6e4j, 3e3 + 1e4j):
        terms = oracle.terminal_transfers(network, s)
        h = sum(x["fraction"] * terms[x["part"], x["pin"]] for x in answer["plan"])
        assert h == pytest.approx(answer["gain"] * d1 * s / (s * s + d1 * s + d0), rel=1e-6)
    assert run(["lift", str(deck), "--to", "bandpass"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "cancels, to rounding, under this drive" in out
    assert "bandpass of order 2" in out


def test_an_order_that_no_cancelled_mode_makes_right_is_still_refused(capsys) -> None:
    assert run(["lift", "third-order-lowpass-unity", "--to", "bandpass"]) == 2
    told = capsys.readouterr().err
    assert "this loop has order 3, and no drive cancels modes so that it could" in told


# -- the gain a designer means ---------------------------------------------------------------------


@pytest.mark.parametrize("deck", [RESONATOR, LOW_PASS, TOW_THOMAS, POSITIVE])
def test_the_gain_of_a_bandpass_is_that_at_its_centre(deck) -> None:
    network = read(deck)
    w0 = float(np.sqrt(np.prod(np.abs(modes(network)))))
    for option in lift_record(network, kind="bandpass").options:
        assert h_of(option, 1j * w0) == pytest.approx(option.plan.gain, rel=1e-9)
        assert dict(option.levels) == {"centre": pytest.approx(option.plan.gain)}


@pytest.mark.parametrize(("kind", "times"), [("lowpass-notch", 1.7), ("highpass-notch", 0.6)])
def test_the_gain_of_a_notch_is_given_at_both_ends(kind, times, capsys) -> None:
    name = "tow-thomas-bandpass"
    circuit = stage(name).circuit()
    w0 = float(np.sqrt(np.prod(np.abs(modes(circuit)))))
    assert run(["lift", name, "--to", f"{kind}={times * w0 / 2 / math.pi!r}Hz", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    VALIDATOR.validate(answer)
    ends = {}
    for place, s in (("DC", 1e-6j * w0), ("infinity", 1e6j * w0)):
        terms = oracle.terminal_transfers(circuit, s)
        ends[place] = sum(x["fraction"] * terms[x["part"], x["pin"]] for x in answer["plan"]).real
    found = {x["place"]: x["gain"] for x in answer["gain_at"]}
    assert found == pytest.approx(ends, rel=1e-5)
    assert answer["gain"] == found["DC" if kind == "lowpass-notch" else "infinity"]


# -- zeros, apart, with what is left of them -------------------------------------------------------


def draws(network: Network, tolerance: float, count: int, seed: int = 5) -> list[Network]:
    names, values = zip(*network.values.items(), strict=True)
    generator = np.random.default_rng(seed)
    made = []
    for _ in range(count):
        spread = 1 + tolerance * generator.uniform(-1, 1, len(values))
        made.append(network.with_values(dict(zip(names, np.array(values) * spread, strict=True))))
    return made


def peak_of(network: Network) -> float:
    w = oracle.rate_of(network) * np.geomspace(1e-3, 1e3, 900)
    return max(abs(oracle.transfer(network, 1j * x)) for x in w)


def test_of_a_double_zero_the_structural_one_is_told_from_the_balanced() -> None:
    """H(0) = 0 for all values; so mismatch leaves a first-order zero, 20 dB/decade, below w = n1/n2
    with H = (n1 s + n2 s^2)/d0 near DC, both read off H itself."""
    option = lift_record(read(TOW_THOMAS), kind="highpass").options[0]
    kept, lost = (z for z in option.zeros if z.frequency_hz == 0)
    assert (kept.count, kept.balanced, kept.floor_db, kept.corner_hz) == (1, False, None, None)
    assert (lost.count, lost.balanced) == (1, True)
    w0 = oracle.rate_of(option.network)
    corners, levels = [], []
    for one in draws(option.network, 0.01, 300):
        s = 1e-4j * w0
        low = oracle.transfer(one, s) / s  # n1/d0 + s n2/d0 + ...
        corner = abs(low.real) / abs(low.imag / s.imag)
        corners.append(corner / 2 / math.pi)
        levels.append(abs(oracle.transfer(one, 1j * corner)))
    assert lost.corner_hz == pytest.approx(float(np.median(corners)), rel=0.2)
    level = 20 * math.log10(float(np.median(levels)) / peak_of(option.network))
    assert lost.floor_db == pytest.approx(level, abs=3.5)


def notch(deck: str) -> tuple[Network, Zero]:
    network = read(deck)
    if deck is not BAINTER:
        network = lift_record(network, kind="bandstop").options[0].network
    (zero,) = (z for z in transmission_zeros(analyse(network)) if 0 < z.frequency_hz < math.inf)
    return network, zero


@pytest.mark.parametrize("deck", [TOW_THOMAS, WITH_DIVIDER, RESONATOR, TWIN_T, BAINTER])
def test_the_depth_at_the_frequency_asked_is_what_a_builder_sees_there(deck) -> None:
    network, zero = notch(deck)
    s = 2j * math.pi * zero.frequency_hz
    assert abs(oracle.transfer(network, s)) < 1e-9 * peak_of(network)
    left = [abs(oracle.transfer(one, s)) for one in draws(network, 0.01, 500)]
    found = 20 * math.log10(float(np.median(left)) / peak_of(network))
    assert zero.depth_db == pytest.approx(found, abs=1.5)
    assert zero.balanced == (deck is not BAINTER and deck is not RESONATOR)
    if zero.balanced:
        assert zero.floor_db < zero.depth_db - 3


def test_the_text_says_what_the_floor_is() -> None:
    _, zero = notch(WITH_DIVIDER)
    told = zero_text(zero, 0.01)
    assert "parts uniform within 1 %" in told
    assert "the least |H| near where it is then" in told
    assert "itself is near" in told


def test_a_notch_beside_a_cancelled_mode_is_found() -> None:
    twin = transmission_zeros(analyse(read(TWIN_T)))
    assert [round(z.frequency_hz, 3) for z in twin] == [round(TWIN_W / 2 / math.pi, 3)]


# -- loops that do not stand still -----------------------------------------------------------------


def test_a_lift_of_an_unstable_loop_says_so(tmp_path, capsys) -> None:
    deck = tmp_path / "wrong.cir"
    deck.write_text(WRONG_WAY, encoding="utf-8")
    assert max(p.real for p in modes(read(WRONG_WAY))) > 0
    assert run(["lift", str(deck), "--to", "highpass"]) == 0
    assert "finding: a natural mode lies in the right half-plane" in capsys.readouterr().out
    assert run(["lift", str(deck), "--to", "highpass", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    VALIDATOR.validate(answer)
    assert answer["feedback"]["negative"] is False
    assert run(["lift", "sallen-key-lowpass-gain", "--to", "highpass"]) == 0
    assert "finding" not in capsys.readouterr().out


def test_an_integrator_is_no_lowpass(capsys) -> None:
    assert run(["lift", "integrator-inverting", "--to", "lowpass"]) == 2
    assert "a natural mode at the origin" in capsys.readouterr().err


# -- plans that can be built -----------------------------------------------------------------------


def test_fractions_that_are_noise_are_whole() -> None:
    record = lift_record(read(ALLPASS), numerator=(-1.0, 7880.2206))
    assert {round(o.plan.gain, 6) for o in record.options} == {1.0, -1.0}
    for option in record.options:
        assert all(1e-3 < x.fraction < 1 - 1e-3 for x in option.plan.lifts if x.split)


def test_a_part_nobody_sells_is_said_and_comes_last(tmp_path, capsys) -> None:
    record = lift_record(read(TOW_THOMAS), kind="highpass", top=8)
    beyond = []
    for option in record.options:
        parts = [b.value for b in option.network.branches if b.power == 0]
        beyond.append(not all(WINDOWS[0][0] <= v <= WINDOWS[0][1] for v in parts))
    assert beyond == sorted(beyond)
    assert any(beyond)
    assert not beyond[0]
    deck = tmp_path / "wave.cir"
    deck.write_text(TOW_THOMAS, encoding="utf-8")
    assert run(["lift", str(deck), "--to", "highpass"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "R1a of 15.51 Mohm lies outside 1 ohm to 10 Mohm" in out


# -- the nearest response --------------------------------------------------------------------------


def least_deviation(network: Network, top: np.ndarray) -> tuple[float, float]:
    """Bounds on the least largest deviation over a grid, by a polygon of 96 sides."""
    found = modes(network)
    w0 = float(np.sqrt(np.prod(np.abs(found))))
    grid = np.concatenate([[1e-5, 1e5], np.geomspace(1e-2, 1e2, 120), np.linspace(0.5, 1.8, 240)])
    s = 1j * w0 * grid
    shape = np.polyval(top, s) / np.polyval(np.poly(found), s)
    shape = shape / np.abs(shape).max()
    keys = [t.key for t in network.terminals]
    rows = np.array([[oracle.terminal_transfers(network, x)[k] for k in keys] for x in s])
    best = (1.0, 1.0)
    for sign in (1, -1):
        turns = np.exp(2j * np.pi * np.arange(96) / 96)
        a = np.vstack([np.column_stack([(t * rows).real, -np.ones(len(s))]) for t in turns])
        b = np.concatenate([(t * sign * shape).real for t in turns])
        result = linprog(
            np.append(np.zeros(len(keys)), 1.0),
            A_ub=a,
            b_ub=b,
            bounds=[(0, None)] * (len(keys) + 1),
        )
        reached = float(np.abs(rows @ result.x[:-1] - sign * shape).max())
        if reached < best[1]:
            best = (float(result.fun), reached)
    return best


NEAREST = [
    (POSITIVE, "highpass", None),
    (POSITIVE, "lowpass", None),
    (WITH_DIVIDER, "highpass", None),
    (WITH_DIVIDER, "lowpass", None),
    (WITH_DIVIDER, "lowpass-notch", 3938.91),
    (LOW_PASS, "lowpass-notch", 6363.3),
]


@pytest.mark.parametrize(("deck", "kind", "at_hz"), NEAREST)
def test_the_nearest_response_is_the_least_largest_deviation(deck, kind, at_hz) -> None:
    network = read(deck)
    d = np.poly(modes(network)).real
    wz = 2 * math.pi * (at_hz or 0)
    top = {
        "highpass": np.array([1.0, 0, 0]),
        "lowpass": np.array([0, 0, d[-1]]),
        "lowpass-notch": np.array([1, 0, wz * wz]) * d[-1] / (wz * wz) if wz else None,
    }[kind]
    bound, reached = least_deviation(network, top)
    found = lift_record(network, kind=kind, at_hz=at_hz).nearest
    assert bound * (1 - 1e-3) <= found.deviation <= reached * (1 + 1e-3)
    # and the drive does what is said of it
    w0 = math.sqrt(d[-1])
    s = 1j * w0 * np.concatenate([np.geomspace(1e-4, 1e4, 500), np.linspace(0.6, 1.6, 500)])
    shape = found.gain * np.polyval(top, s) / np.polyval(d, s)
    worst = 0.0
    for x, wanted in zip(s, shape, strict=True):
        terms = oracle.terminal_transfers(network, x)
        worst = max(
            worst, abs(sum(y.fraction * terms[y.terminal.key] for y in found.lifts) - wanted)
        )
    assert worst / np.abs(shape).max() == pytest.approx(found.deviation, rel=2e-3)


def test_no_drive_is_nearer_than_no_signal_where_that_is_so() -> None:
    network = read(RESONATOR)
    d = np.poly(modes(network)).real
    assert least_deviation(network, d * [1, -1, 1])[0] > 0.999
    record = lift_record(network, kind="allpass")
    assert record.options == ()
    assert record.nearest is None


def test_the_nearest_to_what_is_reached_is_that() -> None:
    network = read(LOW_PASS)
    d = tuple(float(x) for x in np.poly(modes(network)).real)
    found = nearest(analyse(network), goal("bandstop", d))
    assert found.deviation < 1e-3


# -- words -----------------------------------------------------------------------------------------


def test_words(capsys, tmp_path) -> None:
    assert "1 pole at the origin" in str(describe(Transfer.from_tf([1.0], [1.0, 0.0])))
    resonator = tmp_path / "resonator.cir"
    resonator.write_text(RESONATOR, encoding="utf-8")
    assert run(["lift", str(resonator), "--to", "allpass"]) == 0
    assert "gives an allpass" in capsys.readouterr().out
    assert run(["lift", "sallen-key-lowpass-gain", "--numerator", "1 x"]) == 2
    assert "none" not in capsys.readouterr().err
    assert run(["lift", "allpass-first-order-lag", "--to", "allpass", "--top", "1"]) == 0
    out = capsys.readouterr().out
    assert "as it is: nothing moves" in out
    assert "- - -" not in " ".join(out.split())
    deck = tmp_path / "two.cir"
    deck.write_text(DIFFERENCE, encoding="utf-8")
    assert run(["lift", str(deck), "--input", "a,b", "--to", "lowpass"]) == 2
    assert "a lift needs one input" in capsys.readouterr().err


def test_levels_beside_poles_on_the_axis_are_relative_to_one() -> None:
    """A twin-T resonator rings for ever: its largest magnitude is infinite and no measure."""
    option = lift_record(stage("twin-t-resonator").circuit(), kind="highpass").options[0]
    (zero,) = (z for z in option.zeros if z.balanced)
    w = 1e-6j * oracle.rate_of(option.network)
    left = [abs(oracle.transfer(one, w)) for one in draws(option.network, 0.01, 300)]
    assert zero.floor_db == pytest.approx(20 * math.log10(float(np.median(left))), abs=1.5)
