"""What is kept beside the stage files: design equations and figures, measured again here."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import sympy

from synth.analysis.amplifier import Amplifier, same_everywhere
from synth.analysis.loop import analyse, law_holds
from synth.analysis.numbers import modes, transfer
from synth.analysis.real import real_system
from synth.catalog import package_stages, stage, stages
from synth.errors import ExpressionError, StageWarning
from synth.generators import kept
from synth.generators.bandwidth import gain_bandwidth
from synth.generators.equations import KINDS, LOW_QS, _in_numbers, designed
from synth.generators.figures import figures
from synth.generators.kept import (
    EQUATIONS,
    FIGURES,
    derived_circuits,
    entry,
    kept_designs,
    kept_figures,
)
from synth.generators.smallest import Search
from synth.network.equivalence import equivalent, shape_key, without_parallels
from synth.report.measured import _law, measured_remarks
from synth.stage_file import Stage
from synth.transfer.design import worked_out

SECOND = [s for s in stages() if s.order == 2 and set(s.kinds) & set(KINDS)]
DESIGNED = [(s.name, kind) for s in stages() for kind in kept_designs(s)]
W0, C = 2 * math.pi * 1e3, 10e-9
#: Powers of s that the numerator of a kind does not have.
ABSENT = {"lowpass": (1, 2), "bandpass": (0, 2), "highpass": (0, 1)}


# -- design equations ------------------------------------------------------------------------------


def test_every_stage_has_an_entry_of_its_present_content() -> None:
    """`python -m synth.generators` writes them."""
    for s in stages():
        assert entry(EQUATIONS, s) is not None, s.name
        assert entry(FIGURES, s) is not None, s.name


def test_every_kind_of_every_second_order_stage_has_design_equations() -> None:
    missing = {
        (s.name, kind)
        for s in SECOND
        for kind in s.kinds
        if kind in KINDS and kind not in kept_designs(s)
    }
    assert missing == set()


def test_a_choice_without_a_positive_solution_is_left_before_it_is_solved() -> None:
    x, y = (sympy.Symbol(n, positive=True) for n in "xy")
    assert _in_numbers([x * y - 6, x + y - 5], (x, y), 1.0)
    assert not _in_numbers([x * y - 6, x + y - 4], (x, y), 1.0)
    assert not _in_numbers([x - 2, sympy.Integer(1)], (x,), 1.0)


def points(kind: str, name: str, low: bool) -> Iterator[dict[str, float]]:
    zero = {"lowpass-notch": 1.6, "highpass-notch": 1 / 1.4}.get(kind, 1.0)
    for q in LOW_QS if low else (0.7, 1.3, 8.0):
        for gain in (0.3, 1.0, 1.7, 4.0, 9.0):
            yield {"w0": W0, "Q": q, "g": gain, "C": C, "m": zero}


def measured(s: Stage, values: dict[str, float]) -> tuple[complex, np.ndarray, np.ndarray]:
    """A mode, and N and D, by evaluating H(s) at three points: no coefficient is read off."""
    loop = analyse(s.network.with_values({b.name: values[b.name] for b in s.network.branches}))
    h = transfer(loop, loop.transfer())
    found = modes(loop)
    d = np.real(np.poly(found))[::-1]  # ascending, monic
    at = 1j * W0 * np.array([0.4, 1.1, 2.3])
    values_n = np.array([h(x) for x in at]) * np.polyval(d[::-1], at)
    matrix = np.array([[1, x, x * x] for x in at])
    n = np.linalg.solve(matrix, values_n)
    assert np.abs(n.imag).max() <= 1e-6 * np.abs(n).max()
    return found[0], n.real, d


def gain_of(kind: str, n: np.ndarray, d: np.ndarray) -> float:
    if kind == "peaking":
        return float(n[1] / d[1] * d[2] / n[2])
    place = {"lowpass": 0, "lowpass-notch": 0, "bandpass": 1}.get(kind, 2)
    return abs(float(n[place] / d[place]))


@pytest.mark.parametrize(("name", "kind"), DESIGNED)
def test_design_equations_give_what_is_asked_for(name: str, kind: str) -> None:
    """Poles by the eigenvalues of the network, gain and zeros by values of H."""
    s, design = stage(name), kept_designs(stage(name))[kind]
    reached = 0
    for low in (False, True):
        for given in points(kind, name, low) if not reached or low else ():
            try:
                values = worked_out(design.rows, given)
            except ValueError:
                continue
            if any(values[b.name] <= 0 for b in s.network.branches):
                continue
            reached += 1
            mode, n, d = measured(s, values)
            assert math.sqrt(d[0]) == pytest.approx(W0, rel=1e-6)
            assert math.sqrt(d[0]) / d[1] == pytest.approx(given["Q"], rel=1e-6)
            assert abs(mode) == pytest.approx(W0, rel=1e-6) or mode.imag == 0
            size = np.abs(n) / W0 ** (2 - np.arange(3))
            assert all(size[k] < 1e-6 * size.max() for k in ABSENT.get(kind, ()))
            if kind in ("bandstop", "lowpass-notch", "highpass-notch"):
                assert size[1] < 1e-6 * size.max()
                assert math.sqrt(n[0] / n[2]) == pytest.approx(W0 * given["m"], rel=1e-6)
            if kind == "allpass":
                assert np.allclose(n / n[2], d * [1, -1, 1], rtol=1e-6)
            if kind != "general":
                wanted = given["g"]
                if design.gain:
                    wanted = worked_out((*design.rows, ("gain", design.gain)), given)["gain"]
                assert gain_of(kind, n, d) == pytest.approx(wanted, rel=1e-6)
    assert reached >= 2, f"{name}: {design}"


@pytest.mark.parametrize(
    ("name", "kind"),
    [("multiple-feedback-bandpass", "bandpass"), ("fliege-notch", "bandstop")],
)
def test_design_equations_are_computed_again(name: str, kind: str) -> None:
    assert designed(stage(name), kind) == kept_designs(stage(name))[kind]


def test_the_multiple_feedback_bandpass_is_designed_as_in_print() -> None:
    """R2 = Q/(pi f C), R1 = R2/(2 |A|), R3 = Q/(2 pi f C (2 Q^2 - |A|)): R. Mancini (ed.), Op Amps
    for Everyone, Texas Instruments, 2002, sec. 16.5.1.2 (from memory)."""
    s = stage("multiple-feedback-bandpass")
    given = {"w0": W0, "Q": 4.0, "g": 3.0, "C": C, "m": 1.0}
    r2 = 4.0 / (math.pi * 1e3 * C)
    wanted = {"R2": r2, "R1": r2 / 6, "R3": 4.0 / (2 * math.pi * 1e3 * C * (32 - 3))}
    for rows in (kept_designs(s)["bandpass"].rows, tuple(s.design.items())):
        found = worked_out(rows, given)
        assert {k: found[k] for k in wanted} == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize("text", ["__import__('os')", "R9 + 1", "1/(Q - Q)", "sqrt(Q"])
def test_design_equations_are_read_and_never_run(text: str) -> None:
    with pytest.raises(ExpressionError):
        worked_out((("R1", text),), {"Q": 1.0})


def test_a_root_of_a_negative_number_is_out_of_reach() -> None:
    with pytest.raises(ValueError, match="a root is taken of -3"):
        worked_out((("t1", "sqrt(1 - 4*Q^2)"),), {"Q": 1.0})


# -- figures ---------------------------------------------------------------------------------------


def test_known_figures_of_known_circuits() -> None:
    """Equal-resistor Sallen-Key: C ratio 4 Q^2 (condition of its file), S(Q) to a part 1/2;
    multiple-feedback and unity-gain stages need about 19 Q f0 (20 Q: common practice)."""
    found = kept_figures(stage("sallen-key-lowpass-unity"))
    assert found is not None
    assert found["parts"] == 5
    assert found["capacitors"] == 2
    for row in found["at"]:
        assert row["spread"] == pytest.approx(4 * row["q"] ** 2, rel=0.01)
        assert row["q_sensitivity"] == pytest.approx(0.5, rel=0.01)
        assert row["f0_sensitivity"] == pytest.approx(0.5, rel=0.01)
        assert row["gain_bandwidth"] == pytest.approx(19 * row["q"], rel=0.06)


def test_figures_of_a_sample_are_computed_again() -> None:
    for name in (
        "multiple-feedback-bandpass",
        "bainter-notch",
        "first-order-lowpass",
        "deliyannis-bandpass",
    ):
        s = stage(name)
        again, kept = figures(s, kept_designs(s))[s.kinds[0]], kept_figures(s)
        assert kept is not None
        rows = [(again, kept), *zip(again["at"], kept["at"], strict=True)]
        rows += [(a["designed"] or {}, b["designed"] or {}) for a, b in rows[1:]]
        for now, then in rows:
            assert set(now) == set(then)
            for key in set(now) - {"at", "designed"}:
                assert (now[key] is None) == (then[key] is None)
                if isinstance(now[key], str):
                    assert now[key] == then[key], f"{name}, {key}"
                elif now[key] is not None:
                    assert now[key] == pytest.approx(then[key], rel=0.02), f"{name}, {key}"


def test_the_gain_bandwidth_is_where_f0_is_off_by_five_per_cent() -> None:
    """An inverting first-order low-pass with A(s) = wt/s: with the sum of currents at the minus
    input, s^2*C1/wt + s*(C1 + (1/R1 + 1/R2)/wt) + 1/R2 = 0 has its poles."""
    s = stage("first-order-lowpass-inverting")
    circuit = s.circuit()
    v = circuit.values
    needed = gain_bandwidth(circuit)
    assert needed is not None
    ratio, limit = needed
    assert limit == "f0"
    p0 = 1 / (v["R2"] * v["C1"])
    wt = ratio * p0
    poles = np.roots([v["C1"] / wt, v["C1"] + (1 / v["R1"] + 1 / v["R2"]) / wt, 1 / v["R2"]])
    assert min(abs(poles)) == pytest.approx(0.95 * p0, rel=2e-3)


def test_the_limit_says_whether_f0_is_off_or_the_circuit_oscillates() -> None:
    """Tow-Thomas with equal C and R: every integrator's lag and the inverter's take 4 f0/ft from
    1/Q, so that it oscillates below 4 Q f0 (L. C. Thomas, IEEE Trans. Circuit Theory CT-18 (1971)
    350-361, from memory): at Q = 20 about 80 f0, where f0 is hardly off."""
    found = kept_figures(stage("tow-thomas-bandpass"))
    assert found is not None
    assert found["kind"] == "bandpass"
    row = found["at"][2]["designed"]
    assert row["limit"] == "oscillation"
    assert row["gain_bandwidth"] == pytest.approx(80, rel=0.05)
    circuit = stage("tow-thomas-bandpass").circuit()
    c = circuit.values["C1"]
    r = 1 / (W0 * c)
    equal = dict.fromkeys(("R2", "R3", "R5", "R6"), r) | {"R1": 20 * r, "R4": 20 * r, "C2": c}
    circuit = circuit.with_values(equal)
    for factor, stable in ((0.97, False), (1.03, True)):
        ft = row["gain_bandwidth"] * factor * W0
        system = real_system(circuit, same_everywhere(circuit, Amplifier(ft)))
        poles = system.modes(W0)
        assert (max(p.real for p in poles) < 0) == stable
        assert min(abs(abs(p) / W0 - 1) for p in poles) < 0.03


def test_figures_where_one_of_three_modes_cancels() -> None:
    """Twin-T notch with gain: Q = 1/(2*(2 - K)), K = 1 + RB/RA, of its conditions, so that Q goes
    with RB as 2*Q - 1; R3 = R1/2 and C3 = 2*C1 of a balanced twin-T spread by 2."""
    found = kept_figures(stage("twin-t-notch-gain"))
    assert found is not None
    assert [row["designed"]["equations"] for row in found["at"]] == ["published"] * 3
    for row in found["at"]:
        assert row["spread"] == pytest.approx(2, rel=0.01)
        assert row["q_sensitivity"] == pytest.approx(max(1.5, 2 * row["q"] - 1), rel=0.02)


@pytest.mark.parametrize(
    ("name", "q"), [("twin-t-notch-follower", 5.0), ("twin-t-notch-gain", 5.0)]
)
def test_values_of_smallest_spread_make_the_kind_of_second_order(name: str, q: float) -> None:
    """H of the network at many points is that of a notch with this Q and a gain of one size."""
    q = 5.0
    found = Search(stage(name), "bandstop").smallest(q)
    assert found is not None
    loop = analyse(found.network)
    h = transfer(loop, loop.transfer())
    for x in (0.2, 0.9, 1.05, 1.3, 4.0):
        s = 1j * x
        wanted = (s * s + 1) / (s * s + s / q + 1)
        assert abs(h(s * W0)) == pytest.approx(abs(h(1e-3j * W0)) * abs(wanted), rel=1e-5)


def test_why_there_are_no_figures_is_said() -> None:
    """Resistors and capacitors alone have real modes (a fact of circuit theory); a gain of 3 around
    a Wien network that is not fed back leaves them."""
    for name in ("twin-t", "twin-t-buffered", "wien-network", "wien-amplifier", "rc-cr-bandpass"):
        found = kept_figures(stage(name))
        assert found is not None
        assert found["none"] == "real poles only, so that Q stays below 0.5", name
    for s in stages():
        for kind in s.kinds:
            found = kept_figures(s, kind)
            assert found is not None
            reached = any(row["spread"] or row["designed"] for row in found["at"])
            assert reached == (found["none"] is None), f"{s.name}, {kind}"


def test_figures_are_those_of_the_kind_asked_for() -> None:
    """Feed-forward Tow-Thomas: the all-pass has RG = Q/2 where the band-stop has RG = Q, so that
    its values spread less."""
    s = stage("tow-thomas-feed-forward")
    notch, allpass = kept_figures(s), kept_figures(s, "allpass")
    assert notch is not None
    assert allpass is not None
    assert (notch["kind"], allpass["kind"]) == ("bandstop", "allpass")
    assert allpass["at"][1]["spread"] < notch["at"][1]["spread"]
    for kind, zero in (("lowpass-notch", 1.5), ("highpass-notch", 0.667)):
        found = kept_figures(s, kind)
        assert found is not None
        assert found["notch"] == zero
    assert kept_figures(s, "lowpass") is None


def test_a_power_law_is_told_only_where_the_figures_follow_it() -> None:
    assert _law([(1, 2.0), (5, 50.0), (20, 800.0)]) == "grows as Q^2.0"
    assert _law([(1, 1.0), (5, 1.05), (20, 1.0)]) == "hardly depends on Q"
    assert _law([(1, 32.1), (5, 24.3), (20, 148.0)]) == "is"  # not monotone
    assert _law([(1, 37.5), (5, 44.2), (20, 71.6)]) == "grows as Q^0.2"  # it doubles
    assert _law([(1, 20.0), (5, 21.0), (20, 90.0)]) == "is"  # monotone, and no power of Q
    assert _law([(1, 1.0), (5, 3.0)]) == "is"  # two figures fit any


def test_derived_circuits_without_a_name_are_lifts_with_figures() -> None:
    """Each is made again from its steps; its modes are those of its loop; none is a stage."""
    found = derived_circuits("bandstop", 2, 1)
    assert len(found) > 10
    others = [without_parallels(s.network) for s in stages()]
    for c in found:
        assert kept_figures(c) is not None, c.name
        assert c.base in {s.name for s in stages()}
        pairs = [(b.power, frozenset(b.nodes)) for b in c.network.branches]
        assert len(set(pairs)) == len(pairs), c.name  # like parts in parallel are one
        key = shape_key(c.network)
        assert not any(shape_key(o) == key and equivalent(c.network, o) for o in others), c.name
        assert law_holds(analyse(c.network))
        others.append(c.network)
    kept = {c.name for c in derived_circuits(None, None, None)}
    assert {c.name for c in found} < kept


def test_a_derived_circuit_and_its_figures_are_computed_again() -> None:
    circuit = next(
        c for c in derived_circuits("bandstop", 2, 1) if c.base == "sallen-key-lowpass-gain"
    )
    again, kept = figures(circuit, {})[circuit.kinds[0]], kept_figures(circuit)
    assert kept is not None
    for now, then in zip(again["at"], kept["at"], strict=True):
        assert now["spread"] == pytest.approx(then["spread"], rel=0.02)
        assert now["gain_bandwidth"] == pytest.approx(then["gain_bandwidth"], rel=0.02)


def test_remarks_are_measured() -> None:
    """The Tow-Thomas Q is set by R1 alone (L. C. Thomas, IEEE Trans. Circuit Theory CT-18 (1971)
    350-361, from memory); the spread of the equal-resistor Sallen-Key grows as Q^2."""
    assert "trims Q and leaves f0: R1 (moves the gain)" in measured_remarks(
        stage("tow-thomas-bandpass")
    )
    told = measured_remarks(stage("sallen-key-lowpass-unity"))
    assert any("spread" in t and "grows as Q^2.0" in t for t in told)
    assert any("Q hardly" in t or "hardly depends" in t for t in told)
    none = "no figures at Q = 1, 5, 20: real poles only, so that Q stays below 0.5"
    assert none in measured_remarks(stage("wien-network"))


def test_what_a_trimmer_moves_besides_is_said() -> None:
    """C1*C2 sets f0 of the notch, and C1 + C2 is part of its balance; the summed notch of the
    state-variable filter has the frequency of its zeros in the summing resistors."""
    told = {
        n: " ".join(measured_remarks(stage(n))) for n in ("friend-notch", "state-variable-notch")
    }
    assert "C1 (moves" in told["friend-notch"] or "C1 (fills the notch)" in told["friend-notch"]
    assert "fills the notch" in told["friend-notch"]
    assert "moves the zeros against f0" in told["state-variable-notch"]


def test_every_stage_with_parts_has_a_measured_remark() -> None:
    """R and C set the corner of an RC low-pass as 1/(R*C), and R2/R1 the gain of an amplifier."""
    assert {s.name for s in stages() if not measured_remarks(s)} <= {"voltage-follower"}
    told = measured_remarks(stage("first-order-lowpass-inverting"))
    assert any(t.startswith("sensitivities of the real mode") and "R2 -1, C1 -1" in t for t in told)
    told = measured_remarks(stage("inverting-amplifier"))
    assert any("sensitivities of the gain: " in t and "R2 1" in t and "R1 -1" in t for t in told)


def test_figures_that_belong_to_other_content_are_not_shown() -> None:
    from dataclasses import replace

    assert kept_figures(replace(stage("twin-t"), content="another")) is None
    assert kept_designs(replace(stage("fliege-notch"), content="another")) == {}


def test_an_entry_changed_by_hand_is_left_out_and_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = (package_stages() / FIGURES).read_text(encoding="utf-8")
    assert '"gain_bandwidth": 78.4' in text
    changed = text.replace('"gain_bandwidth": 78.4', '"gain_bandwidth": 7.84')
    (tmp_path / FIGURES).write_text(changed, encoding="utf-8")
    before = kept.read(FIGURES)
    monkeypatch.setattr(kept, "package_stages", lambda: tmp_path)
    with pytest.warns(StageWarning, match=r"figures\.json was changed by hand"):
        after = kept.read(FIGURES)
    assert "tow-thomas-bandpass" in before.keys() - after.keys()
    assert "twin-t" in after
