"""Ladders: published element values, the simulated circuits, and what tolerances do to them."""

import json
import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.cli.main import run
from synth.errors import RealisationError, TargetError
from synth.ladder.bands import prototype_of
from synth.ladder.prototype import lowpass_ladder
from synth.ladder.simulation import FORMS, inductors, leapfrog, negative_resistance
from synth.network.deck_reader import read_deck
from synth.network.model import Port
from synth.realisation.brief import Brief
from synth.realisation.exchange import preferred, wanted_at
from synth.realisation.ladder import compared, ladders, pass_band
from synth.realisation.realise import realise
from synth.report.netlist import deck_text
from synth.target import prototype, response_target
from synth.target.target import realised_error
from synth.tolerances.limits import Limit
from synth.tolerances.spread import Spread
from synth.transfer.transfer import Transfer
from synth.values.series import CAPACITORS, RESISTORS, Shelf
from tests import networks as oracle
from tests.simulator import needs_simulator, simulate


def elements(transfer, edge=1.0):
    """Return the element values with the edge at 1 rad/s, and the load."""
    ladder = lowpass_ladder(transfer)
    scale = edge / ladder.w0
    return [(a.inductance or a.capacitance) * scale for a in ladder.arms], ladder.load


def chain(ladder, w):
    """Output over source voltage by chain matrices: independent of the synthesis."""
    s = 1j * w / ladder.w0
    a, b, c, d = np.ones_like(s), np.ones_like(s), np.zeros_like(s), np.ones_like(s)
    for arm in ladder.arms:
        if arm.series:
            z = s * arm.inductance
            b, d = a * z + b, c * z + d
        else:
            y = 1 / (s * arm.inductance + 1 / (s * arm.capacitance))
            a, c = a + b * y, c + d * y
    return 1 / (a + b / ladder.load)


def response(network, w, node=None):
    """H(jw) by nodal analysis that shares no code with the library; at another node on request."""
    if node is not None:
        network = replace(network, outputs=(Port("output", node),))
    return np.array([oracle.transfer(network, 1j * x) for x in w])


# -- published element values ----------------------------------------------------------------------


@pytest.mark.parametrize("n", range(1, 11))
def test_butterworth_elements(n):
    """g_k = 2 sin((2k - 1) pi/2n): G. L. Matthaei, L. Young, E. M. T. Jones, Microwave Filters,
    McGraw-Hill 1964, section 4.05 (from memory)."""
    found, load = elements(prototype("butterworth", n).transfer)
    assert found == pytest.approx(
        [2 * math.sin((2 * k - 1) * math.pi / (2 * n)) for k in range(1, n + 1)], rel=1e-9
    )
    assert load == pytest.approx(1, rel=1e-9)


def chebyshev_elements(n, ripple_db):
    """The recursion of Matthaei, Young and Jones, section 4.05 (from memory)."""
    beta = math.log(1 / math.tanh(ripple_db / (40 / math.log(10))))
    gamma = math.sinh(beta / (2 * n))
    a = [math.sin((2 * k - 1) * math.pi / (2 * n)) for k in range(1, n + 1)]
    b = [gamma**2 + math.sin(k * math.pi / n) ** 2 for k in range(1, n + 1)]
    g = [2 * a[0] / gamma]
    for k in range(1, n):
        g.append(4 * a[k - 1] * a[k] / (b[k - 1] * g[k - 1]))
    last = 1.0 if n % 2 else 1 / math.tanh(beta / 4) ** 2
    return g, last


@pytest.mark.parametrize("ripple", [0.1, 0.5, 3.0])
@pytest.mark.parametrize("n", range(1, 11))
def test_chebyshev_elements(n, ripple):
    found, load = elements(prototype("chebyshev", n, ripple_db=ripple).transfer)
    wanted, last = chebyshev_elements(n, ripple)
    assert found == pytest.approx(wanted, rel=1e-8)
    assert load == pytest.approx(last, rel=1e-8)


def test_the_printed_row_of_half_a_decibel():
    """Order 5, 0.5 dB: 1.7058 1.2296 2.5408 1.2296 1.7058 (Matthaei, Young and Jones, table
    4.05-2, from memory)."""
    found, _ = elements(prototype("chebyshev", 5, ripple_db=0.5).transfer)
    assert found == pytest.approx([1.7058, 1.2296, 2.5408, 1.2296, 1.7058], abs=5e-5)


@pytest.mark.parametrize(
    ("n", "row"),
    [
        (2, [2.1478, 0.5755]),
        (3, [2.2034, 0.9705, 0.3374]),
        (5, [2.2582, 1.1110, 0.8040, 0.5072, 0.1743]),
    ],
)
def test_bessel_rows(n, row):
    """Equal terminations, half power at 1 rad/s: A. I. Zverev, Handbook of Filter Synthesis,
    Wiley 1967, maximally flat delay (from memory)."""
    found, load = elements(prototype("bessel", n).transfer)
    assert found == pytest.approx(row, abs=6e-5)
    assert load == pytest.approx(1)


@pytest.mark.parametrize(
    ("family", "order", "more"),
    [
        *[("bessel", n, {}) for n in range(1, 11)],
        *[("elliptic", n, {"ripple_db": 0.1, "stop_attenuation_db": 60}) for n in (3, 5, 7, 9)],
        *[("inverse-chebyshev", n, {"stop_attenuation_db": 50}) for n in (3, 5, 7)],
    ],
)
def test_the_ladder_has_the_response(family, order, more):
    h = prototype(family, order, **more).transfer.scaled_frequency(700.0)
    ladder = lowpass_ladder(h)
    w = np.geomspace(1, 1e5, 300)
    ratio = chain(ladder, w) / h(1j * w)
    assert ratio == pytest.approx(ratio[0] * np.ones(300), rel=1e-9)
    assert abs(ratio[0]) * abs(h(0j)) == pytest.approx(ladder.loss)
    assert all(a.inductance >= 0 and a.capacitance >= 0 for a in ladder.arms)


@pytest.mark.parametrize(
    ("transfer", "word"),
    [
        (Transfer.from_tf([1.0, 0.0], [1.0, 1.0, 1.0]), "passes DC"),
        (Transfer.from_tf([1.0, 1.0], [1.0, 1.0, 1.0]), "imaginary axis"),
        (Transfer.from_tf([1.0], [1.0, -1.0, 1.0]), "stable"),
        (Transfer.from_tf([1.0, 0.0, 4.0], [1.0, 1.0, 1.0]), "as many zeros as poles"),
    ],
)
def test_what_no_ladder_has(transfer, word):
    with pytest.raises(TargetError, match=word):
        lowpass_ladder(transfer)


# -- simulated -------------------------------------------------------------------------------------

LOWPASSES = [
    ("butterworth", 1, {}),
    ("butterworth", 2, {}),
    ("chebyshev", 4, {}),
    ("chebyshev", 5, {}),
    ("bessel", 8, {}),
]


@pytest.mark.parametrize("gain", [1.0, 2.5, 0.3, -1.0, -4.0])
@pytest.mark.parametrize(("family", "order", "more"), LOWPASSES)
def test_leapfrog_is_exact(family, order, more, gain):
    h = prototype(family, order, **more).transfer.scaled_frequency(5e3)
    h = h * (gain / h(0j).real)
    network = leapfrog(lowpass_ladder(h), gain, 22e-9)
    w = np.geomspace(50, 5e5, 40)
    assert response(network, w) == pytest.approx(h(1j * w), rel=1e-8)


@pytest.mark.parametrize("gain", [1.0, 2.5, 0.3, -2.0])
@pytest.mark.parametrize(
    ("family", "order", "more"), [*LOWPASSES, ("elliptic", 5, {"ripple_db": 0.1})]
)
def test_inductors_are_exact(family, order, more, gain):
    w0 = 5e3
    h = prototype(family, order, **more).transfer.scaled_frequency(w0)
    h = h * (gain / h(0j).real)
    ladder = lowpass_ladder(h)
    network = inductors(ladder, gain, 8e3, 22e-9)
    w = np.geomspace(50, 5e5, 40)
    mirrored = h.mirrored(ladder.w0)
    assert response(network, w) == pytest.approx(mirrored(1j * w), rel=1e-8)


@pytest.mark.parametrize(
    ("family", "order", "more"), [*LOWPASSES[1:], ("elliptic", 7, {"ripple_db": 0.1})]
)
def test_negative_resistances_err_only_by_the_dc_path(family, order, more):
    """Exact at DC; elsewhere the error shrinks in proportion to the DC resistors' conductance."""
    h = prototype(family, order, **more).transfer.scaled_frequency(5e3)
    h = h * (1 / h(0j).real)
    ladder = lowpass_ladder(h)
    w = np.geomspace(500, 5e5, 60)
    errors = []
    for largest in (1e6, 1e8, 1e10):
        network = negative_resistance(ladder, 1.0, 22e-9, largest)
        errors.append(np.abs(response(network, w) - h(1j * w)).max())
        dc = response(network, np.array([1e-3]))[0]
        assert dc == pytest.approx(1, abs=1e-5)
    assert errors[0] < 0.03
    assert errors[1] < errors[0] / 30
    assert errors[2] < errors[0] / 3000


def test_equal_peaks_at_every_integrator():
    """The states of a leapfrog are scaled so that no integrator clips before the last one."""
    h = prototype("chebyshev", 5).transfer.scaled_frequency(5e3)
    network = leapfrog(lowpass_ladder(h), 1.0, 22e-9)
    w = np.geomspace(50, 5e4, 400)
    capacitors = {b.nodes[1] for b in network.branches if b.power == 1}
    peaks = [np.abs(response(network, w, node)).max() for node in sorted(capacitors)]
    assert len(peaks) == 5
    assert max(peaks) / min(peaks) == pytest.approx(1, abs=0.01)


def test_a_bandpass_goes_back_to_its_lowpass():
    target = response_target("bandpass", 1e3, family="chebyshev", order=6, width_hz=80.0)
    base = prototype_of(target.transfer)
    h = base.lowpass
    w = 2 * math.pi * np.geomspace(500, 2000, 50)
    s = 1j * w
    wanted = h((s * s + base.w0**2) / s)
    assert target.transfer(s) == pytest.approx(wanted, rel=1e-6)


def test_an_unsymmetric_bandpass_is_refused():
    skew = Transfer.from_tf([1.0, 0.0, 0.0], np.polymul([1, 0.1, 1], [1, 0.3, 1.5]))
    with pytest.raises(TargetError, match="not symmetric"):
        prototype_of(skew)


# -- values ----------------------------------------------------------------------------------------

TARGETS = {
    "elliptic 7": ("lowpass", 1e3, {"family": "elliptic", "order": 7, "ripple_db": 0.1}),
    "bessel 6": ("lowpass", 1e3, {"family": "bessel", "order": 6}),
    "lowpass 5": ("lowpass", 2e3, {"family": "chebyshev", "order": 5}),
    "highpass 5": ("highpass", 3e3, {"family": "chebyshev", "order": 5}),
    "bandpass 6": ("bandpass", 1e3, {"family": "butterworth", "order": 6, "width_hz": 200.0}),
}


@cache
def wanted(name):
    kind, at, more = TARGETS[name]
    return response_target(kind, at, **more)


@cache
def made(name):
    return ladders(wanted(name))


@pytest.mark.parametrize("name", TARGETS)
def test_the_target_is_met_with_preferred_values(name):
    target = wanted(name)
    found = made(name)
    shelves = {0: RESISTORS.values, 1: CAPACITORS.values}
    for r in found:
        assert r.meets, r.label
        for b in r.network.branches:
            assert b.value in shelves[b.power], b
        # measured anew by nodal analysis of the network as it stands
        w = target.grid[::7]
        got, asked = response(r.network, w), target.transfer(1j * w)
        away = np.abs(np.abs(got) - np.abs(asked)) / target.scale
        assert away.max() < 0.03
    assert [len(r.network.op_amps) for r in found] == sorted(len(r.network.op_amps) for r in found)


@pytest.mark.parametrize("name", TARGETS)
def test_values_beat_rounding_each_part(name):
    """Rounding every part to the nearest value is what the choice must at least halve."""
    target = wanted(name)
    base = prototype_of(target.transfer)
    ladder = lowpass_ladder(base.lowpass)
    if base.kind == "lowpass":
        exact = negative_resistance(ladder, base.gain, 15e-9, 1e6)
    else:
        exact = ladders(target, resistors=Shelf("E192", 1e2, 1e7))[0].network
    grid = wanted_at(target.transfer, target.grid)
    coarse = Shelf("E24", 1e2, 1e7)
    chosen, _ = preferred(exact, grid, coarse, CAPACITORS)
    rounded = exact.with_values(
        {
            b.name: float(v[np.argmin(np.abs(np.log(v / b.value)))])
            for b in exact.branches
            for v in (coarse.values if b.power == 0 else CAPACITORS.values,)
        }
    )
    errors = []
    for network in (chosen, rounded):
        loop = analyse(network)
        errors.append(realised_error(target, transfer(loop, loop.transfer())).misses)
    assert errors[0] < errors[1] / 2


def test_windows_are_kept_or_named():
    target = response_target("lowpass", 1e6, family="bessel", order=4)
    with pytest.raises(RealisationError, match="outside the window"):
        ladders(target)
    with pytest.raises(TargetError, match="the forms are"):
        ladders(wanted("bessel 6"), ["no-such-form"])
    with pytest.raises(TargetError, match="is for a highpass"):
        ladders(wanted("bessel 6"), ["inductors"])


def test_the_same_again():
    assert ladders(wanted("highpass 5"))[0].network == made("highpass 5")[0].network


# -- against a cascade -----------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["lowpass 5", "highpass 5"])
def test_the_ladder_bears_tolerances_better_than_the_cascade(name):
    """The published ordering: H. J. Orchard, Electronics Letters 2 (1966) 224-225; L. T. Bruton,
    RC-Active Circuits, Prentice-Hall 1980 (both from memory)."""
    target = wanted(name)
    low, high = pass_band(target)
    at = target.at_hz
    edge = (low, at * 0.97) if target.kind == "lowpass" else (at * 1.03, high)
    everything = (*made(name), *realise(Brief(target), top=1, work=1e3))
    found = compared(
        target, everything, Spread(0.01, 0.01), Limit(*edge, "within", 0.5), samples=500
    )
    ladder_row, cascade_row = (
        next(row for row in found.rows if row.realisation is r)
        for r in (everything[0], everything[-1])
    )
    assert ladder_row.yield_.low > cascade_row.yield_.high
    assert ladder_row.middle_db < cascade_row.middle_db / 2


# -- the command -----------------------------------------------------------------------------------


def test_the_command_writes_what_it_shows(tmp_path, capsys):
    file = tmp_path / "ladder.cir"
    order = ["ladder", "lowpass", "--family", "chebyshev", "--order", "3", "--at", "1kHz"]
    assert run([*order, "--pick", "2", "-o", str(file)]) == 0
    shown = capsys.readouterr().out
    assert "ladder-leapfrog" in shown
    assert max(len(x) for x in shown.splitlines() if not x.startswith("written")) <= 80
    again = read_deck(file.read_text()).network
    assert run([*order, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    picked = answer["realisations"][1]
    assert again.values == {p["name"]: p["value"] for p in picked["parts"] if "value" in p}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["allpass", "--at", "1kHz"], "not for allpass"),
        (["bandstop", "--at", "1kHz"], "not for bandstop"),
        (["lowpass"], "--at"),
        (["lowpass", "--order", "20", "--at", "1kHz"], "up to 14"),
        (["lowpass", "--at", "1kHz", "--form", "x"], "forms are"),
        (["lowpass", "--at", "1kHz", "--limit", "1dB"], "--against-cascade"),
        (["lowpass", "--at", "1kHz", "--band", "1:2"], "--against-cascade"),
        (["lowpass", "--at", "1kHz", "--pick", "9"], "--pick 9"),
        (["highpass", "--family", "elliptic", "--order", "4", "--at", "1kHz"], "odd order"),
    ],
)
def test_bad_input_is_one_sentence(options, words, capsys):
    assert run(["ladder", *options]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert words in err
    assert len(err.splitlines()) == 1


@needs_simulator
@pytest.mark.parametrize("name", TARGETS)
def test_the_decks_in_the_simulator(name):
    target = wanted(name)
    for r in made(name):
        found = simulate(deck_text(r.network))
        exact = response(r.network, 2 * np.pi * found.frequencies[::5])
        assert found.node("out")[::5] == pytest.approx(exact, abs=2e-3 * target.scale)


def test_every_form_has_a_source():
    assert all(f.source and f.theorem for f in FORMS.values())
