"""What each command prints and writes."""

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import synth
from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.cli.main import run
from synth.network.deck_reader import read_deck_file
from synth.realisation.circuit import read_circuit, read_design_file
from synth.target import response_target

HYDROPHONE = """hydrophone anti-alias
VIN in 0 AC 1
R1 in a 10k
R2 a p 10k
C1 a out 22n
C2 p 0 10n
XU1 p out out opamp
.end
"""


@pytest.fixture
def desk(tmp_path, monkeypatch):
    """A folder with a deck, as the working folder."""
    (tmp_path / "buoy.cir").write_text(HYDROPHONE)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def _said(capsys, *arguments):
    assert run(arguments) == 0
    out, err = capsys.readouterr()
    assert err == ""
    return out


def _words(text):
    return " ".join(text.split())


def _h(network):
    loop = analyse(network)
    return transfer(loop, loop.transfer())


S = 2j * math.pi * np.geomspace(1, 1e6, 40)


@pytest.mark.parametrize(
    "arguments", [[], ["--help"], *([c, "--help"] for c in ("realise", "transform", "analyse"))]
)
def test_help_fits_80_columns(arguments, capsys):
    text = _said(capsys, *arguments)
    assert text.startswith("Usage: synth")
    assert max(map(len, text.splitlines())) <= 80


def test_realise_help_tells_the_meaning_of_at_and_order(capsys):
    from synth.target import EDGES, FAMILIES

    text = _words(_said(capsys, "realise", "--help"))
    for family in FAMILIES.values():
        assert f"{family.name} {EDGES[family.edge]}" in text
    assert "--order counts all poles" in text


def test_version(capsys):
    assert _said(capsys, "--version").startswith("synth ")


# -- transform -------------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", ["cir", "net", "sp", "json"])
def test_swap_written_and_read_again(ending, desk, capsys):
    text = _said(capsys, "transform", "buoy.cir", "swap", "-o", f"complement.{ending}")
    assert "H before + H after (exact): 1\n" in text
    assert f"written: complement.{ending}" in text
    before, after = (_h(read_circuit(f).network) for f in ("buoy.cir", f"complement.{ending}"))
    assert np.abs(before(S) + after(S) - 1).max() < 1e-12
    assert sorted(p.name for p in desk.iterdir()) == ["buoy.cir", f"complement.{ending}"]


def test_design_keeps_its_derivation(desk, capsys):
    _said(capsys, "transform", "buoy.cir", "swap", "-o", "one.json")
    _said(capsys, "transform", "one.json", "rc-cr=1kHz", "scale-impedance=2", "-o", "two.json")
    steps = [s.name for s in read_design_file("two.json").derivation]
    assert steps == ["swap", "rc-cr", "scale-impedance"]


def test_steps_act_in_order(desk, capsys):
    _said(capsys, "transform", "buoy.cir", "rc-cr=1kHz", "swap", "scale-frequency=3", "-o", "n.cir")
    h, w0 = _h(read_circuit("buoy.cir").network), 2 * math.pi * 1e3
    wanted = 1 - h(w0**2 / (S / 3))
    assert _h(read_circuit("n.cir").network)(S) == pytest.approx(wanted, rel=1e-9, abs=1e-12)


def test_advice_is_printed_and_its_command_runs(desk, capsys):
    text = _said(capsys, "transform", "buoy.cir", "swap")
    assert "falls only 20 dB per decade" in _words(text)
    commands = [x.split()[1:] for x in text.splitlines() if x.startswith("    synth ")]
    assert [c[0] for c in commands] == ["transform", "realise"]
    mirrored = _said(capsys, *commands[0])
    assert "highpass of order 2, 2 zeros at the origin" in _words(mirrored)
    target = _said(capsys, *commands[1], "--top", "1")
    assert "second-order highpass" in target


def test_advice_keeps_the_options_of_the_deck(desk, capsys):
    deck = HYDROPHONE.replace("C2 p 0", "C2 p mid").replace(
        "VIN in 0 AC 1", "VIN in mid AC 1\nVMID mid 0 2.5"
    )
    (desk / "single.cir").write_text(deck)
    text = _said(capsys, "transform", "single.cir", "swap", "--ground", "mid")
    command = next(x for x in text.splitlines() if x.endswith("rc-cr")).split()[1:]
    assert "highpass of order 2, 2 zeros at the origin" in _words(_said(capsys, *command))


def test_one_stage_of_a_cascade(desk, capsys):
    deck = HYDROPHONE.replace(" out", " v").replace(
        ".end", "R3 v b 10k\nC3 b 0 10n\nXU2 b out out opamp\n.end"
    )
    (desk / "two.cir").write_text(deck)
    _said(capsys, "transform", "two.cir", "swap=2", "-o", "by-number.cir")
    _said(capsys, "transform", "two.cir", "swap=R3,C3,U2", "-o", "by-parts.cir")
    first = _h(read_circuit("buoy.cir").network)
    second = 1 / (1 + S * 1e4 * 1e-8)
    for name in ("by-number.cir", "by-parts.cir"):
        assert _h(read_circuit(name).network)(S) == pytest.approx(first(S) * (1 - second), rel=1e-9)


def test_the_help_shows_a_stage_that_can_be_swapped(desk, capsys):
    text = _words(_said(capsys, "transform", "--help"))
    shown = re.search(r"as in (swap=[\w,]+)", text)[1]
    deck = Path(synth.__file__).parent / "demo" / "logger-anti-alias.cir"
    by_parts = _said(capsys, "transform", str(deck), shown)
    assert "H after" in by_parts


def test_scaled_values_are_written_without_a_tail(desk, capsys):
    _said(capsys, "transform", "buoy.cir", "scale-frequency=1.2", "-o", "scaled.cir")
    lines = (desk / "scaled.cir").read_text().splitlines()
    assert "C1 a out 18.33333333333n" in lines  # 22/1.2
    assert "C2 p 0 8.333333333333n" in lines  # 10/1.2


def test_the_sweep_moves_with_the_modes(desk, capsys):
    (desk / "swept.cir").write_text(HYDROPHONE.replace(".end", ".ac dec 7 10 100k\n.end"))
    _said(capsys, "transform", "swept.cir", "swap", "-o", "near.cir")
    assert ".ac dec 7 10 100k\n" in (desk / "near.cir").read_text()
    _said(capsys, "transform", "swept.cir", "scale-frequency=1000", "-o", "far.cir")
    far = (desk / "far.cir").read_text()
    assert "* left out: .ac dec 7 10 100k\n" in far
    assert ".ac dec 50 10k 1g\n" in far  # a mode near 1 MHz, and two decades around it


SINGLE = """hydrophone on one supply, inverting integrator
VDD vdd 0 3.3
R8 vdd mid 10k
R9 mid 0 10k
VIN in mid AC 1
R1 in m 10k
R2 m out 20k
C1 m out 10n
CX m mid 100p
XU1 mid m vdd 0 out amp
.end
"""


@pytest.mark.parametrize(
    "arguments", [["transform", "single.cir", "swap"], ["lift", "single.cir", "--to", "highpass"]]
)
def test_the_mid_supply_left_is_said(arguments, desk, capsys):
    (desk / "single.cir").write_text(SINGLE)
    text = _words(_said(capsys, *arguments, "--ground", "mid"))
    assert "had the DC of mid, and now that of the input" in text
    assert "U1.plus" in text.split(" had the DC")[0].split("note:")[-1]
    assert "CX.2" not in text.split(" had the DC")[0].split("note:")[-1]  # a capacitor: no DC


def test_a_saved_design_keeps_the_bench(desk, capsys):
    buffered = "R8 vdd d 10k\nR9 d 0 10k\nXU2 d mid vdd 0 mid amp\n.tran 1u 1m"
    deck = SINGLE.replace("R8 vdd mid 10k\nR9 mid 0 10k", buffered)
    (desk / "single.cir").write_text(deck)
    _said(capsys, "transform", "single.cir", "prune", "--ground", "mid", "-o", "saved.json")
    wanted = read_deck_file("single.cir", ground="mid").network
    assert [u.name for u in wanted.bench.op_amps] == ["U2"]
    assert wanted.bench.cards == (".tran 1u 1m",)
    assert read_design_file("saved.json").network == wanted
    saved = json.loads((desk / "saved.json").read_text())
    bench = saved["design"]["network"]["bench"]
    del bench["op_amps"], bench["cards"]  # as designs were saved before there were such keys
    (desk / "old.json").write_text(json.dumps(saved))
    bare = replace(wanted.bench, op_amps=(), cards=())
    assert read_design_file("old.json").network == replace(wanted, bench=bare)


def test_renamed_nodes_are_renamed_on_the_bench(desk):
    deck = SINGLE.replace("R9 mid 0 10k", "R9 mid 0 10k\nRa vdd d 1k\nRb d 0 1k\nXU2 d mid mid amp")
    (desk / "single.cir").write_text(deck)
    network = read_deck_file("single.cir", ground="mid").network
    buffer = network.renamed(nodes={"mid": "half", "d": "divided"}).bench.op_amps[0]
    assert (buffer.plus, buffer.minus, buffer.out) == ("divided", "half", "half")


def test_the_mid_supply_kept_is_not_spoken_of(desk, capsys):
    (desk / "single.cir").write_text(SINGLE)
    assert "had the DC" not in _said(capsys, "transform", "buoy.cir", "swap")
    rest = ["--ground", "mid", "--keep-grounded", "U1"]
    assert "had the DC" not in _words(_said(capsys, "transform", "single.cir", "swap", *rest))


def test_deck_on_standard_input(desk, capsys, monkeypatch):
    class Stream:
        buffer = (desk / "buoy.cir").open("rb")

    monkeypatch.setattr("sys.stdin", Stream)
    assert "hydrophone anti-alias" in _said(capsys, "analyse", "-")
    Stream.buffer.close()


def test_keep_grounded(desk, capsys):
    text = _said(capsys, "analyse", "buoy.cir", "--keep-grounded", "c2,R1")
    assert "(stays: kept grounded)" in text


def test_an_old_file_is_replaced(desk, capsys):
    (desk / "new.cir").write_text("old")
    _said(capsys, "transform", "buoy.cir", "prune", "-o", "new.cir")
    assert read_deck_file("new.cir").network.branches == read_deck_file("buoy.cir").network.branches


def test_json_and_file_together(desk, capsys):
    answer = json.loads(_said(capsys, "transform", "buoy.cir", "swap", "--json", "-o", "new.cir"))
    assert answer["netlist"] == (desk / "new.cir").read_text()


# -- analyse and catalog ---------------------------------------------------------------------------


def test_analyse_shows_what_the_textbook_gives(desk, capsys):
    """Sallen-Key: f0 = 1/(2 pi sqrt(R1 R2 C1 C2)), Q = sqrt(R1 R2 C1 C2)/(C2 (R1 + R2))."""
    text = _words(_said(capsys, "analyse", "buoy.cir"))
    root = math.sqrt(1e4 * 1e4 * 22e-9 * 10e-9)
    assert f"f0 {1 / (2e3 * math.pi * root):.4g} kHz" in text
    assert f"Q {root / (10e-9 * 2e4):.5g}" in text
    assert "1/(s^2*C1*C2*R1*R2 + s*C2*(R1 + R2) + 1)" in text
    assert "the sum of all T_k is 1 (exact)" in text


def test_catalog_list_and_filter(capsys):
    everything = _said(capsys, "catalog")
    allpasses = _said(capsys, "catalog", "--kind", "allpass", "--order", "1")
    assert "allpass-first-order-lag" in allpasses
    assert "twin-t" in everything
    assert "twin-t" not in allpasses


# -- realise ---------------------------------------------------------------------------------------


def test_realise_writes_the_picked_one(desk, capsys):
    target = ["lowpass", "--order", "1", "--at", "1kHz", "--gain", "6dB", "--top", "1"]
    text = _said(capsys, "realise", *target, "--pick", "2", "-o", "second.cir")
    assert "parts of circuit 2" in text
    assert "Low-voltage signal circuits only" in text
    assert max(map(len, text.splitlines())) <= 80
    answer = json.loads(_said(capsys, "realise", *target, "--top", "2", "--json"))
    assert answer["realisations"][1]["netlist"] == (desk / "second.cir").read_text()
    wanted = response_target("lowpass", 1e3, order=1, gain=10 ** (6 / 20)).transfer
    got = _h(read_circuit("second.cir").network)
    assert np.abs(got(S) - wanted(S)).max() < 0.02 * abs(
        wanted.numerator[0] / wanted.denominator[1]
    )


def test_realise_coefficients_and_text_alike(capsys):
    by_text = _said(capsys, "realise", "--h", "s/(s + 1)", "--at", "1kHz", "--json", "--top", "1")
    by_list = _said(
        capsys, "realise", "--num", "1 0", "--den", "1,1", "--at", "1000", "--json", "--top", "1"
    )
    assert json.loads(by_text)["realisations"] == json.loads(by_list)["realisations"]


def test_complement_of_a_kind_and_of_a_text(capsys):
    arguments = ["--complement", "--json", "--top", "1"]
    kind = json.loads(
        _said(capsys, "realise", "lowpass", "--order", "1", "--at", "1kHz", *arguments)
    )
    text = json.loads(_said(capsys, "realise", "--h", "1/(s + 1)", "--at", "1kHz", *arguments))
    assert kind["target"]["kind"] == text["target"]["kind"] == "highpass"
    assert kind["target"]["description"].startswith("1 - H")


def test_band_stop_has_two_routes_one_of_them_a_complement(capsys):
    """The complement of a band-pass with centre gain +1 is a band-stop (1 - N/D = (D - N)/D)."""
    answer = json.loads(
        _said(capsys, *["realise", "bandstop", "--at", "50Hz", "--q", "5", "--json"])
    )
    labels = {tuple((s["stage"], *s["steps"]) for s in r["stages"]) for r in answer["realisations"]}
    assert len(labels) >= 2
    swapped = [
        step for r in answer["realisations"] for step in r["derivation"] if step["step"] == "swap"
    ]
    assert any("bandpass" in note for step in swapped for note in step["notes"])
