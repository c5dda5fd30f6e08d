"""``synth check`` on the command line: text, JSON, pre-distortion, and input that is wrong."""

from __future__ import annotations

import json
from importlib.resources import files

import jsonschema
import pytest

import synth
from synth.catalog import names, stage
from synth.checking.checked import check
from synth.checking.model import model_names, op_amp_model
from synth.cli.main import run
from synth.network.deck_reader import read_deck, read_deck_file
from synth.realisation.circuit import read_design_file

SCHEMA = json.loads(files("synth").joinpath("schema.json").read_text(encoding="utf-8"))
CHECK = jsonschema.Draft202012Validator({**SCHEMA["$defs"]["check"], "$defs": SCHEMA["$defs"]})
WHOLE = jsonschema.Draft202012Validator(SCHEMA)
DECK = """wave sensor, single supply
VCC vcc 0 5
VMID mid 0 2.5
VIN in mid AC 1
R1 in m 10k
R2 m out 20k
C2 m out 1n
XU1 mid m vcc 0 out any
.subckt any plus minus vcc vee out
E1 out 0 plus minus 1e5
.ends
.end
"""


def answer_of(capsys, *arguments):
    assert run(["check", *arguments, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    errors = [f"{list(e.absolute_path)}: {e.message[:200]}" for e in CHECK.iter_errors(answer)]
    assert not errors
    return answer


@pytest.mark.parametrize("name", names()[::3])
def test_every_answer_follows_the_schema(name, capsys) -> None:
    answer = answer_of(capsys, name, "--op-amp", "general-purpose")
    WHOLE.validate(answer)
    assert answer["command"] == "check"
    assert [o["op_amp"] for o in answer["figures"]["op_amps"]] == [
        u.name for u in stage(name).network.op_amps
    ]


@pytest.mark.parametrize("name", names()[1::6])
def test_text_fits_and_carries_its_cautions(name, capsys) -> None:
    arguments = ["check", name, "--op-amp", "rail-to-rail-1mhz", "--supply", "0:5", "--level", "1"]
    assert run([*arguments, "--source-resistance", "600", "--load", "10k", "--predistort"]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    for word in ("Low-voltage", "mains", "medical", "hearing", "safety"):
        assert word in text
    assert "nan" not in text


@pytest.mark.parametrize("model", model_names())
def test_every_class_of_op_amp(model, capsys) -> None:
    answer = answer_of(capsys, "sallen-key-lowpass-unity", "--op-amp", model)
    assert answer["op_amp"]["name"] == model
    assert answer["figures"]["stable"]


def test_figures_are_those_of_the_check(capsys) -> None:
    model = op_amp_model("gbw=1M,a0=200k,offset=1m,swing=13")
    facts = check(stage("tow-thomas-bandpass").circuit(), model).facts
    figures = answer_of(
        capsys, "tow-thomas-bandpass", "--op-amp", "gbw=1M,a0=200k,offset=1m,swing=13"
    )["figures"]
    assert figures["noise_vrms"] == pytest.approx(facts.small.noise.vrms)
    assert figures["f0_shift"] == pytest.approx(facts.small.f0_shift)
    assert figures["defect_1pct_hz"] == pytest.approx(facts.small.defect_1pct_hz)
    assert figures["phase_margin_deg"] == min(o["phase_margin_deg"] for o in figures["op_amps"])
    assert figures["largest_input_v"] == min(
        o[f"{cause}_input_v"]
        for o in figures["op_amps"]
        for cause in ("clipping", "slewing", "output_current", "input_range")
    )
    curves = figures["curves"]
    assert len(curves["frequencies_hz"]) == len(curves["largest_input_v"])
    assert min(curves["largest_input_v"]) >= figures["largest_input_v"]


def test_conditions_reach_the_check(capsys) -> None:
    answer = answer_of(
        capsys, "sallen-key-lowpass-unity", "--op-amp", "general-purpose", "--supply", "9",
        "--band", "20Hz:20kHz", "--level", "8", "--source-resistance", "1k", "--load", "2k",
        "--tolerance", "0.05",
    )  # fmt: skip
    assert answer["conditions"] == {
        "source_resistance_ohm": 1e3,
        "load_ohm": 2e3,
        "level_v": 8.0,
        "tolerance": 0.05,
    }
    assert answer["figures"]["band_hz"] == answer["figures"]["signal_band_hz"] == [20.0, 20e3]
    assert answer["op_amp"]["supply_positive"] == 9
    level = [f for f in answer["findings"] if f["code"] == "level"]
    assert level  # 8 V of amplitude within 9 V rails less 2 V
    assert level[0]["severity"] == "serious"


def test_before(tmp_path, capsys) -> None:
    lifted = tmp_path / "hpn.cir"
    assert (
        run(["lift", "sallen-key-lowpass-gain", "--to", "highpass-notch=500Hz", "-o", str(lifted)])
        == 0
    )
    capsys.readouterr()
    answer = answer_of(
        capsys, str(lifted), "--op-amp", "general-purpose", "--before", "sallen-key-lowpass-gain"
    )
    figures = answer["figures"]
    assert figures["swapped"] is None
    alone = answer_of(capsys, "sallen-key-lowpass-gain", "--op-amp", "general-purpose")["figures"]
    assert figures["before"]["source_current_a_per_v"] == pytest.approx(
        alone["source_current_a_per_v"], rel=0.3
    )
    assert alone["before"] is None
    assert run(["check", str(lifted), "--op-amp", "general-purpose", "--before", "none-such"]) == 2
    assert "none-such" in capsys.readouterr().err


def test_a_single_supply_deck(tmp_path, capsys) -> None:
    path = tmp_path / "wave.cir"
    path.write_text(DECK)
    answer = answer_of(
        capsys, str(path), "--ground", "mid", "--op-amp", "rail-to-rail-1mhz", "--supply", "0:5"
    )
    single = answer["figures"]["single_supply"]
    assert single["reference_v"] == pytest.approx(2.5)
    assert single["biased"] == ["U1.plus"]
    assert single["input_resistance_ohm"] == pytest.approx(1e4, rel=1e-3)
    # ripple of the reference: 1 - H, and H(0) is -2
    assert single["ripple_gain"] == pytest.approx(3.0, rel=0.01)


@pytest.mark.parametrize("ending", [".cir", ".json"])
def test_predistorted_values_are_written_and_are_better(ending, tmp_path, capsys) -> None:
    path = tmp_path / f"better{ending}"
    model = "gbw=300k,rout=0,p2=inf"
    name = "multiple-feedback-bandpass"
    assert run(["check", name, "--op-amp", model, "--predistort", "-o", str(path)]) == 0
    text = capsys.readouterr().out
    assert f"written: {path}" in text
    assert "pre-distortion" in text
    network = read_deck_file(path).network if ending == ".cir" else read_design_file(path).network
    wanted = check(stage(name).circuit(), op_amp_model(model)).facts.small.poles[0]
    now = check(network, op_amp_model(model)).facts.small.poles[0]
    assert abs(wanted.f0_shift) > 0.005
    assert now.f0_hz * (1 + now.f0_shift) == pytest.approx(wanted.f0_hz, rel=1e-6)


def test_the_netlist_of_the_answer_is_the_predistorted_one(capsys) -> None:
    answer = answer_of(capsys, "multiple-feedback-bandpass", "--op-amp", "general-purpose")
    found = answer["predistortion"]
    network = read_deck(found["netlist"]).network
    assert network.values == pytest.approx({v["part"]: v["value"] for v in found["values"]})


def test_python(capsys) -> None:
    record = synth.check(stage("sallen-key-lowpass-unity").circuit(), "general-purpose", level=20.0)
    assert any(f.code == "level" for f in record.findings)
    print(record)
    assert "findings: " in capsys.readouterr().out
    assert record.figures["op_amps"][0]["op_amp"] == "U1"


GOOD = "sallen-key-lowpass-unity"


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ([GOOD], "--op-amp is missing"),
        ([GOOD, "--op-amp", "no-such-class"], "no op-amp class"),
        ([GOOD, "--op-amp", ""], "op-amp"),
        ([GOOD, "--op-amp", "gbw=1M,colour=3"], "no key 'colour'"),
        ([GOOD, "--op-amp", "gbw=1M,gbw=2M"], "twice"),
        ([GOOD, "--op-amp", "gbw=fast"], "gain_bandwidth"),
        ([GOOD, "--op-amp", "gbw=-1M"], "gain_bandwidth"),
        ([GOOD, "--op-amp", "gbw"], "gbw"),
        ([GOOD, "--op-amp", "supply=5,swing=6"], "swing"),
        ([GOOD, "--op-amp", "general-purpose", "--supply", "5:0"], "supply"),
        ([GOOD, "--op-amp", "general-purpose", "--supply", "0:3"], "swing"),
        ([GOOD, "--op-amp", "general-purpose", "--supply", "x"], "--supply"),
        ([GOOD, "--op-amp", "general-purpose", "--band", "1k:10"], "upside down"),
        ([GOOD, "--op-amp", "general-purpose", "--band", "10"], "window"),
        ([GOOD, "--op-amp", "general-purpose", "--level", "-1"], "level"),
        ([GOOD, "--op-amp", "general-purpose", "--load", "0"], "load"),
        ([GOOD, "--op-amp", "general-purpose", "--source-resistance", "-5"], "source resistance"),
        ([GOOD, "--op-amp", "general-purpose", "--tolerance", "2"], "tolerance"),
        ([GOOD, "--op-amp", "general-purpose", "-o", "x.cir"], "--predistort"),
        (["no-such-stage", "--op-amp", "general-purpose"], "no-such-stage"),
        ([GOOD, "--op-amp", "gbw=0.1"], "faster"),
        ([GOOD, "--op-amp", "a0=inf"], "dc_gain"),
        ([GOOD, "--op-amp", "p2=1"], "second_pole"),
        ([GOOD, "--op-amp", "general-purpose", "--supply", "1e9"], "supply_positive"),
        ([GOOD, "--op-amp", "general-purpose", "--level", "1e99"], "level"),
    ],
)
def test_wrong_input_is_one_sentence(arguments, word, capsys) -> None:
    assert run(["check", *arguments]) == 2
    error = capsys.readouterr().err
    assert error.startswith("synth: ")
    assert error.count("\n") == 1
    assert word in error
    assert "Traceback" not in error


def test_wrong_model_files(tmp_path, capsys) -> None:
    for content, word in (
        (b"\xff\xfe", "TOML"),
        (b"gain_bandwidth = ", "TOML"),
        (b"gain_bandwidth = 1e6", "no value for"),
        (b"colour = 1", "unknown key colour"),
    ):
        path = tmp_path / "model.toml"
        path.write_bytes(content)
        assert run(["check", GOOD, "--op-amp", str(path)]) == 2
        error = capsys.readouterr().err
        assert word in error
        assert str(path) in error
    assert run(["check", GOOD, "--op-amp", str(tmp_path)]) == 2
    assert "op-amp" in capsys.readouterr().err


def test_a_circuit_without_values_is_refused(tmp_path, capsys) -> None:
    path = tmp_path / "bare.json"
    from synth.realisation.design import Design
    from synth.realisation.saved import design_text

    path.write_text(design_text(Design(stage(GOOD).network)))
    assert run(["check", str(path), "--op-amp", "general-purpose"]) == 2
    assert "no value for" in capsys.readouterr().err
