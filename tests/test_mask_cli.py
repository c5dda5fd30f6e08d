"""`synth target`, and `synth realise` for masks and tables, through the command line."""

import json
from importlib.resources import files

import jsonschema
import numpy as np
import pytest

from synth.cli.main import run
from synth.masks.limits import read_mask
from synth.measured.fit import fit_response
from synth.measured.table import read_response
from synth.network.deck_reader import read_deck
from synth.report.record import response_of
from synth.target import FAMILIES, family_target

VALIDATOR = jsonschema.Draft202012Validator(
    json.loads(files("synth").joinpath("schema.json").read_text(encoding="utf-8"))
)
BANDS = ["--pass", "0:1k=1dB", "--stop", "3k:inf=30dB"]


@pytest.fixture
def desk(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "mask.txt").write_text("# wave sensor\n0 1k within 0.5 dB\n3k inf <= -30\n")
    H = family_target("lowpass", "chebyshev", 3, 1e3, ripple_db=0.3).transfer
    f = np.geomspace(50, 2e4, 40)
    v = H.response(f)
    rows = zip(f, 20 * np.log10(np.abs(v)), np.degrees(np.angle(v)), strict=True)
    (tmp_path / "r.csv").write_text("f, dB, deg\n" + "\n".join(f"{a},{b},{c}" for a, b, c in rows))
    return tmp_path


def said(capsys, *arguments):
    assert run(list(arguments)) == 0
    return capsys.readouterr().out


def answer(capsys, *arguments):
    found = json.loads(said(capsys, *arguments, "--json"))
    VALIDATOR.validate(found)
    return found


def refused(capsys, *arguments):
    assert run(list(arguments)) == 2
    out, err = capsys.readouterr()
    assert not out
    assert err.startswith("synth: ")
    assert err.count("\n") == 1
    return err


def response(netlist, f):
    return np.abs(response_of(read_deck(netlist).network).numbers.transfer.response(f))


def test_the_table_of_families(capsys):
    text = said(capsys, "target", *BANDS)
    assert max(map(len, text.splitlines())) <= 80
    assert "lowpass, 3 limits" in text
    for family in FAMILIES:
        assert family in text


def test_the_answer_names_every_family_once(capsys, desk):
    found = answer(capsys, "target", "--mask", "mask.txt")
    names = [r["name"] for r in found["responses"]] + [a["name"] for a in found["absent"]]
    assert sorted(names) == sorted(FAMILIES)
    orders = [r["order"] for r in found["responses"]]
    assert orders == sorted(orders)
    for r in found["responses"]:
        assert all(x["kept"] for x in r["limits"])
        assert len(r["target"]["poles"]) == r["order"]
    same = answer(
        capsys, "target", "--pass", "0:1k=1dB", "--stop", "3k:inf=30.5dB", "--gain", "0.5dB"
    )
    assert same["responses"][0]["order"] == found["responses"][0]["order"]


def test_a_family_and_a_delay(capsys):
    found = answer(
        capsys, "target", *BANDS, "--family", "bessel,elliptic", "--flat-delay", "0:900=10%"
    )
    assert {r["name"] for r in found["responses"]} <= {"bessel", "elliptic"}
    for r in found["responses"]:
        assert r["limits"][-1]["operation"] == "delay"
        assert r["limits"][-1]["value"] <= 0.1


def test_no_response_is_an_error_and_the_table_says_why(capsys):
    beyond = ["--pass", "0:1k=0.01dB", "--stop", "1.001k:inf=120dB"]
    assert run(["target", *beyond, "--json"]) == 2
    out, err = capsys.readouterr()
    assert not json.loads(out)["responses"]
    assert err.startswith("synth: no response keeps the mask")
    assert err.count("\n") == 1


def test_circuits_are_counted(capsys):
    found = answer(capsys, "target", *BANDS, "--family", "chebyshev", "--circuits")
    circuit = found["responses"][0]["circuit"]
    assert circuit["op_amps"] >= 1
    assert circuit["kept"] == all(x["kept"] for x in circuit["limits"])


def test_realised_circuits_keep_the_mask_on_a_dense_grid(capsys, desk):
    """The netlists, read again and analysed, against the limits themselves."""
    found = answer(capsys, "realise", "--mask", "mask.txt", "--top", "3")
    assert found["response"] is None
    low, high = np.linspace(1, 1e3, 4001), np.geomspace(3e3, 1e7, 4001)
    kept = [c["kept"] for c in found["mask"]["circuits"]]
    assert kept == sorted(kept, reverse=True)
    assert kept[0]
    for circuit, r in zip(found["mask"]["circuits"], found["realisations"], strict=True):
        inside = 20 * np.log10(response(r["netlist"], low))
        keeps = np.abs(inside).max() <= 0.5 and response(r["netlist"], high).max() <= 10**-1.5
        assert keeps == circuit["kept"]


def test_realised_mask_in_words_and_written(capsys, desk):
    text = said(capsys, "realise", *BANDS, "--family", "butterworth", "--top", "1", "-o", "f.cir")
    assert "butterworth, the fewest poles that keep the mask" in text
    assert "keeps the mask; nearest" in text
    assert (desk / "f.cir").exists()


def test_realised_table(capsys, desk):
    found = answer(capsys, "realise", "--response", "r.csv", "--top", "1")
    assert found["mask"] is None
    assert found["response"]["order"] == 3
    assert found["response"]["error_db"] < 1e-3
    f = np.geomspace(60, 5e3, 100)
    H = family_target("lowpass", "chebyshev", 3, 1e3, ripple_db=0.3).transfer
    level = response(found["realisations"][0]["netlist"], f) / np.abs(H.response(f))
    assert np.abs(20 * np.log10(level)).max() < 0.3


def test_new_families_through_realise(capsys):
    text = said(
        capsys,
        *["realise", "lowpass", "--family", "linear-phase", "--phase-ripple", "0.5"],
        *["--order", "2", "--at", "1kHz", "--top", "1"],
    )
    assert "linear-phase (0.5 degrees phase ripple)" in text


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["target"], "give a mask"),
        (["target", "--mask", "absent"], "cannot be read"),
        (["target", "--pass", "0:1k"], "0:1k=0.5dB"),
        (["target", "--pass", "0-1k=1"], "0:1k=0.5dB"),
        (["target", "--pass", "0:1k=-1", "--stop", "2k:inf=40"], "positive"),
        (["target", "--pass", "0:1k=x", "--stop", "2k:inf=40"], "not a number"),
        (["target", "--pass", "0:1k=1"], "no stop band"),
        (["target", "--pass", "0:1k=1", "--stop", "2k:inf=0.5"], "more attenuation"),
        (["target", "--stop", "0:1k=1"], "no pass band"),
        (["target", *BANDS, "--flat-delay", "0:1k=5"], "percent"),
        (["target", *BANDS, "--family", "cauer"], "unknown"),
        (["target", *BANDS, "--gain", "0"], "not zero"),
        (["target", "--mask", "mask.txt", "--gain", "2"], "leave one out"),
        (["target", *BANDS, "--phase-ripple", "90"], "out of range"),
        (["target", *BANDS, "--delay-ripple", "x"], "not a number"),
        (["realise", "lowpass", "--mask", "mask.txt", "--at", "1k"], "one target"),
        (["realise", "--mask", "mask.txt", "--order", "3"], "no place"),
        (["realise", "--mask", "mask.txt", "--at", "1k"], "no place"),
        (["realise", "--mask", "mask.txt", "--complement"], "no place"),
        (["realise", "lowpass", "--at", "1k", "--fit"], "for a mask"),
        (["realise", "--mask", "mask.txt", "--response", "r.csv"], "one target"),
        (["realise", "--response", "absent.csv"], "cannot be read"),
        (["realise", "--response", "mask.txt"], "columns"),
        (["realise", "--response", "r.csv", "--gain", "2"], "no place"),
        (["realise", "--response", "r.csv", "--order", "99"], "choose 1 to 20"),
        (["realise", "--pass", "0:1k=.01", "--stop", "1010:inf=90", "--family", "bessel"], "keeps"),
        (["values", "rc-lowpass", "--mask", "delay.txt"], "magnitudes only"),
    ],
)
def test_bad_input_ends_in_one_sentence(arguments, word, capsys, desk):
    (desk / "delay.txt").write_text("1 1k >= -3\n1 1k delay 5%\n")
    assert word in refused(capsys, *arguments)
    assert sorted(p.name for p in desk.iterdir()) == ["delay.txt", "mask.txt", "r.csv"]


def test_one_mask_file_for_all_commands(capsys, desk):
    """The gain and the open ends are understood by `tolerance` and `values` too."""
    (desk / "open.txt").write_text("gain -20 dB\n0 10 >= 10\n1Meg inf <= 0\n".replace("Meg", "e6"))
    found = answer(
        capsys, "tolerance", "rc-lowpass", "--mask", "open.txt", "--samples", "200", "--no-corners"
    )
    assert [x["to_hz"] for x in found["limits"]] == [10, None]
    assert [x["level_db"] for x in found["limits"]] == pytest.approx([-10, -20])
    assert found["limits"][0]["yield"]["value"] == 1


def test_help_fits_80_columns_and_names_the_families(capsys):
    for command in ("target", "realise"):
        text = said(capsys, command, "--help")
        assert max(map(len, text.splitlines())) <= 80
        assert "equal-delay" in text


def test_a_given_filter_is_equalised_and_its_circuit_verified(capsys):
    found = answer(
        capsys,
        *[
            "realise",
            "lowpass",
            "--family",
            "butterworth",
            "--order",
            "3",
            "--at",
            "1kHz",
            "--top",
            "1",
        ],
        *["--flat-delay", "0:900=3%", "--resistors", "E192"],
    )
    assert found["mask"]["response"] == "given"
    assert found["mask"]["order"] == len(found["target"]["poles"]) == 5
    circuit = found["mask"]["circuits"][0]
    assert circuit["limits"][0]["unit"] == "share"
    f = np.linspace(1, 900, 2001)
    deck = read_deck(found["realisations"][0]["netlist"]).network
    phase = np.unwrap(np.angle(response_of(deck).numbers.transfer.response(f)))
    delay = -np.diff(phase)
    ripple = (delay.max() - delay.min()) / (delay.max() + delay.min())
    assert ripple == pytest.approx(circuit["limits"][0]["value"], rel=0.05)
    assert circuit["kept"] == (ripple <= 0.03)


def test_a_fit_of_a_given_order_says_what_it_misses(capsys, desk):
    text = said(capsys, "realise", "--mask", "mask.txt", "--fit", "--order", "2", "--top", "1")
    assert "fitted to the mask" in text
    assert "! 0 Hz to 1 kHz within +-0.5 dB" in text


def test_a_mask_with_a_real_op_amp(capsys, desk):
    found = answer(
        capsys,
        *["realise", "--mask", "mask.txt", "--family", "butterworth", "--top", "2"],
        *["--op-amp", "general-purpose"],
    )
    assert len(found["mask"]["circuits"]) == len(found["realisations"]) == 2
    assert found["ranking"]["op_amp"]


@pytest.mark.parametrize("name", ["logger-anti-alias.mask", "hydrophone-response.csv"])
def test_the_demo_files_are_read(name):
    path = files("synth").joinpath("demo", name)
    if name.endswith("mask"):
        assert len(read_mask(str(path)).delays) == 1
    else:
        fit = fit_response(read_response(str(path)))
        poles = sorted(fit.target.transfer.poles, key=abs)
        assert fit.order == 4
        assert abs(poles[0]) / (2 * np.pi) == pytest.approx(80, rel=0.02)
