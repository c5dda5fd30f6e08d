"""The catalogue's list and pages: figures of the kind asked for, legends, and designs by hand."""

from __future__ import annotations

import json
import math
import re
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from synth.analysis.loop import analyse
from synth.analysis.numbers import modes, transfer
from synth.catalog import Stage, load_stage, package_stages, stage, stage_files, stages
from synth.cli.main import run
from synth.errors import CatalogError, SynthError
from synth.generators.asked import GAINS as GAINS_ASKED
from synth.generators.asked import NOTCH_AT
from synth.generators.bandwidth import gain_bandwidth
from synth.generators.equations import KINDS
from synth.generators.kept import kept_designs, kept_figures
from synth.report.catalog import GAINS, SORTS, sorted_by, symbols_text
from synth.transfer.design import worked_out

W0 = 2 * math.pi * 1e3


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    assert run(arguments) == 0
    return " ".join(capsys.readouterr().out.split())


# -- figures of a kind -----------------------------------------------------------------------------


def test_with_a_kind_figures_and_order_are_of_that_kind(capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["catalog", "--kind", "allpass", "--order", "2", "--sort", "spread"]
    answer = json.loads(said(capsys, *asked, "--json"))["stages"]
    assert {s["figures"]["kind"] for s in answer} == {"allpass"}
    spreads = [s["figures"]["at"][1]["spread"] for s in answer]
    assert spreads == sorted(spreads)
    assert len(answer) >= 5
    text = said(capsys, *asked)
    assert text.count("allpass at Q = 1, 5, 20") == len(answer)
    assert "bandstop at Q" not in text


def test_a_stage_of_several_kinds_is_shown_with_the_figures_of_all(
    capsys: pytest.CaptureFixture[str],
) -> None:
    shown = json.loads(said(capsys, "catalog", "bainter-notch", "--json"))["stage"]
    assert shown["figures"]["kind"] == "bandstop"
    others = {f["kind"]: f["notch"] for f in shown["figures_of_other_kinds"]}
    assert others == {"lowpass-notch": 1.5, "highpass-notch": 0.667}
    text = said(capsys, "catalog", "bainter-notch")
    assert "lowpass-notch with its notch at 1.5 f0, at Q = 1, 5, 20: spread" in text


def test_a_stage_with_the_figures_of_its_design_alone_is_sorted_by_them() -> None:
    """Nothing says which mode of the twin-T resonator is to cancel, so no smallest is sought."""
    bleed = stage("twin-t-resonator-bleed")
    figures = kept_figures(bleed)
    assert figures is not None
    assert all(row["spread"] is None for row in figures["at"])
    assert SORTS["spread"](bleed, None) == figures["at"][1]["designed"]["spread"]
    listed = sorted_by([stage("wien-network"), bleed], "spread")
    assert [s.name for s in listed] == ["twin-t-resonator-bleed", "wien-network"]


def test_the_list_says_why_a_stage_has_no_figures(capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "catalog", "--kind", "bandstop")
    for name in ("twin-t", "twin-t-buffered", "wien-complement-notch"):
        row = text.split(f"{name}: ")[1].split(": spread")[0]
        assert "none, real poles only, so that Q stays below 0.5" in row, name
    assert "f0/1.5" in said(capsys, "catalog", "--help")


def test_a_stage_of_ones_own_says_why_it_has_no_figures(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = stage_files(package_stages())["twin-t"].read_text(encoding="utf-8")
    own = text.replace('name = "twin-t"', 'name = "buoy-t"')
    (tmp_path / "buoy-t.toml").write_text(own, encoding="utf-8")
    monkeypatch.setenv("SYNTH_STAGES", str(tmp_path))
    shown = said(capsys, "catalog", "buoy-t")
    assert "computed beforehand and for the stages of the package only" in shown


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["catalog", "--kind", "allpass", "--kind", "bandstop"], "--kind: given 2 times"),
        (["catalog", "--sort", "name", "--sort", "parts"], "--sort: given 2 times"),
        (["catalog", "--order", "1", "--order", "1"], "--order: given 2 times"),
        (["--stages", "", "catalog"], "--stages names no folder"),
    ],
)
def test_an_option_given_twice_or_empty_is_one_sentence(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(arguments) == 2
    captured = capsys.readouterr()
    assert words in captured.err
    assert captured.err.count("\n") == 1
    assert captured.out == ""


# -- legends ---------------------------------------------------------------------------------------


def test_every_kind_with_a_gain_says_what_it_is() -> None:
    assert set(GAINS) == set(KINDS) - {"general"}


def test_the_gain_of_a_peaking_stage_is_told_as_its_equations_have_it() -> None:
    """Of a state-variable sum g is centre over ends; measured here from its design equations."""
    s = stage("state-variable-general-inverting")
    rows = kept_designs(s)["peaking"].rows
    given = {"w0": W0, "Q": 2.0, "g": 1.7, "C": 1e-8, "m": 1.0}
    values = worked_out(rows, given)
    loop = analyse(s.network.with_values({b.name: values[b.name] for b in s.network.branches}))
    h = transfer(loop, loop.transfer())
    ends = (abs(h(1e-4j * W0)), abs(h(1e4j * W0)))
    assert ends[0] == pytest.approx(ends[1], rel=1e-3)
    assert abs(h(1j * W0)) / ends[0] == pytest.approx(1.7, rel=1e-3)
    assert ends[0] != pytest.approx(1.7, rel=0.1)
    told = symbols_text(s)
    assert "for peaking the ratio of the gain at the centre to that at both ends" in told
    assert "pass-band gain" not in told
    assert "m the frequency" not in told
    assert "m the frequency of the notch" in symbols_text(stage("bainter-notch"))


# -- designs by hand -------------------------------------------------------------------------------

BY_HAND = (
    *("bainter-notch", "fliege-lowpass-notch", "fliege-highpass-notch", "friend-notch"),
    *("state-variable-highpass", "state-variable-notch", "fdnr-lowpass", "fliege-lowpass"),
    *("sallen-key-lowpass-attenuator", "sallen-key-bandpass-gain", "twin-t-resonator-bleed"),
)
ZEROS = {
    "lowpass-notch": (1.05, 1.3, 2.0, 3.0),
    "highpass-notch": (1 / 1.05, 1 / 1.3, 0.5, 1 / 3),
}


@pytest.mark.parametrize("name", BY_HAND)
def test_designs_by_hand_reach_the_useful_range(name: str) -> None:
    """Poles by the eigenvalues of the network, zeros by values of H, over Q and the notch."""
    s = stage(name)
    for q in (0.7, 1.0, 3.0, 10.0, 20.0):
        for zero in ZEROS.get(s.kinds[0], (1.0,)):
            given = {"w0": W0, "Q": q, "g": 1.0, "C": 1e-8, "m": zero}
            values = worked_out(tuple(s.design.items()), given)
            parts = {b.name: values[b.name] for b in s.network.branches}
            assert min(parts.values()) > 0, (q, zero)
            loop = analyse(s.network.with_values(parts))
            pair = [p for p in modes(loop) if p.imag > 0]
            assert len(pair) == 1
            assert abs(pair[0]) == pytest.approx(W0, rel=1e-6)
            assert abs(pair[0]) / (-2 * pair[0].real) == pytest.approx(q, rel=1e-5)
            if "notch" in s.kinds[0] or s.kinds[0] == "bandstop":
                h = transfer(loop, loop.transfer())
                beside = abs(h(1.3j * zero * W0))
                assert abs(h(1j * zero * W0)) < 1e-6 * beside
            alike = [[v for n, v in parts.items() if n[0] == letter] for letter in "RC"]
            spread = max(max(v) / min(v) for v in alike)
            least = 4 * q * q if name == "friend-notch" else 4 * q * max(zero, 1 / zero) + 22
            assert spread < 1.01 * least + 1, (q, zero, spread)


def test_the_friend_notch_spreads_as_its_smallest() -> None:
    figures = kept_figures(stage("friend-notch"))
    assert figures is not None
    for row in figures["at"]:
        assert row["designed"]["spread"] == pytest.approx(row["spread"], rel=0.01)


# -- claims in words -------------------------------------------------------------------------------


def test_the_bleed_resistor_moves_f0_as_the_condition_says(tmp_path: Path) -> None:
    """D of the balanced twin-T with R/R5 = r is (s*R*C + 1)*((s*R*C)^2 + 2*r*s*R*C + 1 + 2*r)."""
    s = stage("twin-t-resonator-bleed")
    r, c = 31.6e3, 100e-9
    for ratio in (0.01, 0.1, 1.0):
        changes = {"R1": r, "R2": r, "R3": r / 2, "R5": r / ratio}
        loop = analyse(s.circuit().with_values(changes))
        pair = next(p for p in modes(loop) if p.imag > 0)
        assert abs(pair) == pytest.approx(math.sqrt(1 + 2 * ratio) / (r * c), rel=1e-9)
        assert abs(pair) / (-2 * pair.real) == pytest.approx(abs(pair) * r / ratio * c / 2)
    text = stage_files(package_stages())["twin-t-resonator-bleed"].read_text(encoding="utf-8")
    false = tmp_path / "twin-t-resonator-bleed.toml"
    false.write_text(text.replace("(1 + 2*R1/R5)/(R1*C1)^2", "1/(R1*C1)^2"), encoding="utf-8")
    with pytest.raises(CatalogError, match="does not hold"):
        load_stage(false)


def test_r8_and_r9_of_the_general_state_variable_filter_move_the_middle_coefficient() -> None:
    """N/D at three points gives N; R11 leaves its ends alone, R8 and R9 do not leave its middle."""

    def numerator(changes: dict[str, float]) -> np.ndarray:
        loop = analyse(stage(name).circuit().with_values(changes))
        h = transfer(loop, loop.transfer())
        d = np.real(np.poly(modes(loop)))
        at = 1j * W0 * np.array([0.4, 1.1, 2.3])
        rows = np.array([[x * x / W0**2, x / W0, 1] for x in at])
        return np.linalg.solve(rows, [h(x) * np.polyval(d, x) / W0**2 for x in at]).real

    for name in ("state-variable-general", "state-variable-general-inverting"):
        values = stage(name).circuit().values
        before = numerator({})
        for part, ends in (("R8", [0]), ("R9", [2]), ("R11", [])):
            moved = np.abs(numerator({part: 1.1 * values[part]}) / before - 1) > 1e-6
            assert list(np.flatnonzero(moved)) == sorted([1, *ends]), (name, part)


@pytest.mark.parametrize("kind", ["bandpass", "lowpass"])
def test_the_re_paired_loop_is_told_as_it_is_measured(kind: str) -> None:
    """The figures in its remark are those of the circuits of equal parts and of smallest spread."""
    s = stage(f"re-paired-loop-{kind}")
    figures, other = kept_figures(s), kept_figures(stage(f"akerberg-mossberg-{kind}"))
    assert figures is not None
    assert other is not None
    remark = " ".join(s.remarks)
    wanted = [figures["at"][2]["gain_bandwidth"], other["at"][2]["gain_bandwidth"]]
    wanted += [figures["at"][2]["designed"]["gain_bandwidth"]]
    for x in wanted:
        assert re.search(rf"\b{re.escape(f'{x:g}')}\b", remark), x
    rows = kept_designs(s)[kind].rows
    values = worked_out(rows, {"w0": W0, "Q": 20.0, "g": 1.0, "C": 1e-8, "m": 1.0})
    found = gain_bandwidth(
        s.network.with_values({b.name: values[b.name] for b in s.network.branches})
    )
    assert found is not None
    assert found.ratio == pytest.approx(wanted[2], rel=0.01)
    assert (found.limit == "oscillation") == ("oscillates" in remark)
    assert "small gain-bandwidth" not in s.title


def test_every_second_order_stage_is_listed_with_figures_or_a_reason() -> None:
    for s in stages():
        if s.order == 2 and s.kinds[0] in KINDS:
            found = kept_figures(s)
            assert found is not None
            assert found["none"] or any(r["spread"] or r["designed"] for r in found["at"]), s.name


def test_the_twin_t_notch_with_follower_reaches_any_q_with_unlike_halves() -> None:
    """Its remark: R2/R1 of about 4*Q^2."""
    figures = kept_figures(stage("twin-t-notch-follower"))
    assert figures is not None
    for row in figures["at"][1:]:
        assert row["spread"] == pytest.approx(4 * row["q"] ** 2, rel=0.05)


# -- the gain of what is designed ------------------------------------------------------------------


def _spread_as_designed(s: Stage, kind: str, equations: str, q: float, gain: float) -> float | None:
    """Largest ratio of like parts that design equations give; None where one is not positive."""
    rows = kept_designs(s)[kind].rows if equations == "derived" else tuple(s.design.items())
    given = {"w0": W0, "Q": q, "g": gain, "C": 1e-8, "m": NOTCH_AT.get(kind, 1.0)}
    try:
        found = worked_out(rows, given)
    except (SynthError, ValueError):
        return None
    alike: dict[str, list[float]] = {}
    for b in s.network.branches:
        alike.setdefault(b.name[0], []).append(found.get(b.name, 0.0))
    if min(min(v) for v in alike.values()) <= 0:
        return None
    return max(max(v) / min(v) for v in alike.values())


def test_the_gain_of_what_is_designed_is_1_or_that_of_the_smallest_spread() -> None:
    """Every kept figure against the equations that are printed, at every gain of the list."""
    others = 0
    for s in stages():
        for kind in s.kinds:
            for row in (kept_figures(s, kind) or {"at": []})["at"]:
                if not row["designed"]:
                    continue
                told, equations = row["designed"]["gain"], row["designed"]["equations"]
                where = (s.name, kind, row["q"])
                spreads = {
                    g: _spread_as_designed(s, kind, equations, row["q"], g) for g in GAINS_ASKED
                }
                got = spreads[told or 1.0]
                assert got == pytest.approx(row["designed"]["spread"], rel=6e-3), where
                if told is None:
                    assert len({x for x in spreads.values() if x}) == 1, where
                elif told != 1.0:
                    others += 1
                    assert spreads[1.0] is None, where
                    assert got == min(x for x in spreads.values() if x), where
    assert others > 20


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        ("highpass-notch", "as designed, g = 2 at Q = 1, 10 at Q = 5, 40 at Q = 20: spread 2.25,"),
        ("lowpass-notch", "as designed, g = 4 at Q = 1, 20 at Q = 5, 60 at Q = 20: spread 4,"),
    ],
)
def test_the_list_says_the_gain_that_was_taken(
    kind: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Bainter notch: R6 asks g > Q of a high-pass notch, and g > Q*m^2 of a low-pass notch."""
    told = said(capsys, "catalog", "--kind", kind)
    assert words in told.partition("bainter-notch:")[2]
    assert words in said(capsys, "catalog", "bainter-notch")
    listed = ", ".join(f"{g:g}" for g in GAINS_ASKED[1:])
    assert f"as designed g is 1, or where the equations do not reach it that of {listed}" in told
    told = said(capsys, "catalog", "--help")
    assert listed.replace(", 0.1", " and 0.1") in told
    text = files("synth").joinpath("schema.json").read_text(encoding="utf-8")
    assert listed.replace(", 0.1", " and 0.1") in text


def test_one_gain_at_every_q_is_said_once(capsys: pytest.CaptureFixture[str]) -> None:
    listed = said(capsys, "catalog", "--kind", "highpass").partition("fliege-highpass:")[2]
    assert "as designed, g = 2: spread 1, 5, 20;" in listed
    told = said(capsys, "catalog", "fliege-highpass")
    assert "measured: as designed, g = 2, the spread of like parts" in told
    assert "as designed, g" not in said(capsys, "catalog", "tow-thomas-feed-forward")


def test_every_kind_of_a_stage_has_what_is_designed_or_says_why() -> None:
    """A stage without such a line has no design equations, as the list says."""
    for s in stages():
        for kind in s.kinds:
            figures = kept_figures(s, kind)
            if figures is None or not figures["at"] or any(r["designed"] for r in figures["at"]):
                continue
            assert figures["none"] or kind not in kept_designs(s), (s.name, kind)


def test_a_real_mode_and_a_pair_of_one_frequency_are_told_apart(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The real mode of a symmetrical twin-T lies at the frequency of its pair."""
    told = said(capsys, "catalog", "twin-t-notch-gain")
    heads = re.findall(r"measured: sensitivities of (.*?):", told)
    assert heads == [
        "the pair at 50.37 Hz",
        "Q of the pair at 50.37 Hz",
        "the real mode at 50.37 Hz",
    ]
