"""Filters of more than ten poles, realised and compared with what was wanted."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.signal

from synth.realisation.brief import Brief
from synth.realisation.realise import realise
from synth.target.responses import family_target
from synth.target.target import MEETS_DB
from tests import networks as oracle


@pytest.mark.parametrize(
    ("family", "order", "wanted"),
    [
        ("butterworth", 14, lambda: scipy.signal.butter(14, 1, analog=True, output="zpk")),
        pytest.param(
            "butterworth",
            20,
            lambda: scipy.signal.butter(20, 1, analog=True, output="zpk"),
            marks=pytest.mark.slow,
        ),
        ("chebyshev", 12, lambda: scipy.signal.cheby1(12, 0.5, 1, analog=True, output="zpk")),
        ("bessel", 12, lambda: scipy.signal.bessel(12, 1, analog=True, output="zpk", norm="mag")),
    ],
)
def test_the_whole_does_what_was_wanted(family, order, wanted) -> None:
    """By nodal analysis of our own, against scipy's poles; gain 1 at the largest."""
    options = {"ripple_db": 0.5} if family == "chebyshev" else {}
    target = family_target("lowpass", family, order, 1000.0, **options)
    (r, *_) = realise(Brief(target), top=1)
    assert r.meets
    assert sum(s.order for s in r.stages) == order
    assert len(r.network.op_amps) <= order / 2
    zeros, poles, gain = wanted()
    f = np.geomspace(50.0, 3000.0, 60)
    s = 1j * f / 1000
    exact = gain * np.prod(s[:, None] - zeros, axis=1) / np.prod(s[:, None] - poles, axis=1)
    got = np.array([oracle.transfer(r.network, 2j * np.pi * x) for x in f])
    high = np.abs(exact) > 0.01 * np.abs(exact).max()
    level = 20 * np.log10(np.abs(got[high]) / np.abs(exact[high]))
    shift = 0.25 if family == "chebyshev" else 0.0  # an even order starts at the foot of its ripple
    assert np.abs(level - np.median(level[: len(level) // 2])).max() <= 2 * MEETS_DB + shift
    assert np.abs(got[~high]).max(initial=0.0) <= 0.02 * np.abs(got).max()
