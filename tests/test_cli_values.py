"""``synth values``: published examples, every key of the answer, files, and wrong input."""

from __future__ import annotations

import json
import math
from importlib.resources import files

import jsonschema
import numpy as np
import pytest

import synth
from synth.cli.main import run
from synth.network.deck_reader import read_deck
from synth.report.netlist import deck_text
from tests.test_values_oracles import CHOSEN, NETWORKS, asked
from tests.values_oracle import coefficients, section_errors

SALLEN_KEY = "sallen-key-lowpass-unity"
SCHEMA = json.loads(files("synth").joinpath("schema.json").read_text(encoding="utf-8"))


def said(capsys, *arguments):
    assert run(["values", *arguments]) == 0
    return capsys.readouterr().out


def answered(capsys, *arguments):
    answer = json.loads(said(capsys, *arguments, "--json"))
    jsonschema.Draft202012Validator(SCHEMA).validate(answer)
    return answer


@pytest.mark.parametrize("example", CHOSEN, ids=lambda e: e["id"])
def test_published_examples_are_never_worse(example, capsys, tmp_path):
    """The circuit as printed, the target as printed; the drawer holds E96, E12 and its parts.

    The error is recomputed by the formulas of the oracle, from the parts of the answer.
    """
    f0, q, gain = asked(example)
    network = NETWORKS[example["stage"]].with_values(example["values"])
    names = [b.name for b in network.branches]
    design = tmp_path / "printed.json"
    synth.save(network, design)
    w0 = 2 * math.pi * f0
    printed = np.array([[example["values"][n] for n in names]])
    c = coefficients(network, names, printed, w0, 2)[0]
    bandpass = abs(c[1]) > 1e3 * abs(c[0])
    sign = math.copysign(1.0, c[1] if bandpass else c[0])
    top = (0.0, sign * gain / q, 0.0) if bandpass else (sign * gain, 0.0, 0.0)
    drawer = tmp_path / "drawer.csv"
    rows = ["kind,value"]
    for letter, series in (("R", "E96"), ("C", "E12")):
        own = [example["values"][n] for n in names if n[0] == letter]
        low, high = (min(own) / 10, max(own) * 10) if letter == "R" else (min(own), max(own))
        bought = synth.values.series.preferred_values(series, low, high)
        rows += [f"{letter},{v!r}" for v in [*own, *bought.tolist()]]
    drawer.write_text("\n".join(rows))
    num = " ".join(repr(x) for x in reversed(top))
    options = ["--num", num, "--den", f"1 {1 / q!r} 1", "--at", f"{f0!r}"]
    work = ["--floor", "0", "--work", "5e6", "--stock", str(drawer)]
    answer = answered(capsys, str(design), *options, *work)
    values = {p["name"]: p["value"] for p in answer["parts"]}
    ours = coefficients(network, names, np.array([[values[n] for n in names]]), w0, 2)
    target = (top, (1.0, 1 / q, 1.0))
    theirs = section_errors(c[None, :], *target)[0]
    mine = section_errors(ours, *target)[0]
    assert mine == pytest.approx(answer["error"], rel=1e-4, abs=1e-8)
    assert mine <= theirs + 1e-9
    assert answer["bound"] <= answer["error"] + 1e-8


def test_every_key(capsys):
    answer = answered(capsys, SALLEN_KEY, "--scale-frequency", "1.2345", "--top", "3", "--pareto")
    assert set(answer) == set(SCHEMA["$defs"]["values"]["properties"])
    network = synth.scale_frequency(synth.stage(SALLEN_KEY).circuit(), 1.2345)
    found = synth.choose_values(network, top=3, pareto=True)
    assert {p["name"]: p["value"] for p in answer["parts"]} == dict(found.values)
    assert {p["kind"] for p in answer["parts"]} == {"resistor", "capacitor"}
    for key in ("error", "bound", "proved", "nearest_rounding_error", "floor", "spread"):
        assert answer[key] == getattr(found, key)
    assert len(answer["alternatives"]) == 2
    assert [o["error"] for o in answer["alternatives"]] == [o.error for o in found.alternatives]
    assert answer["section_wise_error"] is None
    assert [s["step"] for s in answer["steps"]] == ["values"]
    assert read_deck(answer["netlist"]).network.values == dict(found.values)
    errors = [o["error"] for o in answer["stages"][0]["pareto"]]
    spreads = [o["spread"] for o in answer["stages"][0]["pareto"]]
    assert errors == sorted(errors)
    assert spreads == sorted(spreads, reverse=True) or len(set(spreads)) < len(spreads)
    noise = [x["noise_density"] for x in answer["levels"]["levels"]]
    assert noise[2] / noise[1] == pytest.approx(math.sqrt(10))


def test_text(capsys):
    text = said(capsys, "synth/demo/logger-anti-alias.cir", "--resistors", "E24")
    assert max(map(len, text.splitlines())) <= 80
    for word in ("error", "proof", "floor", "nearest value", "each stage by itself", "4kTR",
                 "advice"):  # fmt: skip
        assert word in text, word


def test_help_states_the_rules(capsys):
    assert run(["values", "--help"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    for words in ("a tenth of the smallest tolerance", "max(|d ln w0|, |d ln Q|, |d ln gain|",
                  "below 1 kohm an op amp", "E24+E96"):  # fmt: skip
        assert words in text, words


def test_scaling_to_preferred_values(capsys):
    answer = answered(capsys, SALLEN_KEY, "--scale-frequency", "3", "--scale-impedance", "2",
                      "--keep", "C1", "--floor", "0")  # fmt: skip
    example = synth.stage(SALLEN_KEY).example
    values = {p["name"]: p["value"] for p in answer["parts"]}
    assert values["C1"] == example["C1"]  # the part at hand, and not a third of it
    w0 = [(v["R1"] * v["R2"] * v["C1"] * v["C2"]) ** -0.5 for v in (values, example)]
    assert w0[0] / w0[1] == pytest.approx(3, rel=5e-3)


@pytest.mark.parametrize("ending", [".cir", ".json"])
def test_the_file_holds_the_choice_and_its_derivation(ending, capsys, tmp_path):
    path = tmp_path / f"bought{ending}"
    options = ["--resistors", "E12", "--pair", "R1", "--scale-frequency", "1.1"]
    answer = answered(capsys, SALLEN_KEY, *options, "-o", str(path))
    values = synth.read(path).values
    assert values == {p["name"]: p["value"] for p in answer["parts"]}
    assert "R1a" in values
    if ending == ".json":
        steps = [s.name for s in synth.load(path).derivation]
        assert steps == ["stage", "scale-frequency", "values", "pair"]


def test_pick(capsys):
    three = answered(capsys, SALLEN_KEY, "--floor", "0", "--pick", "3")
    one = answered(capsys, SALLEN_KEY, "--floor", "0")
    place = one["alternatives"][1]
    assert [p["value"] for p in three["parts"]] == [p["value"] for p in place["parts"]]
    assert three["pick"] == 3


def test_a_saved_target(capsys, tmp_path):
    found = synth.realise("lowpass", "1kHz", order=2, top=1)[0]
    path = tmp_path / "wave.json"
    synth.save(found.design, path)
    answer = answered(capsys, str(path), "--target", "design", "--floor", "0")
    own = answered(capsys, str(path), "--floor", "0")
    assert own["error"] <= 1e-9  # its own values are preferred ones already
    assert answer["error"] > 1e-9


def test_a_cascade_in_json(capsys):
    answer = answered(capsys, "synth/demo/logger-anti-alias.cir", "--resistors", "E24")
    assert answer["unit"] == "dB"
    assert len(answer["stages"]) == 2
    assert answer["error"] <= answer["section_wise_error"]


def test_a_floor_has_units(capsys):
    plain = answered(capsys, SALLEN_KEY, "--floor", "0.002")
    assert plain["floor"] == answered(capsys, SALLEN_KEY, "--floor", "0.2%")["floor"] == 0.002
    band = answered(capsys, SALLEN_KEY, "--floor", "0.02dB", "--band", "10:1k")
    assert band["floor"] == 0.02


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--resistors", "E7"], "E7"),
        (["--resistors", "E24+E7"], "E7"),
        (["--resistor-window", "1M:1k"], "empty"),
        (["--resistor-window", "1010:1040", "--resistors", "E6"], "widen"),
        (["--capacitor-window", "0:1u"], "positive"),
        (["--part", "R9=E96"], "R9"),
        (["--part", "R1"], "R1=E192"),
        (["--keep", "R9"], "R9"),
        (["--keep", "R1=nan"], "nan"),
        (["--keep", "R1=-1k"], "positive"),
        (["--tie", "R1=C1"], "different kinds"),
        (["--tie", "R1"], "R1=R2"),
        (["--tie", "R1=R2", "--keep", "R1"], "keep all or none"),
        (["--pair", "R1=maybe"], "maybe"),
        (["--pair", "R9"], "R9"),
        (["--stock", "absent.csv"], "absent.csv"),
        (["--floor", "nan"], "nan"),
        (["--floor", "-1"], "floor"),
        (["--floor", "much"], "much"),
        (["--work", "0"], "work"),
        (["--work", "nan"], "work"),
        (["--seconds", "-1"], "positive"),
        (["--top", "0"], "--top"),
        (["--pick", "99"], "pick one of them"),
        (["--band", "2k:1k"], "lower end"),
        (["--metric", "band"], "needs a band"),
        (["--metric", "beauty"], "beauty"),
        (["--mask", "absent.txt"], "absent.txt"),
        (["--at", "1kHz"], "--target"),
        (["--order", "2"], "--target"),
        (["--target", "lowpass"], "--at"),
        (["--target", "design"], "no target"),
        (["--target", "lowpass", "--at", "1k", "--h", "1/(s+1)"], "one target"),
        (["--target", "highpass", "--at", "1kHz"], "absent in this circuit"),
        (["--target", "lowpass", "--at", "1kHz", "--gain", "2"], "off by -50 %"),
        (["--target", "lowpass", "--at", "1kHz", "--order", "3"], "order"),
        (["--scale-frequency", "0"], "positive"),
        (["--scale-frequency", "nan"], "nan"),
        (["--scale-impedance", "-2"], "positive"),
        (["--scale-frequency", "2", "--h", "1/(s^2+s+1)"], "own response"),
        (["-o", "parts.txt"], ".cir"),
    ],
)
def test_wrong_input(arguments, word, capsys):
    assert run(["values", SALLEN_KEY, *arguments]) == 2
    out = capsys.readouterr()
    assert out.out == ""
    assert word in out.err
    assert len(out.err.splitlines()) == 1


@pytest.mark.parametrize(
    ("rows", "word"),
    [
        ("value\n10k\n", "does not say whether"),
        ("kind,value\nR,10k\nR,12k\n", "no capacitors"),
        ("kind,value,tolerance\nR,10k,0%\nC,1n,1%\n", "tolerance"),
        ("kind,value,tolerance\nR,10k,-1%\nC,1n,1%\n", "tolerance"),
        ("kind,value\nR,nan\n", "nan"),
        ("", "no parts"),
    ],
)
def test_a_drawer_that_cannot_be_read(rows, word, capsys, tmp_path):
    path = tmp_path / "drawer.csv"
    path.write_text(rows)
    assert run(["values", SALLEN_KEY, "--stock", str(path)]) == 2
    err = capsys.readouterr().err
    assert word in err
    assert len(err.splitlines()) == 1


def test_circuits_without_a_choice(capsys, tmp_path):
    assert run(["values", "voltage-follower"]) == 2
    assert "no parts to choose" in capsys.readouterr().err
    path = tmp_path / "bare.json"
    synth.save(synth.stage(SALLEN_KEY).network, path)
    assert run(["values", str(path)]) == 2
    assert "say the target" in capsys.readouterr().err
    answer = answered(capsys, str(path), "--target", "lowpass", "--at", "1kHz", "--floor", "0")
    assert answer["proved"]
    assert deck_text(read_deck(answer["netlist"]).network)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--tie", "R1=R2", "--keep", "R1=10k", "--keep", "R2=11k"], "contradicts what is kept"),
        (["--pair", "R1", "--keep", "R1"], "to be kept and to be made of a pair"),
        (["--floor", "5dB"], "give it as a percentage"),
    ],
)
def test_wishes_that_contradict_each_other_are_refused(options, words, tmp_path, capsys):
    target = tmp_path / "out.cir"
    assert run(["values", "sallen-key-lowpass-unity", *options, "-o", str(target)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert words in captured.err
    assert not target.exists()


CONTRADICTIONS = [
    (["--keep", "R1=5k,R1=6k"], "R1 is given twice"),
    (["--pair", "R1", "--pair", "R1=parallel"], "R1 is given twice"),
    (["--stock", "a.csv", "--stock", "b.csv"], "--stock is given twice"),
    (["--stock", "a.csv", "--capacitors", "E24"], "--capacitors has no effect with --stock"),
    (["--part", "R1=E3", "--keep", "R1"], "series of its own"),
    (["--tie", ""], "write it as in R1=R2"),
    (["--tie", "R1"], "write it as in R1=R2"),
    (["--floor", "1"], "floor of 100 %"),
]


@pytest.mark.parametrize(("arguments", "words"), CONTRADICTIONS)
def test_options_that_contradict_each_other(arguments, words, capsys):
    assert run(["values", SALLEN_KEY, *arguments]) == 2
    assert words in " ".join(capsys.readouterr().err.split())


def test_several_ties_and_their_series(capsys):
    """Both ties hold, R1=R2 within the coarser of the two series, and the answer says so."""
    options = ["--tie", "R1=R2,C1=C2", "--part", "R1=E12", "--part", "R2=E3", "--json"]
    target = ["--h", "1/(1e-8*s^2 + 2e-4*s + 1)"]
    assert run(["values", SALLEN_KEY, *target, *options]) == 0
    found = json.loads(capsys.readouterr().out)
    v = {p["name"]: p["value"] for p in found["parts"]}
    assert v["R1"] == v["R2"]
    assert v["C1"] == v["C2"]
    assert f"{v['R1']:.0e}"[0] in "124"
    assert any("in each of E12" in n and "E3" in n for n in found["notes"])


def test_sigmas_need_the_normal_distribution(capsys):
    assert run(["tolerance", SALLEN_KEY, "--sigmas", "2"]) == 2
    assert "--distribution normal" in capsys.readouterr().err


def test_limits_that_contradict_each_other_are_told(tmp_path, capsys):
    mask = tmp_path / "mask.txt"
    mask.write_text("100 1k >= 3 dB\n100 1k <= -3 dB\n")
    assert run(["tolerance", SALLEN_KEY, "--mask", str(mask)]) == 2
    assert "contradict each other at 100 Hz" in capsys.readouterr().err


def test_the_list_of_trades_shows_all_four_figures(capsys):
    assert run(["values", SALLEN_KEY, "--pareto", "--resistors", "E12"]) == 0
    text = capsys.readouterr().out
    assert "others may beat them" in " ".join(text.split())
    assert "values  capacitance" in text
