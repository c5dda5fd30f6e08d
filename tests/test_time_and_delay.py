"""Phase, group delay, step and impulse response against closed forms, tables and other methods."""

import math

import numpy as np
import pytest
from scipy import integrate, signal

from synth.catalog import stage
from synth.errors import TargetError
from synth.report.record import analysis_record
from synth.target import response_target
from synth.transfer.phase import group_delay, phase
from synth.transfer.time_response import time_response
from synth.transfer.transfer import Transfer
from tests.simulator import needs_simulator
from tests.transient import run

FAMILIES = [
    ("butterworth", 5),
    ("chebyshev", 6),
    ("inverse-chebyshev", 5),
    ("elliptic", 4),
    ("bessel", 7),
]


def _target(family, order, kind="lowpass", **more):
    return response_target(kind, 1e3, family=family, order=order, **more).transfer


@pytest.mark.parametrize(("family", "order"), FAMILIES)
@pytest.mark.parametrize("kind", ["lowpass", "highpass", "bandpass", "bandstop"])
def test_delay_is_the_slope_of_the_phase(family, order, kind):
    """Against a difference quotient of the angle of H at neighbouring frequencies."""
    width = {"q": 2.0} if kind in ("bandpass", "bandstop") else {}
    if width and order % 2:
        order += 1
    h = _target(family, order, kind, **width)
    f = np.geomspace(50.0, 2e4, 301)
    step = 1e-5 * f
    turned = np.angle(h.response(f + step) / h.response(f - step))
    wanted = -turned / (2 * 2 * math.pi * step)
    clear = np.abs(h.response(f)) > 1e-5
    np.testing.assert_allclose(group_delay(h, f)[clear], wanted[clear], rtol=2e-4, atol=2e-8)


@pytest.mark.parametrize(("family", "order"), FAMILIES)
def test_phase_is_that_of_h_and_continuous(family, order):
    h = _target(family, order) * -2.0
    f = np.geomspace(1.0, 1e5, 4001)
    angle = phase(h, f)
    np.testing.assert_allclose(np.exp(1j * angle), h.response(f) / np.abs(h.response(f)), atol=1e-6)
    on_axis = {abs(z) for z in h.zeros if abs(z.real) < 1e-9 * abs(z)}
    jumps = np.flatnonzero(np.abs(np.diff(angle)) > 1.0)
    assert len(jumps) == len(on_axis)
    assert np.all(np.diff(angle)[jumps] > 0)


def test_published_delay_of_a_bessel_filter_is_flat():
    """The delay at DC is 1 for the normalised filter, and its first n - 1 derivatives vanish:
    W. E. Thomson, Proc. IEE 96 III (1949) 487-490 (from memory)."""
    for order in range(2, 11):
        h = response_target("lowpass", 1e3, family="bessel", order=order, edge="delay").transfer
        unit = 1 / (2 * math.pi * 1e3)
        assert group_delay(h, [1e-6])[0] == pytest.approx(unit, rel=1e-9)
        low = group_delay(h, [0.05e3])[0] / unit
        assert abs(low - 1) < (1e-3 if order == 2 else 1e-5)


def test_published_delay_of_a_butterworth_filter_at_dc():
    """The sum of 1/sin terms; 1.4142, 2.0000, 2.6131, 3.2361 for orders 2 to 5: the a1 of the
    normalised polynomials, A. I. Zverev, Handbook of Filter Synthesis, Wiley 1967 (from memory)."""
    for order, a1 in ((2, 1.4142), (3, 2.0), (4, 2.6131), (5, 3.2361)):
        h = _target("butterworth", order)
        assert group_delay(h, [0.0])[0] * 2 * math.pi * 1e3 == pytest.approx(a1, abs=5e-5)


def test_roots_on_the_axis_delay_nothing():
    notch = Transfer.from_tf([1, 0, 1], [1, 0.5, 1])
    all_poles = Transfer.from_tf([1], [1, 0.5, 1])
    f = np.array([0.5, 1.0, 2.0]) / (2 * math.pi)
    np.testing.assert_array_equal(group_delay(notch, f), group_delay(all_poles, f))
    assert phase(Transfer.from_tf([1], [1, 0]), [3.0])[0] == pytest.approx(-math.pi / 2)


# -- in time ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("q", [0.6, 1 / math.sqrt(2), 2.0, 10.0])
def test_overshoot_of_the_second_order(q):
    """exp(-pi*zeta/sqrt(1 - zeta^2)), zeta = 1/(2Q): 4.3 % for Butterworth (e.g. K. Ogata, Modern
    Control Engineering, 5th ed., Prentice Hall 2010, section 5-3; from memory)."""
    zeta = 1 / (2 * q)
    h = Transfer.from_tf([3e8], [1, 1e4 / q, 1e8])
    wanted = math.exp(-math.pi * zeta / math.sqrt(1 - zeta**2))
    assert time_response(h).overshoot == pytest.approx(wanted, abs=2e-3 * wanted + 1e-5)
    if q == 1 / math.sqrt(2):
        assert wanted == pytest.approx(0.0432, abs=5e-5)


def test_first_order_closed_forms():
    tau = 2e-3
    low = time_response(Transfer.from_tf([5], [tau, 1]))
    np.testing.assert_allclose(low.step, 5 * (1 - np.exp(-low.times / tau)), atol=1e-10)
    np.testing.assert_allclose(low.impulse, 5 / tau * np.exp(-low.times / tau), rtol=1e-9)
    assert (low.direct, low.final) == (0.0, 5.0)
    high = time_response(Transfer.from_tf([tau, 0], [tau, 1]))
    np.testing.assert_allclose(high.step, np.exp(-high.times / tau), rtol=1e-9)
    np.testing.assert_allclose(high.impulse, -np.exp(-high.times / tau) / tau, rtol=1e-9)
    assert (high.direct, high.final) == (1.0, 0.0)


def test_five_equal_poles():
    """A gamma distribution; residues of equal poles are what partial fractions lose."""
    h = Transfer.from_zpk([], [-100.0] * 5, 100.0**5)
    found = time_response(h)
    x = 100 * found.times
    np.testing.assert_allclose(
        found.impulse, 100 * x**4 / 24 * np.exp(-x), atol=1e-9 * np.max(found.impulse)
    )


@pytest.mark.parametrize(("family", "order"), FAMILIES)
@pytest.mark.parametrize("kind", ["lowpass", "highpass", "bandpass", "allpass"])
def test_against_another_method(family, order, kind):
    """scipy's residues of zpk for the impulse, and its integral for the step."""
    if kind == "allpass" and family != "bessel":
        kind = "bandstop"
    width = {"q": 1.5} if kind in ("bandpass", "bandstop") else {}
    order += order % 2 if width else 0
    h = _target(family, order, kind, **width)
    found = time_response(h)
    z, p, k = h.zpk()
    rest = np.array([k * np.prod(x - z) / np.prod([x - y for y in p if y != x]) for x in p])
    wanted = (rest[None, :] * np.exp(found.times[:, None] * p[None, :])).sum(axis=1).real
    np.testing.assert_allclose(found.impulse, wanted, atol=1e-6 * np.max(np.abs(wanted)))
    level = (
        h(0.0).real
        + ((rest / p)[None, :] * np.exp(found.times[:, None] * p[None, :])).sum(axis=1).real
    )
    np.testing.assert_allclose(found.step, level, atol=1e-7 * np.max(np.abs(level)))
    assert found.step[-1] == pytest.approx(found.final, abs=5e-3 * np.max(np.abs(level)))


def test_the_area_of_the_impulse_is_h_of_zero():
    h = _target("chebyshev", 4)
    found = time_response(h)
    area = integrate.simpson(found.impulse, x=found.times)
    assert area == pytest.approx(found.step[-1], rel=1e-5)


def test_an_integrator_never_settles():
    found = time_response(Transfer.from_tf([2.0], [1, 0]))
    np.testing.assert_array_equal(np.isnan(found.final), True)


@pytest.mark.parametrize(
    ("h", "word"),
    [
        (Transfer.from_tf([1], [1, -1]), "grows"),
        (Transfer.from_tf([1, 0, 0], [1, 1]), "zeros"),
    ],
)
def test_what_has_no_response(h, word):
    with pytest.raises(TargetError, match=word):
        time_response(h)


def test_times_that_are_none():
    h = Transfer.from_tf([1], [1, 1])
    for times in ([0.0], [0.1, 0.2], [0.0, 1.0, 3.0], [0.0, -1.0]):
        with pytest.raises(TargetError, match="equal steps"):
            time_response(h, np.array(times))


@needs_simulator
@pytest.mark.parametrize("name", ["sallen-key-lowpass-unity", "multiple-feedback-bandpass"])
def test_against_the_simulator(name):
    network = stage(name).circuit()
    h = analysis_record(network).H
    found = time_response(h)
    end = float(found.times[-1])
    lines = [
        "step",
        f"VIN {network.input} 0 PWL(0 0 {end * 1e-7!r} 1)",
        *(f"{b.name} {b.nodes[0]} {b.nodes[1]} {b.value!r}" for b in network.branches),
        *(f"E{u.name} {u.out} 0 {u.plus} {u.minus} 1e7" for u in network.op_amps),
        ".options reltol=1e-6",
        f".tran {end / 2000!r} {end!r} 0 {end / 2000!r}",
        ".end",
        "",
    ]
    waves = run("\n".join(lines))
    simulated = np.interp(found.times, waves["time"], waves[network.output.lower()])
    np.testing.assert_allclose(simulated, found.step, atol=2e-3 * np.max(np.abs(found.step)))


def test_the_zero_function_and_a_constant():
    assert np.all(time_response(Transfer(0.0)).step == 0)
    assert np.all(time_response(Transfer(2.0)).step == 2.0)


def test_a_delay_from_scipy():
    """The digital group delay of scipy at a rate far above: an independent implementation."""
    h = _target("bessel", 4)
    rate = 4e5
    b, a = signal.bilinear(*h.tf(), rate)
    w, delay = signal.group_delay((b, a), w=[100.0, 500.0, 1000.0], fs=rate)
    np.testing.assert_allclose(group_delay(h, w), delay / rate, rtol=2e-3)
