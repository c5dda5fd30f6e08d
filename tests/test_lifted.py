"""The closure of the catalogue over drives: the index, and the candidates made from it."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

import synth.search.lifted as lifted
from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.catalog import content_hash, stage
from synth.network.equivalence import equivalent
from synth.network.model import Branch, Network, Port
from synth.realisation.brief import Brief
from synth.realisation.realise import realise
from synth.search.candidates import SectionTarget, obstacle
from synth.target.responses import family_target
from synth.transform.merge import Merge
from synth.values.section import SectionFit, fit
from synth.values.series import CAPACITORS, RESISTORS

SHELVES = {"R": RESISTORS, "C": CAPACITORS}


def section(*numerator: float, q: float = 2.0, free: bool = True) -> SectionTarget:
    return SectionTarget(numerator, (1.0, 1 / q, 1.0), 1e4, free)


@pytest.mark.parametrize(
    ("numerator", "kind"),
    [
        ((1.0, 0.0, 0.0), "lowpass"),
        ((0.0, 0.0, -2.0), "highpass"),
        ((0.0, 0.3, 0.0), "bandpass"),
        ((2.0, 0.0, 2.0), "bandstop"),
        ((2.0, 0.0, 1.0), "lowpass-notch"),
        ((1.0, 0.0, 2.0), "highpass-notch"),
        ((1.0, -0.5, 1.0), "allpass"),
        ((1.0, 0.3, 1.0), ""),
        ((1.0, 0.0, -1.0), ""),
    ],
)
def test_kinds_of_sections(numerator, kind) -> None:
    assert lifted.kind_of(section(*numerator)) == kind


def test_patterns_of_a_known_loop() -> None:
    """The multiple-feedback band-pass gives notch and all-pass by its + input alone (Friend,
    Harris, Hilberman, IEEE Trans. CAS-22 (1975) 115-121), and no low-pass or high-pass."""
    found = lifted.build_index([stage("multiple-feedback-bandpass-no-attenuator")])
    plain = [p for p in found if p.chain == ""]
    assert {p.kind for p in plain} == {"bandpass", "bandstop", "allpass"}
    (notch,) = [p for p in plain if p.kind == "bandstop"]
    assert set(notch.whole) | set(notch.split) == {("R1", "1"), ("U1", "plus")}


def test_no_candidate_has_like_parts_in_parallel() -> None:
    """A part driven in part is a divider; beside another part to ground the two are one."""
    targets = [section(1.0, 0, 1.0), section(2.0, 0, 1.0)]
    found = [c for target in targets for c in lifted.candidates_for(target)]
    assert any(s.name == "merge" for c in found for s in c.steps)
    for c in found:
        places = [(b.power, frozenset(b.nodes)) for b in c.network.branches]
        assert len(places) == len(set(places)), c.label


def test_merged_parts_leave_the_response_alone() -> None:
    """Two resistors and two capacitors in parallel: R and C of the same admittance."""
    parts = (
        Branch("R1", 0, ("in", "a"), 1e4),
        Branch("R2", 0, ("a", "0"), 2e4),
        Branch("R3", 0, ("0", "a"), 3e4),
        Branch("C1", 1, ("a", "0"), 1e-9),
        Branch("C2", 1, ("a", "0"), 2e-9),
    )
    before = Network(parts, (), (Port("input", "in"),), (Port("output", "a"),))
    after, step = Merge().apply(before)
    assert dict(step.map) == {"R1": "R1", "R2": "R2", "R3": "R2", "C1": "C1", "C2": "C1"}
    assert {b.name: b.value for b in after.branches} == pytest.approx(
        {"R1": 1e4, "R2": 1.2e4, "C1": 3e-9}
    )
    f = np.geomspace(10, 1e6, 50)
    ways = [transfer(x, x.transfer()).response(f) for x in map(analyse, (before, after))]
    assert ways[0] == pytest.approx(ways[1], rel=1e-12)


def test_a_unity_gain_sallen_key_has_only_its_lowpass() -> None:
    found = lifted.build_index([stage("sallen-key-lowpass-unity")])
    assert {p.kind for p in found if p.chain == ""} == {"lowpass"}


def test_every_pattern_of_the_index_can_be_made() -> None:
    for kind, numerator in (("bandstop", (1.0, 0, 1.0)), ("highpass", (0, 0, 1.0))):
        target = section(*numerator)
        made = lifted.candidates_for(target)
        assert made
        assert all(c.order == 2 for c in made)
        usable = [c for c in made if not obstacle(c, target)]
        assert len(usable) == len(made), kind


def test_no_two_candidates_are_the_same_circuit() -> None:
    made = lifted.candidates_for(section(2.0, 0, 1.0))
    for k, a in enumerate(made):
        assert all(equivalent(a.network, b.network) is None for b in made[:k])


def test_a_lifted_candidate_with_values_has_the_numerator() -> None:
    target = section(2.0, 0.0, 1.0, q=3.0)
    made = lifted.candidates_for(target)
    single = [c for c in made if len(c.network.op_amps) == 1]
    fits = [f for f in (fit(c, target, SHELVES) for c in single) if isinstance(f, SectionFit)]
    assert fits
    best = min(fits, key=lambda f: f.choice.error)
    loop = analyse(best.candidate.network.with_values(best.choice.values))
    h = transfer(loop, loop.transfer())
    w = 1e4 * np.array([0.2, 0.9, 2.0, 5.0])
    x = 1j * w / 1e4
    wanted = best.gain * (2 + x**2) / (1 + x / 3 + x**2)
    assert h(1j * w) == pytest.approx(wanted, rel=0.02)


def test_the_index_is_kept_and_read_back(tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    lifted._index.cache_clear()
    first = lifted.index()
    (kept,) = (tmp_path / "groundswap").iterdir()
    assert content_hash() in kept.name
    lifted._index.cache_clear()
    monkeypatch.setattr(lifted, "build_index", lambda _: pytest.fail("built again"))
    assert lifted.index() == first
    lifted._index.cache_clear()


@pytest.mark.parametrize(
    "damage", ["", "{", "[1]", '[{"stage": "a", "chain": "evil", "kind": "lowpass"}]']
)
def test_a_damaged_cache_is_built_again(damage, tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    path = lifted._cache_file()
    path.parent.mkdir(parents=True)
    path.write_text(damage, encoding="utf-8")
    monkeypatch.setattr(lifted, "stages", lambda: (stage("sallen-key-lowpass-unity"),))
    lifted._index.cache_clear()
    assert {p.kind for p in lifted.index() if p.chain == ""} == {"lowpass"}
    assert isinstance(json.loads(path.read_text(encoding="utf-8")), list)
    lifted._index.cache_clear()


def test_a_folder_that_cannot_be_written_is_done_without(tmp_path, monkeypatch) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("no folder", encoding="utf-8")
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked))
    monkeypatch.setattr(lifted, "stages", lambda: (stage("sallen-key-lowpass-unity"),))
    lifted._index.cache_clear()
    assert lifted.index()
    lifted._index.cache_clear()


def test_an_elliptic_lowpass_needs_one_amplifier_a_section_with_lifts() -> None:
    """Sections of finite zeros take three amplifiers in two-integrator loops; a lifted
    single-amplifier loop has the same numerator, if its parts match."""
    target = family_target(
        "lowpass", "elliptic", 3, 1000.0, ripple_db=0.5, stop_attenuation_db=30.0
    )
    best = realise(Brief(target), top=3)[0]
    assert len(best.network.op_amps) <= 3
    assert best.meets
    loop = analyse(best.network)
    h = transfer(loop, loop.transfer())
    f = np.geomspace(100, 1000, 50)
    ripple = np.abs(h.response(f))
    assert 20 * math.log10(ripple.max()) < 0.4
    assert 20 * math.log10(ripple.min()) > -1.0
