"""The generating set of the catalogue: what is written out as a graph, and what derives."""

from __future__ import annotations

from dataclasses import replace

import pytest

from synth.catalog import stage, stages
from synth.search.family import relations

BASE = [s for s in stages() if not s.base]
DERIVED = [s for s in stages() if s.base]


def test_no_stage_written_out_derives_from_another_by_two_steps() -> None:
    """The set is the smallest: each member is out of reach of all the others.

    Cascades start at any stage, so they are looked for among all.
    """
    assert relations(BASE) == []
    cascades = [r for r in relations(stages(), steps=0) if r.steps[0].startswith("cascade")]
    assert cascades
    assert not {r.stage for r in cascades} & {s.name for s in BASE}


def test_the_search_finds_what_is_stored() -> None:
    """Each derived stage is found again from its base alone, but for pairings of op amps."""
    missed = []
    for s in DERIVED:
        if any(step.startswith("pair-op-amps") for step in s.steps):
            continue
        behind = [stage(t.partition("=")[2]) for t in s.steps if t.startswith("cascade=")]
        found = relations([stage(s.base), s, *behind], steps=1)
        if not any(r.base == s.base and r.stage == s.name for r in found):
            missed.append(s.name)
    assert missed == []


def test_the_search_tells_a_stage_from_one_that_looks_like_it() -> None:
    """The low-pass with its input at the other end of the ladder is no lift of it."""
    one = stage("sallen-key-lowpass-gain")
    network = one.network.with_pins({("RA", "1"): "p"})
    other = replace(one, name="other", network=network)
    assert relations([one, other]) == []


@pytest.mark.parametrize(
    "name", ["fliege-notch", "deliyannis-bandpass", "bridged-t-resistor-bridge"]
)
def test_parts_of_a_derived_stage_come_from_its_base(name: str) -> None:
    s = stage(name)
    assert len(s.derivation) == len(s.steps)
    assert s.content != stage(s.base).content
    assert set(s.example) == {b.name for b in s.network.branches}
