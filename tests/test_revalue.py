"""Preferred values for whole circuits: cells, targets, the joint choice, stock, pairs, levels."""

from __future__ import annotations

import math

import numpy as np
import pytest

import synth
from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.catalog import names, stage
from synth.errors import NetworkError, NumberError, TargetError
from synth.network.model import Network
from synth.realisation.cells import cells_of
from synth.realisation.levels import levels_of
from synth.realisation.matching import cell_targets
from synth.transfer.transfer import Transfer
from synth.transform.cascade import cascade
from synth.values.joint import choose_joint
from synth.values.series import CAPACITORS, RESISTORS, nearest
from synth.values.stock import read_stock

SALLEN_KEY = "sallen-key-lowpass-unity"


def response(network: Network) -> Transfer:
    loop = analyse(network)
    return transfer(loop, loop.transfer())


def chain(*stages: str) -> Network:
    return cascade([stage(n).circuit() for n in stages]).network


def fifth_order() -> Network:
    return chain(SALLEN_KEY, SALLEN_KEY, "rc-lowpass")


def figures(h: Transfer) -> tuple[float, float, float]:
    """w0, Q and gain at DC of a second-order low-pass, from its coefficients alone."""
    d2, d1, d0 = h.denominator
    return math.sqrt(d0 / d2), math.sqrt(d0 * d2) / d1, h.numerator[-1] / d0


# -- cells -----------------------------------------------------------------------------------------


def test_a_cascade_is_cut_where_the_signal_passes_an_op_amp_output() -> None:
    cells = cells_of(chain(SALLEN_KEY, "multiple-feedback-lowpass", "rc-lowpass"))
    assert [c.order for c in cells] == [2, 2, 1]
    assert [len(c.parts) for c in cells] == [4, 5, 2]


def test_a_swapped_cascade_is_one_cell() -> None:
    """1 - H1 H2 is no product: the input feeds both stages."""
    swapped = synth.swap(chain(SALLEN_KEY, SALLEN_KEY))
    assert [c.order for c in cells_of(swapped)] == [4]


@pytest.mark.parametrize("name", names())
def test_the_product_of_the_cells_is_the_circuit(name: str) -> None:
    network = stage(name).circuit()
    s = 1j * np.geomspace(1e2, 1e5, 7)
    wanted = response(network)
    if not network.branches:
        with pytest.raises(NetworkError, match="no parts to choose"):
            cells_of(network)
        return
    found = np.ones(7, dtype=complex)
    for c in cells_of(network):
        own = {n: network.values[n] for n in c.terms.names}
        found = found * response(c.network.with_values(own))(s)
    np.testing.assert_allclose(found, wanted(s), rtol=1e-9)


def test_a_load_at_an_op_amp_output_is_idle() -> None:
    deck = """hydrophone, loaded
VIN in 0 AC 1
R1 in a 10k
R2 a p 10k
C1 a out 22n
C2 p 0 10n
RL out 0 9.87k
XU1 p out out opamp
.subckt opamp plus minus out
E1 out 0 plus minus 1e6
.ends
.end"""
    found = synth.choose_values(synth.read(deck))
    assert found.network.values["RL"] == nearest(9870.0, RESISTORS)
    assert any("RL" in n for n in found.notes)


# -- targets ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("family", ["butterworth", "chebyshev", "bessel"])
def test_the_cells_targets_multiply_to_the_whole(family: str) -> None:
    network = fifth_order()
    whole = synth.target_for("lowpass", 700.0, family=family, order=5).transfer
    cells = cells_of(network)
    targets = cell_targets(cells, whole, network.values)
    product = Transfer(1.0)
    for t in targets:
        h = Transfer.from_tf(t.numerator[::-1], t.denominator[::-1])
        product = product * h.scaled_frequency(t.w0)
    s = 1j * np.geomspace(10, 1e6, 30)
    np.testing.assert_allclose(product(s), whole(s), rtol=1e-9)


def test_zeros_and_gain_are_shared_out() -> None:
    low = synth.scale_frequency(stage(SALLEN_KEY).circuit(), 10.0)
    network = cascade([stage("sallen-key-highpass-gain").circuit(), low]).network
    high = synth.target_for("highpass", 300.0, order=2, gain=3.0).transfer
    whole = high * synth.target_for("lowpass", 3e3, order=2).transfer
    first, second = cell_targets(cells_of(network), whole, network.values)
    assert first.numerator[:2] == (0.0, 0.0)
    assert first.numerator[2] == pytest.approx(3.0)
    assert second.numerator == pytest.approx((1.0, 0.0, 0.0))


@pytest.mark.parametrize(
    ("circuit", "target", "words"),
    [
        (SALLEN_KEY, ("lowpass", 1e3, {"order": 3}), "order 2 and the target of order 3"),
        (SALLEN_KEY, ("highpass", 1e3, {"order": 2}), "s^2 in N, which is absent"),
        (SALLEN_KEY, ("lowpass", 1e3, {"order": 2, "gain": 2.0}), "gain is off by -50 %"),
        ("cascade", ("lowpass", 1e3, {"order": 5, "gain": 2.0}), "+6.02 dB"),
        ("cascade", ("lowpass", 1e3, {"order": 5, "gain": -1.0}), "other sign"),
        ("cascade", ("highpass", 1e3, {"order": 5}), "5 of them at the origin"),
        ("cascade", ("lowpass", 1e3, {"order": 4}), "order 5 and the target of order 4"),
    ],
)
def test_a_target_out_of_reach_says_by_how_much(
    circuit: str, target: tuple[str, float, dict[str, float]], words: str
) -> None:
    network = fifth_order() if circuit == "cascade" else stage(circuit).circuit()
    kind, at, options = target
    wanted = synth.target_for(kind, at, family="butterworth", **options)  # type: ignore[arg-type]
    with pytest.raises(TargetError) as caught:
        synth.choose_values(network, wanted)
    assert words in str(caught.value)


def test_what_is_kept_can_put_a_target_out_of_reach() -> None:
    """Sallen-Key unity needs C1 >= 4 Q^2 C2; with equal capacitors Q is at most 1/2."""
    network = stage(SALLEN_KEY).circuit()
    with pytest.raises(TargetError, match=r"kept.*Q is off by"):
        synth.choose_values(
            network,
            synth.target_for("lowpass", 1e3, order=2, q=2.0),
            keep={"C1": 1e-8, "C2": 1e-8},
        )


def test_a_circuit_without_values_needs_a_target() -> None:
    bare = stage(SALLEN_KEY).network
    with pytest.raises(NetworkError, match="say the target"):
        synth.choose_values(bare)
    found = synth.choose_values(bare, synth.target_for("lowpass", 1e3, order=2), floor=0)
    w0, q, gain = figures(response(found.network))
    away = max(abs(math.log(w0 / (2e3 * math.pi))), abs(math.log(q * math.sqrt(2))))
    assert found.error == pytest.approx(away, abs=1e-9)
    assert gain == pytest.approx(1.0)
    assert found.proved


# -- the choice ------------------------------------------------------------------------------------


def test_an_integrator_is_refused_in_a_sentence() -> None:
    deck = """integrator
VIN in 0 AC 1
R1 in m 10k
C1 m out 10n
XU1 0 m out opamp
.subckt opamp plus minus out
E1 out 0 plus minus 1e6
.ends
.end"""
    with pytest.raises(TargetError, match="integrator"):
        synth.choose_values(synth.read(deck))


def test_values_are_from_the_series_and_the_error_is_the_circuits() -> None:
    network = synth.scale_frequency(stage(SALLEN_KEY).circuit(), 1.2345)
    for floor in (0.0, None):
        found = synth.choose_values(network, resistors="E24", floor=floor)
        for n, v in found.network.values.items():
            mantissa = v / 10 ** math.floor(math.log10(v) + 1e-9)
            table = synth.values.series.TABLES["E24" if n[0] == "R" else "E12"]
            assert min(abs(mantissa - m / 10) for m in table) < 1e-9
        mine, wanted = figures(response(found.network)), figures(response(network))
        error = max(abs(math.log(a / b)) for a, b in zip(mine, wanted, strict=True))
        assert found.error == pytest.approx(error, abs=1e-9)
        assert found.bound <= found.error + 1e-8
        rounded = network.with_values(
            {
                n: nearest(v, RESISTORS.__class__("E24", 1e3, 1e6) if n[0] == "R" else CAPACITORS)
                for n, v in network.values.items()
            }
        )
        theirs = figures(response(rounded))
        rounding = max(abs(math.log(a / b)) for a, b in zip(theirs, wanted, strict=True))
        assert found.nearest_rounding_error == pytest.approx(rounding, rel=1e-6)
        assert found.error < rounding


def test_within_the_floor_the_spread_is_less_than_at_the_optimum() -> None:
    network = synth.scale_frequency(stage(SALLEN_KEY).circuit(), 1.2345)
    bare = synth.choose_values(network, floor=0.0)
    loose = synth.choose_values(network)
    assert loose.error <= loose.floor
    assert loose.spread <= bare.spread
    assert loose.floor == pytest.approx(0.001)  # a tenth of the 1 % of E96


def test_ties_are_broken_towards_ten_kilohm() -> None:
    """A decade up and a decade down have the same error and spread; the level decides."""
    found = synth.choose_values(SALLEN_KEY)
    resistors = [v for n, v in found.values.items() if n[0] == "R"]
    level = math.exp(sum(map(math.log, resistors)) / len(resistors))
    assert 3e3 < level < 33e3


def test_keep_tie_and_own_series() -> None:
    found = synth.choose_values(
        "multiple-feedback-lowpass", keep=["C1"], ties=[("R1", "R2")], parts={"R3": "E192"}
    )
    assert found.values["C1"] == stage("multiple-feedback-lowpass").example["C1"]
    assert found.values["R1"] == found.values["R2"]


def test_everything_kept_is_still_an_answer() -> None:
    found = synth.choose_values(SALLEN_KEY, keep=list(stage(SALLEN_KEY).example))
    assert found.error == pytest.approx(0.0, abs=1e-9)
    assert found.values == stage(SALLEN_KEY).example


def test_an_order_above_two_goes_by_its_coefficients() -> None:
    third = next(n for n in names() if stage(n).order == 3)
    network = synth.scale_frequency(stage(third).circuit(), 1.1)
    found = synth.choose_values(network, resistors="E24", capacitors="E6", work=3e5)
    wanted, got = response(network), response(found.network)
    away = max(
        abs(math.log(a / b))
        for a, b in zip(got.denominator[1:], wanted.denominator[1:], strict=True)
    )
    assert found.error >= away - 1e-9
    assert found.error < 0.2


# -- cascades --------------------------------------------------------------------------------------


def test_sections_compensate_each_other() -> None:
    """Order 5, E24/E6: the joint choice beats the section-wise one by more than five times."""
    wanted = synth.target_for("lowpass", 1e3, family="butterworth", order=5)
    found = synth.choose_values(fifth_order(), wanted, resistors="E24", capacitors="E6", floor=0.0)
    assert found.unit == "dB"
    assert found.section_wise_error is not None
    assert found.error * 5 <= found.section_wise_error
    assert not found.proved  # the lists are not all choices
    assert found.bound == 0
    assert found.certificate.startswith("not proved for all choices")
    assert "combinations" in found.certificate
    w = 2e3 * math.pi * np.geomspace(0.01, 3, 400)  # within 40 dB
    h = response(found.network)(1j * w) / wanted.transfer(1j * w)
    assert np.abs(20 * np.log10(np.abs(h))).max() <= found.error * 1.001
    assert found.error_db == pytest.approx(found.error, rel=1e-6)


def test_the_floor_of_the_whole_spares_the_spread() -> None:
    wanted = synth.target_for("lowpass", 1e3, family="butterworth", order=5)
    options = {"resistors": "E24", "capacitors": "E6"}
    loose = synth.choose_values(fifth_order(), wanted, **options)  # type: ignore[arg-type]
    bare = synth.choose_values(fifth_order(), wanted, floor=0.0, **options)  # type: ignore[arg-type]
    assert loose.error <= loose.floor
    assert loose.spread < bare.spread


def test_a_tie_across_stages_holds() -> None:
    found = synth.choose_values(chain(SALLEN_KEY, "rc-lowpass"), ties=[("C1", "C3")])
    assert found.values["C1"] == found.values["C3"]
    assert not found.proved
    assert "tried" in found.certificate


def test_the_joint_choice_against_every_combination() -> None:
    generator = np.random.default_rng(3)
    tables = [generator.normal(size=(n, 7)) for n in (5, 6, 4)]
    lower, upper = -generator.random(7) * 0.1, np.full(7, np.inf)
    upper[:3] = 0.2
    found = choose_joint(tables, limits=(lower, upper))
    every = (tables[0][:, None, None] + tables[1][None, :, None] + tables[2][None, None]).reshape(
        -1, 7
    )
    over = np.maximum(np.maximum(every - upper, lower - every), 0).max(axis=1)
    assert found.error == pytest.approx(over.min())
    assert found.proved


def test_band_and_mask() -> None:
    network = synth.scale_frequency(stage(SALLEN_KEY).circuit(), 1.2345)
    band = synth.choose_values(network, band=(100.0, 2e3), floor=0.0, resistors="E24")
    w = 2 * math.pi * np.geomspace(100, 2e3, 65)
    away = 20 * np.log10(np.abs(response(band.network)(1j * w) / response(network)(1j * w)))
    assert band.error == pytest.approx(np.abs(away).max(), abs=1e-6)
    limit = synth.Limit(10.0, 300.0, "within", 0.05)
    mask = synth.choose_values(network, mask=[limit], floor=0.0, resistors="E24")
    assert mask.error == pytest.approx(0.0, abs=1e-9)
    cascade_ = synth.choose_values(
        chain(SALLEN_KEY, "rc-lowpass"), mask=[limit], resistors="E12", floor=0.0
    )
    assert cascade_.error == pytest.approx(0.0, abs=1e-9)


# -- stock and pairs -------------------------------------------------------------------------------

DRAWER = "\n".join(
    ["kind,value,tolerance,count"]
    + [f"R,{v}k,1%,{n}" for v, n in ((4.7, 1), (6.8, 1), (10, 1), (12, 2), (15, 1), (22, 1))]
    + [f"C,{v}n,5%,1" for v in (1, 2.2, 3.3, 4.7, 10, 22, 33)]
)


def test_the_drawer_is_not_overdrawn() -> None:
    stock = read_stock(DRAWER, "drawer.csv")
    found = synth.choose_values(chain(SALLEN_KEY, SALLEN_KEY), stock=stock)
    used = list(found.values.values())
    for letter in "RC":
        counts = stock.counts(letter)
        mine = [v for n, v in found.values.items() if n[0] == letter]
        for v in mine:
            assert mine.count(v) <= counts[v]
    assert len(used) == 8
    assert "stock" in found.certificate


def test_a_pair_is_two_parts_in_the_netlist() -> None:
    network = synth.scale_frequency(stage(SALLEN_KEY).circuit(), 1.2345)
    plain = synth.choose_values(network, resistors="E12", floor=0.0)
    paired = synth.choose_values(network, resistors="E12", floor=0.0, pairs={"R1": "either"})
    assert paired.error <= plain.error
    parts = paired.network.values
    assert {"R1a", "R1b"} < set(parts)
    assert "R1" not in parts
    a, b = parts["R1a"], parts["R1b"]
    together = {a + b: True, a * b / (a + b): False}
    series = together[min(together, key=lambda v: abs(v - paired.values["R1"]))]
    shared = set(paired.network.branch("R1a").nodes) & set(paired.network.branch("R1b").nodes)
    assert len(shared) == (1 if series else 2)
    mine, wanted = figures(response(paired.network)), figures(response(network))
    error = max(abs(math.log(x / y)) for x, y in zip(mine, wanted, strict=True))
    assert paired.error == pytest.approx(error, abs=1e-9)
    steps = paired.circuit(0)[1]
    assert [s.name for s in steps] == ["values", "pair"]
    assert ("series" if series else "parallel") in steps[1].notes[0]


def test_capacitors_in_parallel_add() -> None:
    found = synth.choose_values(
        SALLEN_KEY, capacitors="E3", pairs={"C1": "parallel"}, floor=0.0, resistors="E24"
    )
    values = found.network.values
    assert found.values["C1"] == pytest.approx(values["C1a"] + values["C1b"])
    assert found.network.branch("C1a").nodes == found.network.branch("C1b").nodes


def test_pairs_come_from_the_drawer() -> None:
    stock = read_stock(DRAWER, "drawer.csv")
    found = synth.choose_values(SALLEN_KEY, stock=stock, pairs={"R1": "either"}, floor=0.0)
    pieces = [v for n, v in found.network.values.items() if n[0] == "R"]
    assert len(pieces) == 3
    for v in pieces:
        assert pieces.count(v) <= stock.counts("R")[v]


# -- levels ----------------------------------------------------------------------------------------


def test_thermal_noise_of_a_divider_by_formula() -> None:
    """Two resistors in parallel: sqrt(4kTR).  H. Nyquist, Phys. Rev. 32 (1928) 110, from memory."""
    network = synth.read("d\nVIN in 0 AC 1\nR1 in out 3k\nR2 out 0 6k\n.end")
    found = levels_of(network, np.array([1.0, 10.0, 101.0]))
    assert found is not None
    down, here, up = found.levels
    density = math.sqrt(4 * 1.380649e-23 * 300 * 2000)
    assert here.noise_density == pytest.approx(density)
    assert here.noise == pytest.approx(density * 10)
    assert here.load == pytest.approx(9000)
    assert up.noise_density == pytest.approx(density * math.sqrt(10))
    assert down.largest_resistor == pytest.approx(600)


def test_the_noise_of_an_rc_is_kt_over_c() -> None:
    """Total noise sqrt(kT/C), whatever the resistor (H. Nyquist, from memory)."""
    network = synth.read("rc\nVIN in 0 AC 1\nR1 in out 10k\nC1 out 0 10n\n.end")
    found = levels_of(network, np.geomspace(1e-1, 1e8, 4000))
    assert found is not None
    assert found.levels[1].noise == pytest.approx(math.sqrt(1.380649e-23 * 300 / 1e-8), rel=2e-3)


# -- wishes that make no sense ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"resistors": "E7"}, "E7"),
        ({"resistors": ""}, "lacks the name"),
        ({"resistors": "E24+"}, "lacks the name"),
        ({"resistors": 5}, "no series"),
        ({"seconds": math.nan}, "nan seconds"),
        ({"resistor_window": (1e6, 1e3)}, "empty"),
        ({"resistor_window": (1.01e3, 1.04e3), "resistors": "E6"}, "no value of E6"),
        ({"floor": -1.0}, "floor"),
        ({"floor": math.nan}, "floor"),
        ({"work": 0.0}, "work"),
        ({"work": math.nan}, "work"),
        ({"seconds": 0.0}, "positive"),
        ({"top": 0}, "choices"),
        ({"band": (10.0, 1.0)}, "band"),
        ({"metric": "band"}, "needs a band"),
        ({"metric": "beauty"}, "beauty"),
        ({"keep": ["R9"]}, "R9"),
        ({"keep": {"R1": -1.0}}, "positive"),
        ({"keep": {"R1": math.nan}}, "positive"),
        ({"ties": [("R1", "C1")]}, "different kinds"),
        ({"ties": [("R1",)]}, "two different"),
        ({"ties": [("R1", "R2")], "keep": ["R1"]}, "keep all or none"),
        ({"ties": [("R1", "R2")], "parts": {"R1": "E3", "R2": "E96"},
          "resistor_window": (2e3, 4e3)}, "share no value"),
        ({"pairs": {"R1": "diagonal"}}, "diagonal"),
        ({"pairs": {"R7": "series"}}, "R7"),
        ({"parts": {"R1": "E1"}}, "E1"),
        ({"stock": read_stock("kind,value\nR,10k\n")}, "no capacitors"),
        ({"stock": read_stock("kind,value,count\nR,10k,1\nR,12k,1\nC,10n,2\n"),
          "ties": [("R1", "R2")]},
         "needs 2 equal parts"),
        ({"stock": read_stock("kind,value,count\nR,10k,1\nC,10n,2\n")}, "has 1 pieces of kind R"),
        ({"stock": read_stock("kind,value,count\nR,1k,1\nR,1.2k,1\nC,10p,1\nC,22p,1\n")},
         "2 pieces of 2 values"),
    ],
)  # fmt: skip
def test_wishes_that_make_no_sense(options: dict[str, object], words: str) -> None:
    with pytest.raises(NumberError) as caught:
        synth.choose_values(SALLEN_KEY, **options)  # type: ignore[arg-type]
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_work_that_runs_out_is_said() -> None:
    found = synth.choose_values(
        synth.scale_frequency(stage("tow-thomas-lowpass").circuit(), 1.234), floor=0.0, work=3e3
    )
    assert not found.proved
    assert "not proved" in found.certificate
    assert found.bound <= found.error
