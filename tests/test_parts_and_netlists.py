"""Parts lists, decks with models and with spread (run in the simulator), preferred values."""

import csv
import io
from pathlib import Path

import numpy as np
import pytest

import synth
from synth.analysis.amplifier import same_everywhere
from synth.analysis.real import real_system
from synth.analysis.sweep import Sweep
from synth.catalog import names, stage
from synth.checking.model import models, op_amp_model
from synth.cli.main import run
from synth.errors import NumberError
from synth.network.deck_reader import read_deck
from synth.realisation.saved import design_text, read_design
from synth.report.parts_list import parts_csv, parts_list, parts_text
from synth.report.preferred import is_preferred, with_preferred_values
from synth.report.variants import FILE, variant_deck
from synth.tolerances.spread import Distribution, Spread, Temperature
from synth.values.series import TABLES
from tests.check_decks import deck as own_deck
from tests.simulator import needs_simulator, run_batch, simulate

DEMO = Path(synth.__file__).parent / "demo"


# -- parts -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", names())
def test_every_part_is_listed_once(name):
    network = stage(name).circuit()
    if not network.branches:
        return
    listed = parts_list(network)
    every = [n for g in listed.groups for n in g.names]
    assert sorted(every) == sorted(
        [*(b.name for b in network.branches), *(u.name for u in network.op_amps)]
    )
    assert listed.count == len(every)
    for g in listed.groups:
        alike = {(network.values.get(n), n[0]) for n in g.names}
        assert len(alike) == 1 or g.kind == "op amp"
    assert all(len(line) <= 80 for line in parts_text(listed).splitlines())


def test_csv_can_be_read_back():
    network = synth.read(DEMO / "hydrophone-bandpass.cir", ground="VMID")
    listed = synth.parts_list(network, Spread(0.001, 0.02, {"R1": 0.05}))
    rows = list(csv.DictReader(io.StringIO(listed.csv)))
    assert sum(int(r["count"]) for r in rows) == 10
    by_name = {n: r for r in rows for n in r["parts"].split()}
    assert float(by_name["R1"]["value"]) == 27.4e3
    assert [by_name[n]["tolerance_percent"] for n in ("R1", "R2", "C1")] == ["5", "0.1", "2"]
    assert by_name["C10"]["remark"] == "beside the signal"
    assert by_name["C10"]["tolerance_percent"] == ""
    assert by_name["C1"]["parts"] == "C1 C2"
    assert "model AMP" in by_name["U1"]["remark"]


def test_text_in_csv_stays_one_field():
    network = synth.Network((synth.Branch('R"1,2', 0, ("in", "out"), 1e3),), title="x")
    (row,) = csv.DictReader(io.StringIO(parts_csv(parts_list(network))))
    assert row["parts"] == 'R"1,2'


def test_the_commands_write_files(tmp_path, capsys):
    deck = str(DEMO / "wave-sensor-lowpass.cir")
    for name, first in (("a.csv", "count,kind"), ("a.txt", "Weather buoy")):
        assert run(["parts", deck, "-o", str(tmp_path / name)]) == 0
        assert (tmp_path / name).read_text().startswith(first)
    assert run(["netlist", deck, "--ideal", "-o", str(tmp_path / "a.cir")]) == 0
    assert read_deck((tmp_path / "a.cir").read_text()).network.values
    capsys.readouterr()
    wrong = [
        (["parts", deck, "-o", str(tmp_path / "a.doc")], ".csv"),
        (["parts", deck, "--part", "R9=1%"], "R9"),
        (["netlist", deck, "--ideal", "--op-amp", "general-purpose"], "--ideal"),
        (["netlist", deck, "--spread", "--runs", "0"], "out of range"),
        (["netlist", deck, "-o", str(tmp_path / "a.csv")], ".cir"),
    ]
    for arguments, word in wrong:
        assert run(arguments) == 2
        error = capsys.readouterr().err
        assert error.count("\n") == 1
        assert word in error
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.cir", "a.csv", "a.txt"]


@pytest.mark.parametrize("name", ["hydrophone-bandpass.cir", "hum-notch.cir"])
def test_a_saved_design_gives_the_same_parts_and_decks(name):
    network = synth.read(DEMO / name, ground="VMID" if "hydro" in name else None)
    back = read_design(design_text(synth.Design(network)))
    assert back.network == network
    assert synth.parts_list(back) == synth.parts_list(network)
    for op_amp in ("own", "ideal", "general-purpose"):
        assert synth.netlist(back, op_amp, Spread()) == synth.netlist(network, op_amp, Spread())


# -- preferred values ------------------------------------------------------------------------------


def test_every_value_of_every_series_is_preferred():
    for table in TABLES.values():
        for m in table:
            assert is_preferred(m * 1e-7)
    for value in (4.75e3, 4.7e3, 2.26e-9):
        assert is_preferred(value)
    for value in (4.72e3, 46.5e3, 1.01e3 * 1.004):
        assert not is_preferred(value)


def test_what_can_be_bought_stays():
    network = stage("sallen-key-lowpass-unity").circuit()
    found = with_preferred_values(network)
    assert (found.network, found.odd, found.choice) == (network, (), None)


def test_odd_values_are_chosen_and_the_others_stay():
    network = stage("sallen-key-lowpass-unity").circuit().with_values({"R1": 10.51e3})
    found = with_preferred_values(network)
    assert found.odd == ("R1",)
    assert all(map(is_preferred, found.network.values.values()))
    if found.choice.reached:
        kept = {n: v for n, v in network.values.items() if n != "R1"}
        assert kept.items() <= found.network.values.items()
    assert found.choice.error_db < 0.2


def test_values_are_chosen_near_the_given_ones():
    """A Butterworth low-pass off the series: no part moves by more than a factor of 1.5."""
    given = {"R1": 10e3, "R2": 10e3, "C1": 22.508e-9, "C2": 11.254e-9}
    network = stage("sallen-key-lowpass-unity").network.with_values(given)
    found = with_preferred_values(network)
    assert found.odd == ("C1", "C2")
    built = found.network.values
    assert all(1 / 1.5 <= built[n] / v <= 1.5 for n, v in given.items())
    assert all(is_preferred(built[n], "E12") for n in ("C1", "C2"))
    assert found.choice.error < 0.01


def test_the_nearest_value_is_taken_where_it_does():
    network = stage("rc-lowpass").network.with_values({"R1": 15.805e3, "C1": 10e-9})
    found = with_preferred_values(network)
    assert found.network.values == {"R1": 15.8e3, "C1": 10e-9}
    assert found.choice.reached


def test_what_is_kept_stays_and_is_told():
    network = stage("rc-lowpass").network.with_values({"R1": 15.31e3, "C1": 22.1e-9})
    found = with_preferred_values(network, keep=["C1"])
    assert (found.odd, found.left) == (("R1",), ("C1",))
    assert found.network.values["C1"] == 22.1e-9
    assert with_preferred_values(network).odd == ("R1", "C1")
    assert with_preferred_values(network, capacitors="E192").odd == ("R1",)
    with pytest.raises(NumberError, match="no part is called C9"):
        with_preferred_values(network, keep=["C9"])


def test_a_series_that_is_none():
    network = stage("sallen-key-lowpass-unity").circuit()
    for given in (network, network.with_values({"R1": 10.51e3})):
        with pytest.raises(NumberError, match="E5"):
            with_preferred_values(given, "E5")


# -- decks -----------------------------------------------------------------------------------------


@needs_simulator
@pytest.mark.parametrize("model", models(), ids=lambda m: m.name)
@pytest.mark.parametrize("name", ["sallen-key-lowpass-gain", "tow-thomas-bandpass"])
def test_model_in_the_simulator_against_our_own_equations(name, model):
    """Two poles and an output resistance: the deck's H against the descriptor system's."""
    network = stage(name).circuit()
    answer = simulate(variant_deck(network, model.amplifier))
    system = real_system(network, same_everywhere(network, model.amplifier))
    wanted = Sweep(system, answer.frequencies).transfer
    got = answer.node(network.output)
    np.testing.assert_allclose(got, wanted, rtol=1e-6, atol=1e-9 * np.max(np.abs(wanted)))


def test_model_is_a_model_and_not_another():
    """The subcircuit against a deck written by the tests on their own: the same three figures."""
    network = stage("sallen-key-lowpass-unity").circuit()
    model = op_amp_model("general-purpose")
    text = variant_deck(network, model.amplifier)
    other = "\n".join(own_deck(network, model))
    for value in (model.dc_gain, model.output_resistance):
        assert f"{value!r}" in other
    assert "Rpole pole 0 200k" in text
    assert "Rout inner out 75" in text
    assert read_deck(text).network.values == network.values


@needs_simulator
@pytest.mark.parametrize("shape", ["uniform", "normal"])
def test_spread_in_the_simulator_against_our_own_draws(shape, tmp_path):
    """Mean and deviation of |H| over 300 circuits, against those of the tolerance analysis."""
    network = stage("multiple-feedback-bandpass-no-attenuator").circuit()
    spread = Spread(0.02, 0.05, distribution=Distribution(shape))
    (tmp_path / "deck.cir").write_text(variant_deck(network, "ideal", spread, runs=300, seed=4))
    run_batch(str(tmp_path), "deck.cir")
    table = np.loadtxt(tmp_path / FILE)
    rows = table.reshape(300, -1, 2)
    f = rows[0, :, 0]
    assert np.all(rows[:, :, 0] == f)
    ours = synth.tolerance(network, spread, f, samples=4000, corners=True)
    drawn = rows[:, :, 1]
    sigma = (ours.percentiles[2] - ours.percentiles[0]) / 3.3
    centre = np.argmin(np.abs(f - 2 * f[np.argmax(ours.nominal_db)]))
    for k in (0, int(centre), len(f) - 1):
        assert drawn[:, k].mean() == pytest.approx(ours.nominal_db[k], abs=0.25 * sigma[k] + 0.01)
        spread_of = np.percentile(drawn[:, k], 95) - np.percentile(drawn[:, k], 5)
        wanted = ours.percentiles[2, k] - ours.percentiles[0, k]
        assert spread_of == pytest.approx(wanted, rel=0.2)
    worst = ours.worst_case
    assert np.all(drawn >= worst.low_db - 1e-4)
    assert np.all(drawn <= worst.high_db + 1e-4)
    first = synth.netlist(network, "ideal", spread, runs=300, seed=4)
    assert first == (tmp_path / "deck.cir").read_text()


@needs_simulator
@pytest.mark.parametrize("name", ["wave-sensor-lowpass.cir", "hydrophone-bandpass.cir"])
def test_decks_of_the_buoy_run_in_every_variant(name, tmp_path):
    network = synth.read(DEMO / name, ground="VMID" if "hydro" in name else None)
    for k, op_amp in enumerate(("own", "ideal", "rail-to-rail-1mhz")):
        folder = tmp_path / str(k)
        folder.mkdir()
        (folder / "deck.cir").write_text(synth.netlist(network, op_amp, Spread(), runs=3))
        run_batch(str(folder), "deck.cir")
        rows = np.loadtxt(folder / FILE).reshape(3, -1, 2)
        assert len({tuple(r) for r in rows[:, :, 1].round(6)}) == 3


def test_what_a_spread_cannot_have():
    network = stage("rc-lowpass").circuit()
    hot = Spread(temperature=Temperature(0.0, 50.0))
    with pytest.raises(NumberError, match="temperature"):
        variant_deck(network, "own", hot)
    with pytest.raises(NumberError, match="seed"):
        variant_deck(network, "own", Spread(), seed=0)
