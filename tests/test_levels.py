"""Levels at op-amp outputs against nodal analysis of our own, and what they do to the order."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from synth.analysis.nodes import node_voltages
from synth.catalog import names, stage
from synth.cli.main import run
from synth.errors import RealisationError
from synth.network.model import Branch, Network, OpAmp
from synth.realisation.brief import Brief
from synth.realisation.loudness import loudness
from synth.realisation.polish import near, pass_limits, polished, with_values
from synth.realisation.realise import _told_of_less, candidates, realise
from synth.search.arrange import PASS_DB
from synth.search.split import splits
from synth.target.responses import family_target
from synth.tolerances.limits import Limit
from synth.transform.cascade import cascade
from synth.values.series import RESISTORS

W = np.geomspace(10.0, 1e7, 300)


def by_hand(network: Network, w: float) -> dict[str, complex]:
    """Every node voltage for 1 V at the input: Kirchhoff in full, a current for each op amp."""
    nodes = [n for n in network.nodes if n != network.reference and n not in network.supplies]
    place = {n: k for k, n in enumerate(nodes)}
    size = len(nodes) + len(network.op_amps) + 1
    a, b = np.zeros((size, size), dtype=complex), np.zeros(size, dtype=complex)
    for x in network.branches:
        y = (1 / x.value if x.power == 0 else x.value) * (1j * w) ** x.power
        for here, there in (x.nodes, x.nodes[::-1]):
            if here in place:
                a[place[here], place[here]] += y
                if there in place:
                    a[place[here], place[there]] -= y
    for k, u in enumerate(network.op_amps, start=len(nodes)):
        a[place[u.out], k] = 1.0
        for node, sign in ((u.plus, 1.0), (u.minus, -1.0)):
            if node in place:
                a[k, place[node]] += sign
    a[place[network.input], -1] = 1.0
    a[-1, place[network.input]] = 1.0
    b[-1] = 1.0
    scale = np.abs(a).max(axis=1)
    x = np.linalg.solve(a / scale[:, None], b / scale)
    return {n: complex(x[k]) for n, k in place.items()}


@pytest.mark.parametrize("name", [n for n in names() if stage(n).network.op_amps])
def test_node_voltages_of_every_stage(name) -> None:
    network = stage(name).circuit()
    w = np.array([300.0, 6e3, 1.2e5])
    found = node_voltages(network, w)
    for k, x in enumerate(w):
        wanted = by_hand(network, float(x))
        for u in network.op_amps:
            assert found[u.out][k] == pytest.approx(wanted[u.out], rel=1e-6, abs=1e-9)


def test_levels_of_a_chain_are_those_of_the_whole_circuit() -> None:
    stages = [
        stage(n).circuit() for n in ("rc-lowpass", "tow-thomas-bandpass", "noninverting-amplifier")
    ]
    whole = cascade(stages)
    found = loudness(stages, whole.maps, whole.buffers, W)
    table = [by_hand(whole.network, float(x)) for x in W]
    peaks = {u.name: max(abs(row[u.out]) for row in table) for u in whole.network.op_amps}
    assert {o.op_amp: o.peak for o in found.outputs} == pytest.approx(peaks, rel=1e-6)
    out = np.array([abs(row["out"]) for row in table])
    assert found.peak == pytest.approx(out.max(), rel=1e-6)
    assert found.headroom_db == pytest.approx(20 * math.log10(max(peaks.values()) / out.max()))
    inside = out >= out.max() * 10 ** (-PASS_DB / 20)
    for o in found.outputs:
        node = whole.network.op_amp(o.op_amp).out
        own = np.array([abs(row[node]) for row in table])
        assert o.least == pytest.approx(own[inside].min(), rel=1e-6)


def test_a_stage_that_draws_no_current_shares_its_op_amp_with_the_one_before() -> None:
    """An RC section needs no follower in front of an op-amp input, but in front of a resistor."""
    lag = stage("rc-lowpass").circuit()
    gain, inverting = (
        stage("noninverting-amplifier").circuit(),
        stage("inverting-amplifier").circuit(),
    )
    assert len(cascade([lag, gain]).network.op_amps) == 1
    assert len(cascade([lag, inverting]).network.op_amps) == 2
    whole = cascade([lag, gain])
    voltages = by_hand(whole.network, 5e3)
    apart = by_hand(lag, 5e3)[lag.output] * by_hand(gain, 5e3)[gain.output]
    assert voltages["out"] == pytest.approx(apart)
    assert [o.op_amp for o in loudness([lag, gain], whole.maps, whole.buffers, W).outputs] == ["U1"]


@pytest.mark.parametrize(
    ("kind", "family", "order", "most"),
    [
        ("lowpass", "butterworth", 3, 1),
        ("highpass", "chebyshev", 3, 1),
        ("lowpass", "bessel", 5, 2),
    ],
)
def test_an_odd_pole_costs_no_op_amp(kind, family, order, most) -> None:
    best = realise(Brief(family_target(kind, family, order, 1000.0)), top=2)[0]
    assert best.meets
    assert len(best.network.op_amps) == most
    assert max(s.order for s in best.stages) == 3


@pytest.mark.parametrize(("family", "order"), [("bessel", 8), ("butterworth", 5)])
def test_every_pair_that_is_told_is_a_pair_of_poles(family, order) -> None:
    """Of merged stages too: no geometric mean, all poles of the target once."""
    target = family_target("lowpass", family, order, 1000.0)
    (r, *_) = realise(Brief(target), top=1)
    assert any(s.order > 2 for s in r.stages)
    told = sorted((round(w, 3), q) for s in r.stages for w, q in s.pairs)
    wanted = sorted(
        (round(abs(p), 3), abs(p) / (-2 * p.real)) for p in target.transfer.poles if p.imag >= 0
    )
    assert np.array(told) == pytest.approx(np.array(wanted), rel=1e-4)


def test_circuits_lose_what_their_plan_says() -> None:
    """Of one op amp a section, the least loss measured is that of the best split, and no less."""
    target = family_target("lowpass", "butterworth", 4, 1000.0)
    planned = [s.loss_db for s in splits(target.transfer) if len(s) == 2]
    met = [o.realisation for o in candidates(Brief(target), count=8)]
    lost = [r.levels.loss_db for r in met if len(r.network.op_amps) == 2]
    assert max(planned) - min(planned) > 2
    assert min(lost) == pytest.approx(min(planned), abs=0.3)
    assert any(x == pytest.approx(max(planned), abs=0.3) for x in lost)


def test_for_noise_the_noise_is_what_counts() -> None:
    target = family_target("lowpass", "chebyshev", 4, 1000.0)
    (r, *_) = realise(Brief(target, aim="noise"), top=2)
    assert r.aim == "noise"
    assert r.levels.noise_db > 0
    assert r.noise is not None
    with pytest.raises(RealisationError, match="range, noise"):
        Brief(target, aim="loudness")


def test_noise_is_added_up_over_the_pass_band_and_an_octave_beside_it() -> None:
    """Sums over a grid of its own: noise of the last stage far beyond the edge hides nothing."""
    target = family_target("lowpass", "elliptic", 5, 8e3)
    (r, *_) = realise(Brief(target, aim="noise"), top=1)
    low, high = r.levels.noise_band_hz
    assert low == 0.0
    assert 8e3 < high / 2 < 9e3
    w = 2 * math.pi * np.linspace(1.0, high, 20001)
    volts = node_voltages(r.network, w)
    ends = [volts[n] for n in (*(f"v{k}" for k in range(1, len(r.stages))), "out")]
    sums = [float(np.mean(np.abs(volts["out"] / v) ** 2)) for v in ends]
    assert sums[-1] == 1.0
    assert r.levels.noise_db == pytest.approx(10 * math.log10(sum(sums)), abs=0.1)


def test_a_circuit_that_loses_less_is_spoken_of() -> None:
    """With as few op amps; one with more, or a tenth of a decibel better, is no news."""
    target = family_target("lowpass", "butterworth", 4, 1000.0)
    (best, *_) = realise(Brief(target), top=1)

    def losing(db: float):
        return replace(best, levels=replace(best.levels, headroom_db=db, sunk_db=0.0))

    (told,) = _told_of_less([losing(6.0), losing(2.0)], [losing(6.0)])
    assert "loses 4.0 dB less" in told.notes[-1]
    (told,) = _told_of_less([losing(6.0), losing(5.5)], [losing(6.0)])
    assert told.notes == best.notes


def test_levels_are_shown(capsys) -> None:
    arguments = ["realise", "lowpass", "--order", "4", "--at", "1kHz", "--top", "1"]
    assert run([*arguments, "--best-for", "noise"]) == 0
    text = capsys.readouterr().out
    assert "peak levels (dB): U1" in text
    assert "noise at the output" in text
    assert max(map(len, text.splitlines())) <= 80


# -- values for the whole --------------------------------------------------------------------------


def test_moving_resistors_never_makes_the_whole_worse() -> None:
    target = family_target("bandpass", "chebyshev", 4, 5000.0, width_hz=400.0)
    brief = Brief(target)
    aim = near(target)
    offers = candidates(brief, count=3)[:3]
    for offer in offers:
        before = error(aim, offer.stages)
        assert error(aim, polished(aim, offer.stages, brief.shelves)) <= before + 1e-9
    spoilt = [spoil(s) for s in offers[0].stages]
    assert error(aim, spoilt) > 3
    mended = polished(aim, spoilt, brief.shelves)
    assert error(aim, mended) < 1
    for s in mended:
        assert all(v in RESISTORS.values for n, v in s.fit.choice.values.items() if n[0] == "R")


def spoil(s):
    """Move a resistor by three places of its series."""
    values = dict(s.fit.choice.values)
    part = min(n for n in values if n[0] == "R")
    place = int(np.searchsorted(RESISTORS.values, values[part] * (1 - 1e-9)))
    values[part] = float(RESISTORS.values[place + 3])
    return with_values(s, values, None)


def error(aim, stages) -> float:
    """The aim's error, |H| of every stage by nodal analysis."""
    squares = np.ones(len(aim.frequencies))
    for s in stages:
        out = s.network.output
        squares *= [abs(by_hand(s.network, float(w))[out]) ** 2 for w in aim.frequencies]
    return float(aim.deviations(squares[None, :]).max())


def test_the_margin_to_a_mask_is_what_is_left_to_its_nearest_limit() -> None:
    target = family_target("lowpass", "butterworth", 2, 1000.0)
    mask = (Limit(100.0, 500.0, "within", 0.5), Limit(3000.0, 1e4, "<=", -18.0))
    (r, *_) = realise(Brief(target, mask=mask), top=1)
    f = np.concatenate([np.geomspace(100, 500, 65), np.geomspace(3000, 1e4, 65)])
    got = np.array([20 * math.log10(abs(by_hand(r.network, 2 * math.pi * x)["out"])) for x in f])
    wanted = 20 * np.log10(np.abs(target.transfer.response(f)))
    room = np.where(f <= 500, 0.5 - np.abs(got - wanted), -18.0 - got)
    assert r.excess_db == pytest.approx(-room.min(), abs=1e-3)
    assert r.yield_ is not None


def test_the_pass_band_of_a_band_stop_is_two_bands() -> None:
    target = family_target("bandstop", "butterworth", 2, 1000.0, q=2.0)
    low, high = pass_limits(target, 0.5)
    assert low.high_hz < 1000 < high.low_hz
    assert low.high_hz == pytest.approx(1000 * (math.sqrt(1 + 1 / 16) - 0.25), rel=0.03)


def test_a_mask_with_more_room_on_one_side_moves_the_values() -> None:
    """Limits that want 0.3 dB less than the target at its corner are kept; the target is not."""
    target = family_target("lowpass", "butterworth", 2, 1000.0)
    at = abs(target.transfer.response(np.array([900.0]))[0])
    level = 20 * math.log10(at) - 0.3
    mask = (Limit(900.0, 900.0, ">=", level - 0.1), Limit(900.0, 900.0, "<=", level + 0.1))
    plain = realise(Brief(target), top=1)[0]
    moved = realise(Brief(target, mask=mask), top=1)[0]
    here = [
        20 * math.log10(abs(by_hand(r.network, 2 * math.pi * 900)["out"])) for r in (plain, moved)
    ]
    assert abs(here[0] - level) > 0.2
    assert abs(here[1] - level) <= 0.1
    assert moved.meets


def test_a_follower_is_named_in_the_levels() -> None:
    lag = stage("rc-lowpass").circuit()
    whole = cascade([lag, lag], buffer_last=True)
    found = loudness([lag, lag], whole.maps, whole.buffers, W)
    assert [o.op_amp for o in found.outputs] == ["U1", "U2"]
    assert replace(found, outputs=()).loss_db == found.loss_db


def test_a_plain_divider_has_levels_too() -> None:
    network = Network(
        (Branch("R1", 0, ("in", "p"), 1e3), Branch("R2", 0, ("p", "0"), 1e3)),
        (OpAmp("U1", "p", "out", "out"),),
    )
    assert node_voltages(network, W)["out"] == pytest.approx(np.full(len(W), 0.5))
