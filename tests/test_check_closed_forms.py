"""Small-signal figures against closed forms, worked here."""

from __future__ import annotations

from dataclasses import replace
from math import atan2, degrees, inf, pi, sqrt

import numpy as np
import pytest

from synth.analysis.amplifier import same_everywhere
from synth.analysis.grid import panels
from synth.analysis.real import real_system
from synth.catalog import stage
from synth.checking.figures import figures
from synth.checking.model import op_amp_model
from synth.checking.operating_point import operating_point
from synth.errors import NetworkError, NumberError
from synth.network.model import Branch, Network, OpAmp
from tests.networks import any_network, mna, random_networks

BOLTZMANN = 1.380649e-23
QUIET = "en=0,in=0,en_corner=0,in_corner=0,gbw=1G,p2=inf,rout=0,a0=1G"


def network_of(parts: str, op_amps: tuple[OpAmp, ...] = ()) -> Network:
    branches = []
    for row in parts.split(";"):
        name, a, b, value = row.split()
        branches.append(Branch(name, {"R": 0, "C": 1}[name[0]], (a, b), float(value)))
    return Network(tuple(branches), op_amps)


RC = network_of("R1 in out 1e4; C1 out 0 1e-9")
FOLLOWED_RC = network_of("R1 in p 1e4; C1 p 0 1e-9", (OpAmp("U1", "p", "out", "out"),))


# -- noise -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("capacitance", [1e-10, 1e-9, 1e-8])
def test_kt_over_c(capacitance: float) -> None:
    """Any R: sqrt(kT/C); 1 nF gives 2.035 uV at 300 K (common practice)."""
    network = RC.with_values({"C1": capacitance})
    corner = 1 / (2 * pi * 1e4 * capacitance)
    found = figures(network, op_amp_model(QUIET), band_hz=(corner * 1e-5, corner * 1e5))
    assert found.noise_vrms == pytest.approx(sqrt(BOLTZMANN * 300 / capacitance), rel=1e-4)
    assert found.noise.temperature_k == 300.0


def test_kt_over_c_behind_a_follower() -> None:
    found = figures(FOLLOWED_RC, op_amp_model(QUIET), band_hz=(0.1, 1e8), predistort=False)
    assert found.noise_vrms == pytest.approx(2.035e-6, rel=1e-3)


def test_thermal_noise_of_a_kilohm() -> None:
    """4.07 nV/sqrt(Hz) at 300 K (common practice)."""
    network = network_of("R1 in out 2e3; R2 out 0 2e3")
    found = figures(network, op_amp_model(QUIET), band_hz=(1.0, 1e4))
    assert found.noise.spot == pytest.approx(4.070e-9, rel=1e-3)
    assert found.noise_vrms == pytest.approx(4.070e-9 * sqrt(1e4 - 1), rel=1e-3)


def test_noise_rising_as_one_over_f() -> None:
    """en*sqrt(f2 - f1 + fc*ln(f2/f1)) of a follower's voltage noise."""
    network = network_of("R1 in p 1e-3; R2 p 0 1e3", (OpAmp("U1", "p", "out", "out"),))
    model = op_amp_model("en=20n,en_corner=100,in=0,in_corner=0,gbw=1G,p2=inf,rout=0,a0=1G")
    found = figures(network, model, band_hz=(0.1, 1e4), predistort=False).noise
    wanted = 20e-9 * sqrt(1e4 - 0.1 + 100 * np.log(1e5))
    (row,) = (c for c in found.contributors if c.kind == "voltage")
    assert row.vrms == pytest.approx(wanted, rel=1e-5)
    assert found.density(np.array([100.0]))[0] == pytest.approx(20e-9 * sqrt(2), rel=1e-3)


def test_noise_of_an_inverting_amplifier() -> None:
    """en*(1 + R2/R1), in*R2 and the resistors' own, by power."""
    network = network_of("R1 in m 1e4; R2 m out 1e5", (OpAmp("U1", "0", "m", "out"),))
    model = op_amp_model("en=10n,in=1p,en_corner=0,in_corner=0,gbw=1G,p2=inf,rout=0,a0=1G")
    found = figures(network, model, band_hz=(1.0, 1e3), predistort=False).noise
    four_kt = 4 * BOLTZMANN * 300
    wanted = {
        ("U1", "voltage"): 10e-9 * 11,
        ("U1", "current-"): 1e-12 * 1e5,
        ("U1", "current+"): 0.0,
        ("R1", "thermal"): sqrt(four_kt * 1e4) * 10,
        ("R2", "thermal"): sqrt(four_kt * 1e5),
    }
    for row in found.contributors:
        assert row.spot == pytest.approx(wanted[row.part, row.kind], rel=1e-5)
        assert row.vrms == pytest.approx(row.spot * sqrt(999), rel=1e-5, abs=1e-15)
    assert sum(c.share for c in found.contributors) == pytest.approx(1)
    assert found.input_spot == pytest.approx(found.spot / 10, rel=1e-5)
    assert [c.vrms for c in found.contributors] == sorted(
        (c.vrms for c in found.contributors), reverse=True
    )


def test_panels_integrate_exactly_where_they_should() -> None:
    nodes, weights = panels(np.geomspace(1.0, 1e4, 9))
    assert weights.sum() == pytest.approx(9999.0, rel=1e-6)
    assert (weights / nodes).sum() == pytest.approx(np.log(1e4), rel=1e-12)


@pytest.mark.parametrize("band", [(0.0, 1e3), (1e3, 1e2), (1.0, inf), (-1.0, 1.0)])
def test_a_band_that_is_none_is_refused(band: tuple[float, float]) -> None:
    with pytest.raises(NumberError, match="no band"):
        figures(RC, op_amp_model("general-purpose"), band_hz=band)


# -- margins ---------------------------------------------------------------------------------------


def test_margins_of_a_follower() -> None:
    """T = A(s): a gain-bandwidth of 1 MHz and a second pole of 1 MHz cross where
    f*sqrt(1 + f^2) = 1 (in MHz): f = sqrt((sqrt 5 - 1)/2), margin 90 - atan f."""
    model = op_amp_model("gbw=1M,p2=1M,rout=0,a0=1G")
    network = network_of("R1 in p 1e3", (OpAmp("U1", "p", "out", "out"),))
    (row,) = figures(network, model, predistort=False).margins
    cross = sqrt((sqrt(5) - 1) / 2)
    assert row.crossover_hz == pytest.approx(1e6 * cross, rel=1e-4)
    assert row.phase_margin_deg == pytest.approx(90 - degrees(atan2(cross, 1)), abs=0.01)
    assert row.gain_margin_db == inf


def test_a_capacitive_load_behind_output_resistance() -> None:
    """A third pole 1/(2 pi rout C): the phase reaches 180 degrees where f^2 = p2*p3."""
    model = op_amp_model("gbw=1M,p2=4M,rout=100,a0=1G")
    network = network_of("R1 in p 1e3; C1 out 0 1.5915494309e-9", (OpAmp("U1", "p", "out", "out"),))
    (row,) = figures(network, model, predistort=False).margins
    p2, p3 = 4e6, 1e6
    f = sqrt(p2 * p3)
    size = 1e6 / f / (sqrt(1 + (f / p2) ** 2) * sqrt(1 + (f / p3) ** 2))
    assert row.gain_margin_db == pytest.approx(-20 * np.log10(size), abs=0.01)


def test_an_unstable_circuit_has_a_negative_margin() -> None:
    model = op_amp_model("gbw=1M,p2=0.1M,rout=1k,a0=1G")
    network = network_of("R1 in p 1e3; C1 out 0 1e-7", (OpAmp("U1", "p", "out", "out"),))
    found = figures(network, model, predistort=False)
    assert not found.stable
    assert found.margins[0].phase_margin_deg < 0
    assert found.margins[0].gain_margin_db == inf
    assert found.margins[0].gain_reduction_margin_db > 0


# -- operating point -------------------------------------------------------------------------------


def test_offset_of_an_inverting_amplifier() -> None:
    network = network_of("R1 in m 1e4; R2 m out 1e5", (OpAmp("U1", "0", "m", "out"),))
    model = op_amp_model("offset=1m,ib=100n,ios=20n,a0=1e9,rout=0")
    point = operating_point(network, model)
    assert point is not None
    parts = np.array([11e-3, 100e-9 * 1e5, 10e-9 * 1e5])
    assert point.output_worst_v == pytest.approx(parts.sum(), rel=1e-6)
    assert point.output_rms_v == pytest.approx(sqrt((parts**2).sum()), rel=1e-6)
    assert point.amplifiers[0].dc_feedback
    assert point.saturated == ()


def test_an_integrator_goes_to_a_rail_alone_and_not_inside_a_loop() -> None:
    model = op_amp_model("a0=1e9")
    alone = operating_point(stage("integrator-inverting").circuit(), model)
    assert alone is not None
    assert alone.saturated == ("U1",)
    (remedy,) = alone.amplifiers[0].remedies
    # Vos*(1 + Rf/Rin) + (ib + ios/2)*Rf is a tenth of the swing of 13 V
    network = stage("integrator-inverting").circuit()
    (r,) = (b.value for b in network.branches if b.power == 0)
    (c,) = (b.value for b in network.branches if b.power == 1)
    assert r is not None
    assert c is not None
    wanted = (1.3 - 1e-3) / (1e-3 / r + 90e-9)
    assert remedy.resistance_ohm == pytest.approx(wanted, rel=2e-3)
    assert remedy.corner_hz == pytest.approx(1 / (2 * pi * remedy.resistance_ohm * c))
    for name in ("tow-thomas-lowpass", "state-variable-bandpass", "akerberg-mossberg-lowpass"):
        inside = operating_point(stage(name).circuit(), model)
        assert inside is not None
        assert inside.saturated == ()
        assert all(a.dc_feedback and not a.saturated for a in inside.amplifiers)


def test_the_remedy_works() -> None:
    model = op_amp_model("general-purpose")
    network = stage("integrator-inverting").circuit()
    point = operating_point(network, model)
    assert point is not None
    (remedy,) = point.amplifiers[0].remedies
    nodes = network.branch(remedy.capacitor).nodes
    leaky = replace(
        network, branches=(*network.branches, Branch("RX", 0, nodes, remedy.resistance_ohm))
    )
    after = operating_point(leaky, model)
    assert after is not None
    assert after.saturated == ()
    assert after.output_worst_v == pytest.approx(1.3, rel=1e-3)


def test_an_input_without_a_bias_path_has_no_operating_point() -> None:
    network = network_of("C1 in p 1e-9; C2 p 0 1e-9", (OpAmp("U1", "p", "out", "out"),))
    found = figures(network, op_amp_model("general-purpose"), predistort=False)
    assert found.bias_path == (("U1", "plus"),)
    assert found.operating_point is None


# -- response --------------------------------------------------------------------------------------


def test_the_system_agrees_with_independent_nodal_analysis() -> None:
    """Output resistance zero, one pole: the independent program of tests/networks.py."""
    from tests.networks import Amplifier

    rng = np.random.default_rng(3)
    tried = 0
    for network in random_networks(30, seed=5, powers=(0, 1, -1, 2)):
        values = {b.name: float(rng.uniform(0.5, 2.0)) for b in network.branches}
        network = network.with_values(values)
        model = op_amp_model(f"gbw={50 / (2 * pi)!r},p2=inf,rout=0,a0=1000")
        amplifiers = {u.name: Amplifier(50.0, 1000.0) for u in network.op_amps}
        s = complex(0.3, 1.1)
        system = real_system(network, same_everywhere(network, model.amplifier))
        other = mna(network, s, amplifiers)
        if other.condition > 1e8:
            continue
        found = other.solve(network.output)
        at = {(name, pin): node for name, pin, node in network.pins()}
        wanted = sum(v for k, v in found.items() if at.get(k) == network.input)
        ours = system.read(system.response(np.array([s])))[0]
        assert ours == pytest.approx(wanted, rel=1e-7, abs=1e-10)
        tried += 1
    assert tried >= 10


def test_stop_band_of_a_sallen_key_rises_to_a_divider() -> None:
    """At very high frequency the capacitors are shorts and the op amp is dead: the input reaches
    the output through R1 against rout beside R2 (common practice)."""
    model = op_amp_model("gbw=1M,p2=3M,rout=75,a0=200k")
    network = stage("sallen-key-lowpass-unity").circuit()
    found = figures(network, model, predistort=False).deviation
    r1, r2 = (network.branch(n).value or 0.0 for n in ("R1", "R2"))
    beside = 75 * r2 / (75 + r2)
    level = 20 * np.log10(beside / (r1 + beside))
    system = real_system(network, same_everywhere(network, model.amplifier))
    top = abs(system.read(system.response(np.array([2j * pi * 1e10])))[0])
    assert 20 * np.log10(top) == pytest.approx(level, abs=0.02)
    assert found.floor_db is not None
    assert found.rise_db is not None
    assert found.floor_db < found.rise_db - 10
    assert found.rise_db == pytest.approx(level, abs=2.5)


def test_a_first_order_stage_rolls_off_by_the_follower() -> None:
    """|real/ideal| = 1/sqrt(1 + (f/1 MHz)^2): 3 dB at 0.9976 MHz, 1 dB at 0.5088 MHz."""
    model = op_amp_model("gbw=1M,p2=inf,rout=0,a0=1G")
    found = figures(FOLLOWED_RC, model, predistort=False).deviation
    assert found.within_3db.to_hz == pytest.approx(1e6 * sqrt(10**0.3 - 1), rel=1e-3)
    assert found.within_1db.to_hz == pytest.approx(1e6 * sqrt(10**0.1 - 1), rel=1e-3)
    ten = 10 / (2 * pi * 1e4 * 1e-9)
    assert found.rolloff_db_10f0 == pytest.approx(-10 * np.log10(1 + (ten / 1e6) ** 2), rel=1e-6)


def test_defect_of_a_follower() -> None:
    """H + H' = T/(1 + T) with T = wt/s: |1 - H - H'| = f/sqrt(f^2 + ft^2) (D. Hilberman,
    IEEE Trans. CT-20 (1973) 540-547, from memory)."""
    model = op_amp_model("gbw=1M,p2=inf,rout=0,a0=1G")
    found = figures(FOLLOWED_RC, model, predistort=False)
    assert found.defect_1pct_hz == pytest.approx(1e6 * 0.01 / sqrt(1 - 1e-4), rel=1e-4)
    assert found.hidden(np.array([1e6]))[0] == pytest.approx(1 / sqrt(2), rel=1e-6)


# -- source and load -------------------------------------------------------------------------------


def test_source_resistance_of_an_rc_low_pass() -> None:
    found = figures(RC, op_amp_model("general-purpose"), source_resistance=1e4).loading
    assert found is not None
    assert found.poles[0].f0_shift == pytest.approx(-0.5, rel=1e-9)
    assert found.input_impedance_dc_ohm > 1e6
    # at the upper edge of the band, where C has as many ohms as R
    assert found.input_impedance_min_ohm == pytest.approx(1e4 * 2**0.5, rel=5e-3)
    assert found.input_impedance_min_hz == pytest.approx(found.band_hz[1])


def test_load_of_an_rc_low_pass() -> None:
    found = figures(RC, op_amp_model("general-purpose"), load=1e4).loading
    assert found is not None
    assert found.gain_error == pytest.approx(-0.5, rel=5e-3)  # a decade below the corner
    assert found.poles[0].f0_shift == pytest.approx(1.0, rel=1e-9)


def test_what_a_swap_changes_for_the_source() -> None:
    """A swapped unity Sallen-Key stage drives C2 where R1 was: its input impedance changes."""
    from synth.transform.drive import Swap

    network = stage("sallen-key-lowpass-unity").circuit()
    swapped, _ = Swap().apply(network)
    model = op_amp_model("general-purpose")
    found = figures(swapped, model, source_resistance=100.0, before=network, predistort=False)
    alone = figures(network, model, source_resistance=100.0, predistort=False)
    assert found.loading_before == alone.loading
    assert found.loading is not None
    assert found.loading_before is not None
    assert found.loading.input_impedance_min_ohm != pytest.approx(
        found.loading_before.input_impedance_min_ohm, rel=0.05
    )


@pytest.mark.parametrize(
    ("source", "load"), [(-1.0, None), (inf, None), (0.0, 0.0), (0.0, -5.0), (0.0, inf)]
)
def test_impossible_source_and_load(source: float, load: float | None) -> None:
    with pytest.raises(NumberError, match=r"source|load"):
        figures(RC, op_amp_model("general-purpose"), source_resistance=source, load=load)


def test_a_part_without_value_is_named() -> None:
    bare = stage("sallen-key-lowpass-unity").network
    with pytest.raises(NetworkError, match="R1"):
        figures(bare, op_amp_model("general-purpose"))


def test_far_too_slow_an_op_amp_is_refused() -> None:
    with pytest.raises(NumberError, match="faster"):
        figures(stage("sallen-key-lowpass-unity").circuit(), op_amp_model("gbw=0.5"))


def test_random_networks_have_finite_figures() -> None:
    rng = np.random.default_rng(11)
    model = op_amp_model("gbw=1k,p2=3k,rout=0.1")
    done = 0
    for _ in range(40):
        network = any_network(rng)
        values = {b.name: float(rng.uniform(0.5, 2.0)) for b in network.branches}
        try:
            found = figures(network.with_values(values), model)
        except (NetworkError, NumberError, ArithmeticError):
            continue
        assert np.isfinite(found.noise_vrms)
        assert len(found.margins) == len(network.op_amps)
        done += 1
    assert done >= 10
