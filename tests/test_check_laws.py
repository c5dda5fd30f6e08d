"""Laws of the small-signal figures over the whole catalogue."""

from __future__ import annotations

import numpy as np
import pytest

from synth.catalog import Stage, stages
from synth.checking.figures import figures
from synth.checking.model import op_amp_model
from synth.transform.drive import Swap

MODEL = op_amp_model("general-purpose")
FAST = op_amp_model("fast-50mhz")
ACTIVE = [s for s in stages() if s.network.op_amps]
every_active = pytest.mark.parametrize("one", ACTIVE, ids=lambda s: s.name)


@every_active
def test_a_swap_leaves_noise_offset_poles_and_margins(one: Stage) -> None:
    """With the source at zero both are one network (design rule of the complement)."""
    network = one.circuit()
    if Swap().accepts(network):
        pytest.skip("not swapped")
    swapped, _ = Swap().apply(network)
    before = figures(network, MODEL, band_hz=(1.0, 1e6), predistort=False)
    after = figures(swapped, MODEL, band_hz=(1.0, 1e6), predistort=False)
    f = np.geomspace(1.0, 1e7, 40)
    np.testing.assert_allclose(after.noise.density(f), before.noise.density(f), rtol=1e-6)
    assert after.noise_vrms == pytest.approx(before.noise_vrms, rel=1e-6)
    if before.operating_point is not None:
        assert after.operating_point is not None
        worst = before.operating_point.output_worst_v
        assert after.operating_point.output_worst_v == pytest.approx(worst, rel=1e-6)
    np.testing.assert_allclose(
        sorted(map(abs, after.roots.all_poles)),
        sorted(map(abs, before.roots.all_poles)),
        rtol=1e-5,
    )
    margins = {m.op_amp: m.phase_margin_deg for m in before.margins}
    for m in after.margins:
        assert m.phase_margin_deg == pytest.approx(margins[m.op_amp], abs=0.05)
    assert after.defect_1pct_hz == pytest.approx(before.defect_1pct_hz, rel=1e-3)


@every_active
def test_exchanged_inputs_are_caught(one: Stage) -> None:
    """Of any single op amp of any stage."""
    network = one.circuit()
    for u in network.op_amps:
        moves = {(u.name, "plus"): u.minus, (u.name, "minus"): u.plus}
        try:
            found = figures(network.with_pins(moves), FAST, predistort=False)
        except ArithmeticError:
            continue
        assert not found.feedback.negative, u.name
        assert not found.stable or not found.feedback.negative


@every_active
def test_sound_stages_are_found_sound(one: Stage) -> None:
    found = figures(one.circuit(), FAST, predistort=False)
    assert found.feedback.negative
    assert found.stable
    assert found.bias_path == ()
    assert np.isfinite(found.noise_vrms)
    assert all(m.phase_margin_deg > 0 for m in found.margins)
    assert sum(c.share for c in found.noise.contributors) == pytest.approx(1)
