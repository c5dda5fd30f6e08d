"""Conditions of stages: relations, phrases, and what is supposed before a colon."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from synth.catalog import load_stage, package_stages, stage, stage_files
from synth.cli.main import run
from synth.errors import CatalogError, ExpressionError
from synth.report.catalog import statements_of
from synth.statements import statements
from synth.transfer.design import value_of, worked_out

FILES = stage_files(package_stages())


def with_condition(tmp_path: Path, name: str, condition: str) -> Path:
    """Return a stage of the catalogue with one condition more."""
    text = FILES[name].read_text(encoding="utf-8")
    lines = [x for x in text.splitlines() if not x.startswith(("conditions", "name ="))]
    if "conditions = [\n" in text:
        start = text.index("conditions = [")
        rest = text[:start] + text[text.index("]\n", start) + 2 :]
        lines = [x for x in rest.splitlines() if not x.startswith("name =")]
    path = tmp_path / f"own-{name}.toml"
    head = f'name = "own-{name}"\nconditions = ["{condition}"]\n'
    path.write_text(head + "\n".join(lines) + "\n", encoding="utf-8")
    return path


UNITY, GAIN = "sallen-key-lowpass-unity", "sallen-key-lowpass-gain"
BANDPASS, SUMMER = "sallen-key-bandpass-gain", "noninverting-summer"
MFB = "multiple-feedback-bandpass"
ONE_THREE = "R1 = R3 = R, R2 = 2*R, C1 = C2 = C, K = 1 + RB/RA"
HOLD = [
    (UNITY, "equal R: w0 = 1/(R*sqrt(C1*C2)), Q = sqrt(C1/C2)/2"),
    (UNITY, "R1 = R2: Q = sqrt(C1/C2)/2 and gain 1"),
    (UNITY, "gain 1"),
    (UNITY, "the gain is 1."),
    (UNITY, "gain of 1 or less"),
    (UNITY, "DC gain 1; gain 0 at high frequencies (nothing passes)"),
    (UNITY, "gain between 0.9 and 1.1, Q between 0.1 and 7"),
    (UNITY, "R1 < 20000"),
    (UNITY, "R1 < 20k, C2 > 100pF"),
    (UNITY, "R1*C1 < 1"),
    (UNITY, "R1 = R2 = 11k"),
    (UNITY, "R1 = R2: Q = 0.74"),
    (UNITY, "R1 = R2: Q = 0.7416"),
    (UNITY, "R1 = 10k, R2 = 10k: the Q is above 0.7 and gain of 1 or more"),
    (MFB, "equal C: centre gain -R2/(2*R1), Q = w0*R2*C/2"),
    (MFB, "equal C: centre gain below 2*Q^2"),
    (MFB, "centre gain -1; gain -1 at the centre"),
    (MFB, "equal R but R3 and equal C: centre gain -1/2"),
    ("wien-network", "equal R and equal C: w0 = 1/(R*C), a centre gain of 1/3, Q = 1/3"),
    (BANDPASS, ONE_THREE + ": Q = 1/(3 - K), centre gain K/(3 - K)"),
    ("inverting-amplifier", "gain -R2/R1"),
    (GAIN, "K = 1 + RB/RA, RB = RA: gain K, gain 2"),
    ("fliege-notch", "R6 = R1*R5/R4: gain 1 on both sides, centre gain 0, wz = w0"),
    ("noninverting-amplifier", "gain 1 + R2/R1; the gain is (1 + R2/R1)"),
]
#: Text that is for people, as it cannot be read.
WORDS = [
    (UNITY, "text that says nothing: for people"),
    (UNITY, "the gain is low"),
    (UNITY, "gain of an amplifier with R1 = R2"),
    (UNITY, "R1 = R2 helps against noise, and Q = 77 always"),
    (UNITY, "Q = 77 for R1 = 3*R2"),
    (UNITY, "if R1 = R2: Q = 77"),
]
FAIL = [
    (UNITY, "equal R: w0 = 1/(R1*C1), Q = 12", "w0 = 1/\\(R1\\*C1\\)"),
    (UNITY, "R1 = R2: Q = 55", "Q = 55 does not hold"),
    (UNITY, "R1 = R2: w0 = 99/(R1*C1)", "does not hold"),
    (UNITY, "R1 = R2: gain 2", "gain 2 does not hold"),
    (UNITY, "R1 = R2: Q = 0.743", "Q = 0.743 does not hold"),
    (UNITY, "R1 = R2: Q = 0.71921", "does not hold"),
    (UNITY, "R1 = R2: Q above 5", "Q above 5 does not hold"),
    (UNITY, "equal R: gain of 5 or more", "does not hold"),
    (UNITY, "R1 = R2: Q between 3 and 4", "Q between 3 and 4 does not hold"),
    (UNITY, "all-pass when R1 = R2", "is about the kinds allpass"),
    (UNITY, "notch when R1 = R2", "the stage is of lowpass"),
    (UNITY, "gain 7", "gain 7 does not hold"),
    (UNITY, "gain of 7", "does not hold"),
    (UNITY, "a gain of 7", "does not hold"),
    (UNITY, "gain 7.", "does not hold"),
    (UNITY, "gain 7 (from DC up)", "does not hold"),
    (UNITY, "gain 7 (note)", "does not hold"),
    (UNITY, "Gain above 3", "does not hold"),
    (UNITY, "gain between 3 and 5", "gain between 3 and 5 does not hold"),
    (UNITY, "the gain is -3", "the gain is -3 does not hold"),
    (UNITY, "gain below 0.5", "gain below 0.5 does not hold"),
    (UNITY, "Q of 1/2 or less", "Q of 1/2 or less does not hold"),
    (UNITY, "Q of 3", "does not hold"),
    (UNITY, "Q 12", "does not hold"),
    (UNITY, "the Q is 3", "does not hold"),
    (UNITY, "Q at least 3", "does not hold"),
    (UNITY, "Q = 0.70922, Q = 12", "Q = 12 does not hold"),
    (UNITY, "centre gain 5", "names centre gain, which the stage has not"),
    (UNITY, "DC gain 3", "does not hold"),
    (UNITY, "gain at DC is 3", "does not hold"),
    (UNITY, "R1 = R2: DC gain 3", "does not hold"),
    (UNITY, "R1 = R1 + 1", "different units"),
    (UNITY, "R1 > C1", "different units"),
    (UNITY, "R1*C1 = R2", "different units|does not hold"),
    (UNITY, "R1 < 1k", "R1 < 1k does not hold"),
    (UNITY, "R1 < 1 kohm", "does not hold"),
    (UNITY, "C1 > 15uF", "does not hold"),
    (UNITY, "R9 = R1", "R9, which is neither a part of the stage nor w0, Q, wz, gain"),
    (UNITY, "K = 2", "names K, which is neither a part of the stage nor w0, Q, wz, gain"),
    (UNITY, "gain K", "names K, which is neither"),
    (UNITY, "R1 = R2: Q = K/Z", "names K, Z, which are neither parts"),
    (UNITY, "R1 = R2, K = R1 - R2: Q = K", "cannot be met with positive values"),
    (UNITY, "R1 = R2, R1 = 3*R2: Q = sqrt(3*C1/C2)/4", "cannot be met with positive values"),
    (GAIN, "K = 1 + RB/RA, RB = RA: gain K/3", "gain K/3 does not hold"),
    (UNITY, "Q ≥ 3", "Q >= 3 does not hold"),
    (UNITY, "Q == 3", "Q = 3 does not hold"),
    (UNITY, "Q: 12", "Q is 12 does not hold"),
    (UNITY, "sqrt(20000 - R1) < 1", "does not hold"),
    (UNITY, "gain 3 at DC", "gain 3 at DC does not hold"),
    (UNITY, "sqrt(R1 - 1000000) < 2", "a root is taken"),
    (GAIN, "R1 = R2, RA = RB", "RA = RB does not hold"),
    (GAIN, "gain 1 + RB/RA + 7", "does not hold"),
    (GAIN, "the gain is -(1 + RB/RA)", "does not hold"),
    (GAIN, "gain -1 - RB/RA", "does not hold"),
    (GAIN, "gain (1 + R1/RB)*7", "does not hold"),
    (MFB, "equal C: centre gain R2/(2*R1)", "does not hold"),
    (MFB, "equal C: centre gain below 1/2", "does not hold"),
    (MFB, "equal C: Q = w0*R2*C/2; centre gain above 2*Q^2", "does not hold"),
    (MFB, "centre gain -7", "does not hold"),
    (MFB, "centre gain below 1/2", "does not hold"),
    (MFB, "equal R but R3 and equal C: centre gain 1/2", "does not hold"),
    ("friend-notch", "notch when RA/RB = R1*(C1 + C2)/(R2*C2), Q = 55", "Q = 55 does not hold"),
    (BANDPASS, ONE_THREE + ": Q = 3/(3 - K)", "does not hold"),
    (SUMMER, "Q = 3", "names Q, which the stage has not"),
    (SUMMER, "w0 = 7", "names w0, which the stage has not"),
    ("first-order-lowpass", "Q = 3", "names Q, which the stage has not"),
    ("first-order-lowpass", "w0 = 7", "names w0, which the stage has not"),
    ("integrator-inverting", "R1 = 2000: gain 3", "names gain, which the stage has not"),
]


@pytest.mark.parametrize(("name", "condition"), HOLD)
def test_a_true_condition_is_taken(tmp_path: Path, name: str, condition: str) -> None:
    assert load_stage(with_condition(tmp_path, name, condition)).conditions == (condition,)


@pytest.mark.parametrize(("name", "condition"), HOLD)
def test_what_is_read_is_called_checked(name: str, condition: str) -> None:
    parts = [b.name for b in stage(name).network.branches]
    assert all(s.checked for s in statements([condition], parts))


@pytest.mark.parametrize(("name", "condition"), WORDS)
def test_what_is_not_read_is_called_words(tmp_path: Path, name: str, condition: str) -> None:
    found = load_stage(with_condition(tmp_path, name, condition))
    assert [s.checked for s in statements_of(found)] == [False]


def test_a_stage_is_shown_with_what_was_checked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    condition = "R1 = R2: Q = 0.742, it is quiet; keep it away from heat"
    found = load_stage(with_condition(tmp_path, UNITY, condition))
    assert [(s.text, s.checked) for s in statements_of(found)] == [
        ("R1 = R2: Q = 0.742", True),
        ("R1 = R2: it is quiet", False),
        ("R1 = R2: keep it away from heat", False),
    ]
    assert run(["catalog", "integrator-deboo"]) == 0
    shown = capsys.readouterr().out
    assert "condition (checked): an integrator when R1*R4 = R2*R3\n" in shown
    assert "condition (in words): unstable when R1*R4 is above R2*R3\n" in shown
    assert run(["catalog", "integrator-deboo", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)["stage"]["statements"]
    assert [s["checked"] for s in said] == [True, True, False]


@pytest.mark.parametrize("name", [n for n, p in FILES.items() if p.parent.name == "allpass"])
def test_the_sign_of_an_allpass_is_that_at_dc(tmp_path: Path, name: str) -> None:
    text = FILES[name].read_text(encoding="utf-8")
    sign = stage(name).sign
    assert sign is not None
    path = tmp_path / f"{name}.toml"
    path.write_text(text.replace(f"\nsign = {sign}\n", f"\nsign = {-sign}\n"), encoding="utf-8")
    with pytest.raises(CatalogError, match=f"key sign: {-sign} claimed, .* has sign {sign}"):
        load_stage(path)


@pytest.mark.parametrize(("name", "condition", "why"), FAIL)
def test_a_false_condition_is_refused(tmp_path: Path, name: str, condition: str, why: str) -> None:
    with pytest.raises(CatalogError, match=f"key conditions: .*{why}"):
        load_stage(with_condition(tmp_path, name, condition))


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("sqrt(1)/(w0*C)", 0.1),
        ("sqrt(2)/sqrt(2)/(w0*C)", 0.1),
        ("sqrt(Q^2)/Q/(w0*C)", 0.1),
        ("sqrt(Q*(Q + sqrt(4)))", math.sqrt(15)),
        ("1/(w0*C)*sqrt(1)", 0.1),
    ],
)
def test_roots_may_stand_anywhere_in_a_design_equation(text: str, value: float) -> None:
    given = {"w0": 5.0, "Q": 3.0, "C": 2.0}
    assert value_of(text, given) == pytest.approx(value)
    assert worked_out([("R1", text)], given)["R1"] == pytest.approx(value)


def test_bad_formulas_are_told() -> None:
    with pytest.raises(ValueError, match="a root is taken of -1"):
        value_of("sqrt(-1)", {})
    for text, why in (
        ("sqrt(1", "never closed"),
        ("sqrt R1", "sqrt needs a parenthesis"),
        ("R1^(1/2)", "whole number up to 40; a root is written sqrt"),
        ("R1 + R2", "the name 'R2' is unknown; the names are R1, besides pi and sqrt"),
    ):
        with pytest.raises(ExpressionError, match=why):
            value_of(text, {"R1": 1.0})
