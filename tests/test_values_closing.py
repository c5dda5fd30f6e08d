"""Two variables together against every point of a grid."""

from __future__ import annotations

import numpy as np
import pytest

from synth.values.closing import Band, crossings


def values(h: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return h[0, 0] + h[1, 0] * x + h[0, 1] * y + h[1, 1] * x * y


@pytest.mark.parametrize("seed", range(40))
def test_no_point_between_the_bands_is_lost(seed: int) -> None:
    generator = np.random.default_rng(seed)
    x, y = np.geomspace(0.5, 20, 400), np.geomspace(0.5, 20, 400)
    grid = np.meshgrid(x, y, indexing="ij")
    rows, width = 12, 10 ** generator.uniform(-3, -1)
    bands = []
    at = generator.choice(x, (2, rows)), generator.choice(y, (2, rows))
    for _ in range(3):
        top, under = generator.normal(size=(2, 2, 2, rows)) * generator.choice([0, 1, 1], (4,))[
            :, None
        ].reshape(2, 2, 1)
        under = np.abs(under)
        under[0, 0] += 0.1
        middle = values(top, at[0][0], at[1][0]) / values(under, at[0][0], at[1][0])
        low, high = middle - width * np.abs(middle), middle + width * np.abs(middle)
        bands.append(Band(top - low * under, high * under - top))
    found = crossings(bands, np.full(rows, x[0]), np.full(rows, x[-1]))
    taken = np.zeros((rows, len(x)), dtype=bool)
    for k, low, high in zip(*found, strict=True):
        taken[k] |= (x >= low * (1 - 1e-9)) & (x <= high * (1 + 1e-9))
    for k in range(rows):
        meets = np.ones(grid[0].shape, dtype=bool)
        for band in bands:
            for h in band:
                meets &= values(h[..., k], *grid) >= 0
        assert not (meets.any(axis=1) & ~taken[k]).any()


def test_a_sum_and_a_product_leave_two_places() -> None:
    """x + y = 5 and x*y = 4 within 0.1 %: x near 1 or 4."""
    h = np.zeros((2, 2, 1))
    total, product, one = h.copy(), h.copy(), h.copy()
    total[1, 0] = total[0, 1] = product[1, 1] = one[0, 0] = 1.0
    bands = [
        Band(p - 0.999 * c * one, 1.001 * c * one - p) for p, c in ((total, 5.0), (product, 4.0))
    ]
    found = crossings(bands, np.array([0.1]), np.array([40.0]))
    assert len(found.parent) == 2
    np.testing.assert_allclose((found.low + found.high) / 2, [1, 4], rtol=0.01)
    assert (found.high / found.low < 1.02).all()
