"""Conditions of stages: relations, phrases, and what is supposed before a colon."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from synth.catalog import load_stage, package_stages, stage_files
from synth.errors import CatalogError, ExpressionError
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


HOLD = [
    ("sallen-key-lowpass-unity", "equal R: w0 = 1/(R*sqrt(C1*C2)), Q = sqrt(C1/C2)/2"),
    ("sallen-key-lowpass-unity", "R1 = R2: Q = sqrt(C1/C2)/2 and gain 1"),
    ("sallen-key-lowpass-unity", "gain 1"),
    ("sallen-key-lowpass-unity", "the gain is 1"),
    ("sallen-key-lowpass-unity", "gain of 1 or less"),
    ("multiple-feedback-bandpass", "equal C: centre gain -R2/(2*R1), Q = w0*R2*C/2"),
    ("wien-network", "equal R and equal C: w0 = 1/(R*C), a centre gain of 1/3, Q = 1/3"),
    ("sallen-key-lowpass-unity", "text that says nothing: for people"),
]
FAIL = [
    ("sallen-key-lowpass-unity", "equal R: w0 = 1/(R1*C1), Q = 12", "w0 = 1/\\(R1\\*C1\\)"),
    ("sallen-key-lowpass-unity", "R1 = R2: Q = 55", "Q = 55 does not hold"),
    ("sallen-key-lowpass-unity", "R1 = R2: w0 = 99/(R1*C1)", "does not hold"),
    ("sallen-key-lowpass-unity", "R1 = R2: gain 2", "gain = 2"),
    ("sallen-key-lowpass-unity", "all-pass when R1 = R2", "is about the kinds allpass"),
    ("sallen-key-lowpass-unity", "notch when R1 = R2", "the stage is of lowpass"),
    ("sallen-key-lowpass-unity", "gain 7", "gain = 7 does not hold"),
    ("sallen-key-lowpass-unity", "the gain is -3", "gain = -3 does not hold"),
    ("sallen-key-lowpass-unity", "gain below 0.5", "size < 0.5 does not hold"),
    ("sallen-key-lowpass-unity", "Q of 1/2 or less", "Q <= 1/2 does not hold"),
    ("sallen-key-lowpass-unity", "R1 = R1 + 1", "different units"),
    ("sallen-key-lowpass-unity", "R1 > C1", "different units"),
    ("sallen-key-lowpass-unity", "R9 = R1", "no such part"),
    ("multiple-feedback-bandpass", "equal C: centre gain R2/(2*R1)", "does not hold"),
]


@pytest.mark.parametrize(("name", "condition"), HOLD)
def test_a_true_condition_is_taken(tmp_path: Path, name: str, condition: str) -> None:
    assert load_stage(with_condition(tmp_path, name, condition)).conditions == (condition,)


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
    with pytest.raises(ExpressionError, match="never closed"):
        value_of("sqrt(1", {})
