"""Masks and tables from Python."""

import numpy as np
import pytest

import synth


def test_compare_realise_and_check():
    mask = synth.mask_from_text("0 1k within 0.5 dB\n3k inf <= -30 dB")
    found = synth.compare_responses(mask, ["chebyshev", "butterworth"])
    assert [c.name for c in found.candidates] == ["chebyshev", "butterworth"]
    circuits = synth.realise_mask(mask, ["butterworth"], top=1)
    assert circuits[0].kept
    assert all(r.kept for r in synth.check_mask(mask, found.candidates[0].target.transfer))


def test_tables_and_delays():
    target = synth.target_for("lowpass", "1kHz", family="legendre", order=3)
    f = np.geomspace(100, 1e4, 40)
    table = synth.ResponseTable(f, np.abs(target.transfer.response(f)), None)
    fit = synth.fit_table(table, 3)
    assert fit.error_db < 1e-3
    flat = synth.flatten_delay(target, [synth.DelayLimit(0, 900, 0.05)])
    assert flat.transfer.order > 3
    same = synth.flatten_delay(target, [synth.DelayLimit(0, 100, 0.05)])
    assert same == target
    with pytest.raises(synth.SynthError, match="all-pass"):
        synth.flatten_delay(target, [synth.DelayLimit(0, 5e4, 0.0001)])
