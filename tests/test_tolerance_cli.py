"""``synth tolerance``: text, JSON and wrong input."""

from __future__ import annotations

import json

import numpy as np
import pytest

import synth
from synth.cli.main import run
from synth.network.deck_writer import write_deck

SALLEN_KEY = "sallen-key-lowpass-unity"
QUICK = ["--samples", "500", "--points", "20"]


def said(capsys, *arguments):
    assert run(["tolerance", *arguments]) == 0
    return capsys.readouterr().out


def test_text(capsys, tmp_path):
    mask = tmp_path / "mask.txt"
    mask.write_text("1 500 within 0.5 dB\n5k 100k <= -25 dB\n")
    text = said(capsys, SALLEN_KEY, "--mask", str(mask), "--limit", "0.2dB", *QUICK)
    assert max(map(len, text.splitlines())) <= 80
    for word in ("500 circuits", "seed 0", "worst case", "yield", "Wilson", "tighten", "pole"):
        assert word in text, word
    assert "500 Hz >= -0.5 dB" in text
    assert "within +-0.2 dB" in text


def test_within_of_a_mask_file_is_about_its_gain_and_delays_are_left_out(capsys, tmp_path):
    """A follower keeps a mask of gain 1 and breaks the same one of 6 dB, though by itself flat."""
    mask = tmp_path / "mask.txt"
    for gain, share in (("1", "100 %"), ("6 dB", "0 %")):
        mask.write_text(f"gain {gain}\n1 10 within 0.5 dB\n1 10 delay 50 %\n")
        text = " ".join(said(capsys, SALLEN_KEY, "--mask", str(mask), *QUICK).split())
        assert f"yield: {share}" in text, text
        assert "left out of the mask: 1 Hz to 10 Hz delay within +-50 %" in text
    mask.write_text("1 10 delay 50 %\n")
    assert run(["tolerance", SALLEN_KEY, "--mask", str(mask)]) == 2
    assert "magnitudes only" in capsys.readouterr().err


def test_json_is_the_python_answer(capsys):
    answer = json.loads(
        said(
            capsys,
            SALLEN_KEY,
            "--json",
            "--seed",
            "4",
            "--samples",
            "700",
            "--from",
            "100",
            "--to",
            "10k",
            "--points",
            "11",
            "--part",
            "C2=1%",
            "--resistor-tolerance",
            "E192",
            "--distribution",
            "normal",
            "--sigmas",
            "2",
            "--band",
            "100:1k",
            "--limit",
            "0.3",
        )
    )
    spread = synth.Spread(0.005, 0.05, {"C2": 0.01}, synth.Distribution("normal", 2.0))
    result = synth.tolerance(
        synth.stage(SALLEN_KEY).circuit(),
        spread,
        np.geomspace(100, 1e4, 11),
        limits=[synth.Limit(100, 1000, "within", 0.3)],
        band=(100, 1000),
        samples=700,
        seed=4,
    )
    assert answer["frequencies"] == result.frequencies.tolist()
    assert [p["percent"] for p in answer["percentiles"]] == [5, 50, 95]
    assert [p["db"] for p in answer["percentiles"]] == result.percentiles.tolist()
    assert answer["yield"]["value"] == result.yield_.value
    assert answer["worst_case"]["high_db"] == result.worst_case.high_db.tolist()
    shares = {p["name"]: p["share"] for p in answer["sensitivities"]}
    assert shares == {p.name: p.share for p in result.sensitivities}
    assert {p["name"]: p["tolerance"] for p in answer["sensitivities"]}["C2"] == 0.01


def test_processes_give_the_same_answer(tmp_path):
    """A whole process, since workers are started afresh."""
    import os
    import subprocess
    import sys
    from pathlib import Path

    script = tmp_path / "run_synth.py"
    script.write_text(
        "import sys\nfrom synth.cli.main import run\n"
        "if __name__ == '__main__':\n    sys.exit(run())\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(Path(synth.__file__).parents[1])}
    answers = [
        subprocess.run(
            [sys.executable, str(script), "tolerance", SALLEN_KEY, "--json", "--samples", "33000",
             "--points", "9", "--jobs", jobs],
            env=environment, capture_output=True, text=True, check=True, timeout=120,
        ).stdout
        for jobs in ("1", "2")
    ]  # fmt: skip
    assert answers[0] == answers[1]


def test_a_deck_with_notes_and_a_saved_target(capsys, tmp_path):
    deck = tmp_path / "wave.cir"
    deck.write_text(write_deck(synth.stage(SALLEN_KEY).circuit()))
    assert "circuits" in said(capsys, str(deck), *QUICK)
    found = synth.realise("lowpass", "1kHz", order=2, top=1)[0]
    design = tmp_path / "wave.json"
    synth.save(found.design, design)
    answer = json.loads(
        said(capsys, str(design), "--of", "target", "--limit", "1dB", "--json", *QUICK)
    )
    assert answer["yield"]["value"] > 0.5


def test_interrupted(capsys, monkeypatch):
    """What is finished is shown, and the status is that of an interruption."""
    from synth.tolerances import montecarlo

    real = montecarlo._slice
    calls = []

    def once(*arguments):
        calls.append(1)
        if len(calls) > 1:
            raise KeyboardInterrupt
        return real(*arguments)

    monkeypatch.setattr(montecarlo, "_slice", once)
    assert run(["tolerance", SALLEN_KEY, "--json", "--samples", "30000", "--points", "150"]) == 130
    answer = json.loads(capsys.readouterr().out)
    assert answer["complete"] is False
    assert 0 < len(answer["frequencies"]) < 150


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        (["--resistor-tolerance", "0"], "resistors"),
        (["--resistor-tolerance", "-1%"], "resistors"),
        (["--resistor-tolerance", "100%"], "below 100"),
        (["--resistor-tolerance", "nan"], "nan"),
        (["--capacitor-tolerance", "E7"], "E7"),
        (["--capacitor-tolerance", "five"], "five"),
        (["--part", "R9=1%"], "R9"),
        (["--part", "R1"], "R1=0.1%"),
        (["--part", "R1=0%"], "R1"),
        (["--part", "R1=-2%"], "R1"),
        (["--distribution", "beta"], "uniform"),
        (["--sigmas", "nan", "--distribution", "normal"], "nan"),
        (["--sigmas", "0", "--distribution", "normal"], "deviations"),
        (["--samples", "0"], "circuits"),
        (["--samples", "-5"], "circuits"),
        (["--samples", "99999999999"], "circuits"),
        (["--seed", "-1"], "seed"),
        (["--band", "10"], "low:high"),
        (["--band", "1k:10", "--limit", "1"], "lower end"),
        (["--limit", "0"], "no room"),
        (["--limit", "-1dB"], "no room"),
        (["--limit", "x"], "x"),
        (["--mask", "absent.txt"], "absent.txt"),
        (["--of", "target", "--limit", "1"], "no target"),
        (["--from", "10k", "--to", "1k"], "lower end"),
        (["--from", "-1"], "range"),
        (["--from", "0"], "range"),
        (["--points", "1"], "--points"),
        (["--jobs", "0"], "--jobs"),
        (["--temperature", "50:10"], "lower end"),
        (["--temperature", "-400:10"], "absolute zero"),
        (["--resistor-ppm", "50"], "--temperature"),
        (["--temperature", "0:50", "--resistor-ppm", "nan"], "resistors"),
        (["--common-drift", "resistors"], "--temperature"),
    ],
)
def test_wrong_input(arguments, word, capsys):
    assert run(["tolerance", SALLEN_KEY, *arguments]) == 2
    out = capsys.readouterr()
    assert out.out == ""
    assert word in out.err
    assert len(out.err.splitlines()) == 1


@pytest.mark.parametrize(
    ("circuit", "word"), [("voltage-follower", "no parts"), ("no-such-stage", "no-such-stage")]
)
def test_wrong_circuits(circuit, word, capsys):
    assert run(["tolerance", circuit]) == 2
    assert word in capsys.readouterr().err


# -- circuits that oscillate, and notches ----------------------------------------------------------

EXCHANGED = """Sallen-Key with the op amp's inputs exchanged
VIN in 0 DC 0 AC 1
R1 in a 11.3k
R2 a b 11.3k
C1 a out 2n
C2 b 0 1n
XU1 out b out OPA
.end
"""
RESONANT = """hydrophone band-pass of high Q
VIN in 0 DC 0 AC 1
R1 in a 10k
C1 a 0 2.2n
C2 a p 2.2n
R2 p 0 10k
R3 a out 10k
XU1 p n out OPA
R4 n 0 10k
R5 n out 29.4k
.end
"""
TWIN_T = """50 Hz hum notch
VIN in 0 DC 0 AC 1
R1 in a 10k
R2 a out 10k
C3 a 0 200n
C1 in b 100n
C2 b out 100n
R3 b 0 5k
RL out 0 1G
.end
"""


def deck_of(tmp_path, text):
    path = tmp_path / "buoy.cir"
    path.write_text(text)
    return str(path)


def both(capsys, *arguments):
    return said(capsys, *arguments), json.loads(said(capsys, *arguments, "--json"))


def test_positive_feedback_fails_every_circuit(capsys, tmp_path):
    """The response of the ideal circuit is a good one; with a real op amp it goes to a rail."""
    text, answer = both(capsys, deck_of(tmp_path, EXCHANGED), "--limit", "1dB", *QUICK)
    assert answer["yield"]["value"] == 0
    assert any("positive feedback" in n for n in answer["notes"])
    assert "positive feedback" in " ".join(text.split())


def test_circuits_drawn_that_oscillate_fail(capsys, tmp_path):
    """It grows where the coefficient of s in D(s), worked out by hand, is negative."""
    from synth.tolerances.draws import draw
    from synth.tolerances.spread import Spread, ranges

    path = deck_of(tmp_path, RESONANT)
    text, answer = both(capsys, path, "--limit", "6dB", "--band", "1k:3k", *QUICK)
    from synth.network.deck_reader import read_deck

    network = read_deck(RESONANT).network
    drawn = draw(ranges(network, Spread()), 0, 0)[:500].T
    ratios = dict(zip([b.name for b in network.branches], drawn, strict=True))
    g1, g2, g3 = (1e-4 / ratios[n] for n in ("R1", "R2", "R3"))
    c1, c2 = (2.2e-9 * ratios[n] for n in ("C1", "C2"))
    k = 1 + 2.94 * ratios["R5"] / ratios["R4"]
    # (G1 + G3 + s C1 + s C2) (G2 + s C2) - s C2 (s C2 + K G3): its coefficient of s
    grows = c2 * (g1 + g3) + g2 * (c1 + c2) - k * g3 * c2 < 0
    assert 0.02 < grows.mean() < 0.5
    assert answer["yield"]["value"] == pytest.approx(1 - grows.mean(), abs=1e-12)
    wanted = f"{100 * grows.mean():.3g} % of the circuits drawn oscillate"
    assert any(wanted in n for n in answer["notes"])
    assert any("worst case is infinite" in n for n in answer["notes"])
    assert wanted in " ".join(text.split())
    assert "1/Q crosses 0" in " ".join(text.split())
    assert answer["sections"][0]["q_percentiles"] is None


def test_the_notch_has_its_row(capsys, tmp_path):
    """A twin T of R, R, R/2 and C, C, 2C has its zero at 1/(2 pi R C) (common practice)."""
    text, answer = both(capsys, deck_of(tmp_path, TWIN_T), *QUICK)
    f0 = 1 / (2 * np.pi * 10e3 * 100e-9)
    k = int(np.argmin(np.abs(np.array(answer["frequencies"]) - f0)))
    assert answer["frequencies"][k] == pytest.approx(f0, rel=1e-6)
    assert answer["nominal_db"][k] is None
    assert -80 < answer["percentiles"][1]["db"][k] < -20
    row = next(line for line in text.splitlines() if line.strip().startswith("159.2 Hz"))
    assert "-inf" in row


def test_the_peak_has_its_row(capsys, tmp_path):
    """At ``w0`` where a band-pass ``s/(s**2 + s*w0/Q + w0**2)`` is largest."""
    text, answer = both(capsys, deck_of(tmp_path, RESONANT), *QUICK)
    f0 = answer["sections"][0]["f0_hz"]
    peak = answer["frequencies"][int(np.nanargmax(answer["nominal_db"]))]
    assert peak == pytest.approx(f0, rel=1e-5)
    assert any(line.strip().startswith(f"{f0 / 1e3:.4g} kHz") for line in text.splitlines()[5:20])


def test_a_part_given_twice(capsys):
    assert run(["tolerance", SALLEN_KEY, "--part", "R1=1%", "--part", "r1=2%"]) == 2
    out = capsys.readouterr()
    assert out.out == ""
    assert "given twice" in out.err
    assert len(out.err.splitlines()) == 1
