"""Wrong input through the command line: one sentence, status 2, nothing written.

The list is that of the project's contract for the command line.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

import synth
from synth.cli.main import run

CODE = "import sys; from synth.cli.main import run; sys.exit(run())"
#: Where this very package is, also when it is not installed.
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(synth.__file__).parents[1])}

HYDROPHONE = """hydrophone input
VIN in 0 AC 1
R1 in out 10k
C1 out 0 10n
.end
"""

#: what is wrong -> (deck, a word the sentence must contain)
DECKS = {
    "unknown part": ("t\nVIN in 0 AC 1\nR1 in out 1k\nC1 out 0 1n\nQ1 out in 0 npn\n.end\n", "Q1"),
    "missing node": ("t\nVIN in 0 AC 1\nR1 in\nC1 out 0 1n\n.end\n", "R1"),
    "floating node": ("t\nVIN in 0 AC 1\nR1 in out 1k\nC1 out 0 1n\nR2 out x 1k\n.end\n", "x"),
    "no input": ("t\nR1 in out 1k\nC1 out 0 1n\n.end\n", "input"),
    "no output": ("t\nVIN in 0 AC 1\nR1 in b 1k\nC1 b 0 1n\n.end\n", "output"),
    "ambiguous input": (
        "t\nVA in 0 1\nVB b 0 1\nR1 in out 1k\nR2 b out 1k\nC1 out 0 1n\n.end\n",
        "ambiguous",
    ),
    "two AC inputs": (
        "t\nVA in 0 AC 1\nVB b 0 AC 1\nR1 in out 1k\nR2 b out 1k\nC1 out 0 1n\n.end\n",
        "VB",
    ),
    "value zero": ("t\nVIN in 0 AC 1\nR1 in out 0\nC1 out 0 1n\n.end\n", "R1"),
    "value negative": ("t\nVIN in 0 AC 1\nR1 in out 1k\nC1 out 0 -1n\n.end\n", "C1"),
    "value unreadable": ("t\nVIN in 0 AC 1\nR1 in out tenk\nC1 out 0 1n\n.end\n", "R1"),
    "singular": (
        "t\nVIN in 0 AC 1\nR1 in a 1k\nR2 a 0 1k\nXU1 a 0 out opamp\nR3 out 0 1k\n"
        ".subckt opamp p m o\nE1 o 0 p m 1e6\n.ends\n.end\n",
        "",
    ),
    "include": (
        "t\n.include parts.lib\nVIN in 0 AC 1\nR1 in out 1k\nC1 out 0 1n\n.end\n",
        "include",
    ),
    "no parts": ("t\nVIN in 0 AC 1\n.end\n", "parts"),
    "empty": ("", ""),
}

TARGETS = {
    "improper": (["--h", "s^2/(s + 1)"], "improper"),
    "unstable": (["--h", "1/(s - 1)"], "unstable"),
    "not real": (["--num", "1", "--den", "1 j 1"], "j"),
    "zero": (["--h", "0/(s + 1)"], "zero"),
    "constant": (["--h", "2"], "constant"),
    "not finite": (["--num", "nan", "--den", "1 1"], "nan is not a finite number"),
    "infinite": (["--num", "1", "--den", "1 -inf"], "coefficient 2: -inf is not a finite number"),
    "not a formula": (["--h", "__import__('os')"], "h"),
    "unfinished formula": (["--h", "1/(s + "], ""),
    "too long a formula": (["--h", "1/(s" + " + 1" * 5000 + ")"], ""),
    "half a fraction": (["--num", "1"], "--den"),
    "no coefficients": (["--num", " ", "--den", "1 1"], "coefficients"),
    "no target": ([], "KIND"),
    "two targets": (["lowpass", "--at", "1k", "--h", "1/(s+1)"], "one target"),
    "family with H": (["--h", "1/(s+1)", "--family", "bessel"], "--family"),
    "unknown kind": (["lowpas", "--at", "1k"], "lowpass"),
    "unknown family": (["lowpass", "--at", "1k", "--family", "gauss"], "bessel"),
    "no frequency": (["lowpass"], "--at"),
    "bad frequency": (["lowpass", "--at", "1kOhm"], "--at"),
    "negative frequency": (["lowpass", "--at", "-1k"], "positive"),
    "order too high": (["lowpass", "--at", "1k", "--order", "21"], "order"),
    "odd band-pass": (["bandpass", "--at", "1k", "--order", "3", "--q", "2"], "order"),
    "ripple of butterworth": (
        ["lowpass", "--at", "1k", "--family", "butterworth", "--ripple", "1"],
        "ripple",
    ),
    "zero gain": (["lowpass", "--at", "1k", "--gain", "0"], "gain"),
    "bad gain": (["lowpass", "--at", "1k", "--gain", "loud"], "--gain"),
    "unknown series": (["lowpass", "--at", "1k", "--resistors", "E95"], "E96"),
    "window without colon": (["lowpass", "--at", "1k", "--resistor-window", "1k"], "1k:1M"),
    "window upside down": (["lowpass", "--at", "1k", "--resistor-window", "1M:1k"], "window"),
    "pick zero": (["lowpass", "--at", "1k", "--pick", "0"], "--pick"),
    "out of the windows": (["--h", "(s^2 + 5*s + 1)/(s^2 + 0.001*s + 1)", "--at", "1k"], "windows"),
}

FILES = {
    "missing deck": (["analyse", "nothing.cir"], "nothing.cir"),
    "missing design": (["analyse", "nothing.json"], "nothing.json"),
    "folder for a deck": (["analyse", "folder.cir"], "folder"),
    "folder": (["analyse", "folder"], "folder"),
    "folder for a design": (["analyse", "folder.json"], "folder"),
    "unknown ending": (["analyse", "buoy.txt"], ".cir"),
    "unknown stage": (["analyse", "sallen-key-lowpas-unity"], "sallen-key-lowpass-unity"),
    "unknown option": (["analyse", "buoy.cir", "--jsn"], "--json"),
    "unknown command": (["analyze", "buoy.cir"], "analyse"),
    "no circuit": (["analyse"], "CIRCUIT"),
    "no step": (["transform", "buoy.cir"], "STEP"),
    "unknown step": (["transform", "buoy.cir", "swop"], "swap"),
    "step without value": (["transform", "buoy.cir", "scale-frequency"], "scale-frequency=2"),
    "step with empty value": (["transform", "buoy.cir", "swap="], "swap"),
    "step with a value too many": (["transform", "buoy.cir", "prune=1"], "prune"),
    "factor zero": (["transform", "buoy.cir", "scale-impedance=0"], "positive"),
    "factor unreadable": (["transform", "buoy.cir", "scale-impedance=ten"], "ten"),
    "unknown stage to swap": (["transform", "buoy.cir", "swap=7"], "7"),
    "unknown part to keep": (["analyse", "buoy.cir", "--keep-grounded", "R9"], "R9"),
    "unknown output": (["analyse", "buoy.cir", "--output", "nowhere"], "nowhere"),
    "deck option for a stage": (["analyse", "twin-t", "--output", "a"], "--output"),
    "written to a folder": (["transform", "buoy.cir", "swap", "-o", "folder.cir"], "folder"),
    "written to no folder": (["transform", "buoy.cir", "swap", "-o", "no/new.cir"], "no folder"),
    "written with no ending": (["transform", "buoy.cir", "swap", "-o", "new"], ".json"),
    "written with another ending": (["transform", "buoy.cir", "swap", "-o", "new.svg"], ".json"),
    "nothing to swap": (["transform", "divider.cir", "swap", "-o", "new.cir"], "ground"),
    "no pair for rc-cr": (["transform", "attenuator.cir", "rc-cr", "-o", "new.cir"], "rc-cr"),
    "frequency out of the numbers": (
        ["transform", "buoy.cir", "scale-frequency=1e300", "scale-frequency=1e300"],
        "takes the value of C1 out of the range of numbers",
    ),
    "frequency below the numbers": (
        ["transform", "buoy.cir", "scale-frequency=1e-300", "scale-frequency=1e-300"],
        "takes the value of C1 out of the range of numbers",
    ),
    "impedance out of the numbers": (
        ["transform", "buoy.cir", "scale-impedance=1e299"],
        "takes the value of R1 out of the range of numbers",
    ),
    "input taken as the ground": (["analyse", "buoy.cir", "--ground", "in"], "--ground"),
    "catalog of a negative order": (
        ["catalog", "--order", "-1"],
        "--order -1: the order of a stage is 0 or more",
    ),
    "catalog of nothing": (["catalog", "nothing"], "nothing"),
    "catalog of no kind": (["catalog", "--kind", "comb"], "bandstop"),
    "not JSON": (["analyse", "broken.json"], "JSON"),
    "not text": (["analyse", "binary.cir"], "binary.cir"),
}


@pytest.fixture
def desk(tmp_path, monkeypatch):
    """A folder with some files, as the working folder."""
    (tmp_path / "buoy.cir").write_text(HYDROPHONE)
    (tmp_path / "buoy.txt").write_text(HYDROPHONE)
    (tmp_path / "divider.cir").write_text("t\nVIN in 0 AC 1\nR1 in out 1k\nC1 out in 1n\n.end\n")
    (tmp_path / "attenuator.cir").write_text("t\nVIN in 0 AC 1\nR1 in out 1k\nR2 out 0 1k\n.end\n")
    (tmp_path / "broken.json").write_text("{")
    (tmp_path / "binary.cir").write_bytes(b"t\n\xff\xfe\x80\n")
    for name in ("folder", "folder.cir", "folder.json"):
        (tmp_path / name).mkdir()
    monkeypatch.chdir(tmp_path)
    return tmp_path


def _contents(folder: Path):
    return {p: p.read_bytes() if p.is_file() else None for p in folder.rglob("*")}


def _complaint(capsys, folder, arguments):
    before = _contents(folder)
    status = run(arguments)
    out, err = capsys.readouterr()
    assert status == 2, err
    assert out == ""
    assert err.startswith("synth: ")
    assert err.endswith("\n")
    assert err.count("\n") == 1, err
    assert "Traceback" not in err
    assert _contents(folder) == before
    return err


@pytest.mark.parametrize("name", DECKS)
@pytest.mark.parametrize("command", ["analyse", "transform"])
def test_deck(name, command, desk, capsys):
    deck, word = DECKS[name]
    (desk / "wrong.cir").write_text(deck)
    steps = ["swap", "-o", "new.cir"] if command == "transform" else []
    assert word in _complaint(capsys, desk, [command, "wrong.cir", *steps])


@pytest.mark.parametrize("name", TARGETS)
def test_target(name, desk, capsys):
    arguments, word = TARGETS[name]
    assert word in _complaint(capsys, desk, ["realise", *arguments, "-o", "new.cir"])


@pytest.mark.parametrize("name", FILES)
def test_file_or_option(name, desk, capsys):
    arguments, word = FILES[name]
    assert word in _complaint(capsys, desk, arguments)


#: command -> what stands between it and -o
WRITERS = {
    "transform": ["swap"],
    "lift": ["--to", "highpass"],
    "derive": ["--to", "highpass"],
    "pairings": ["--gain-bandwidth", "1MHz"],
    "explain": [],
    "draw": [],
}


@pytest.mark.parametrize("command", WRITERS)
@pytest.mark.parametrize("spelling", ["same", "dotted", "link", "circuit a link", "hard link"])
def test_the_circuit_itself_is_not_written_over(command, spelling, desk, capsys):
    """The circuit cannot be read as one, so the refusal comes before anything is computed."""
    ending = {"explain": "md", "draw": "svg"}.get(command, "json")
    circuit = out = f"precious.{ending}"
    (desk / circuit).write_text("{")
    if spelling == "dotted":
        out = f"folder/../{circuit}"
    elif spelling == "link":
        out = f"link.{ending}"
        (desk / out).symlink_to(desk / circuit)
    elif spelling == "circuit a link":
        circuit = "link.cir"
        (desk / circuit).symlink_to(desk / out)
    elif spelling == "hard link":
        out = f"link.{ending}"
        (desk / out).hardlink_to(desk / circuit)
    said = _complaint(capsys, desk, [command, circuit, *WRITERS[command], "-o", out])
    assert f"-o {out} is the file that is read ({circuit})" in said


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ("R3,C3,U2", ["sharing nodes B, Q with other parts", "2: R3, R4, C3, C4, U2"]),
        ("C2,U1", ["fed from no source and from no op-amp output", "sharing node P"]),
        ("R1,R3", ["fed from 2 nodes, IN and V1"]),
    ],
)
def test_parts_that_are_no_stage(parts, words, desk, capsys, demo):
    deck = demo("logger-anti-alias.cir")
    said = _complaint(capsys, desk, ["transform", deck, f"swap={parts}"])
    for word in words:
        assert word in said
    assert "one input node, driven by the source or an op-amp output" in said


@pytest.fixture
def demo():
    """Give the name of a deck that the package ships."""
    return lambda name: str(Path(synth.__file__).parent / "demo" / name)


@pytest.mark.parametrize(
    "arguments",
    [
        ["analyse", "{}.cir"],
        ["analyse", "{}"],
        ["analyse", "buoy.cir", "--output", "{}"],
        ["transform", "buoy.cir", "swap", "-o", "{}.cir"],
        ["realise", "lowpass", "--at", "{}"],
    ],
)
def test_a_long_name_is_shortened(arguments, desk, capsys):
    said = _complaint(capsys, desk, [a.format("n" * 5000) for a in arguments])
    assert len(said) < 500


def test_a_design_with_null_says_null(desk, capsys):
    assert run(["transform", "buoy.cir", "prune", "-o", "saved.json"]) == 0
    capsys.readouterr()
    text = (desk / "saved.json").read_text().replace('"title": "hydrophone input"', '"title": null')
    (desk / "saved.json").write_text(text)
    said = _complaint(capsys, desk, ["analyse", "saved.json"])
    assert "design.network.title must be text, not null" in said


def test_pick_beyond_the_last(desk, capsys):
    target = ["lowpass", "--order", "1", "--at", "1kHz", "--top", "1"]
    words = ["realise", *target, "--pick", "100", "-o", "new.cir"]
    assert "--pick 100" in _complaint(capsys, desk, words)


def test_a_failed_run_leaves_the_old_file(desk, capsys):
    (desk / "new.cir").write_text("precious")
    _complaint(capsys, desk, ["transform", "divider.cir", "swap", "-o", "new.cir"])
    assert (desk / "new.cir").read_text() == "precious"


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write")
def test_a_folder_that_may_not_be_written(desk, capsys):
    (desk / "folder").chmod(0o500)
    words = ["transform", "buoy.cir", "swap", "-o", "folder/new.cir"]
    assert "cannot be written" in _complaint(capsys, desk, words)


def test_a_disk_that_refuses(desk, capsys, monkeypatch):
    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", refuse)
    words = ["transform", "buoy.cir", "swap", "-o", "new.cir"]
    assert "No space left" in _complaint(capsys, desk, words)


def test_text_of_a_message_stays_on_one_line(desk, capsys):
    _complaint(capsys, desk, ["analyse", "no\nthing\x1b[31m"])


@pytest.mark.parametrize(
    "arguments", [["analyse", "nothing.cir"], ["realise", "--h", "1/(s-1)"], ["--nope"]]
)
def test_as_a_process(arguments, desk):
    result = subprocess.run(
        [sys.executable, "-c", CODE, *arguments],
        capture_output=True,
        text=True,
        check=False,
        env=ENVIRONMENT,
    )
    assert result.returncode == 2
    assert result.stdout == ""
    assert result.stderr.count("\n") == 1


def test_a_fault_of_the_program_is_one_sentence_too(desk, capsys, monkeypatch):
    def fail(*_, **__):
        raise ZeroDivisionError("planted")

    monkeypatch.setattr("synth.report.record.analysis_record", fail)
    monkeypatch.delenv("SYNTH_TRACE", raising=False)
    assert run(["analyse", "buoy.cir"]) == 70
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert "planted" in err
    assert "SYNTH_TRACE" in err
    monkeypatch.setenv("SYNTH_TRACE", "1")
    with pytest.raises(ZeroDivisionError):
        run(["analyse", "buoy.cir"])


def test_a_reader_that_goes_away(desk):
    with subprocess.Popen(
        [sys.executable, "-c", CODE, "catalog"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env=ENVIRONMENT,
    ) as process:
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode == 1


def test_interrupted_quietly(desk, capsys, monkeypatch):
    def interrupt(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("synth.report.record.analysis_record", interrupt)
    assert run(["analyse", "buoy.cir"]) == 130
    assert capsys.readouterr().err.strip() == ""
