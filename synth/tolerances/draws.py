"""Random circuits: a stream of part values that depends on the seed and nothing else.

Circuits come in blocks of fixed size; block k has a generator of its own, the counter-based
Philox seeded by (seed, k), so it is the same circuit number 70 000 whatever the size of the
chunks, the number of workers or the number of circuits asked for.

Source: J. K. Salmon, M. A. Moraes, R. O. Dror, D. E. Shaw, Parallel random numbers: as easy as
1, 2, 3, SC'11 (2011) (from memory).
"""

from __future__ import annotations

import numpy as np

from synth.tolerances.spread import Array, Distribution, Ranges

#: Circuits in a block; arrays of circuits are handled a block at a time.  Not a multiple of 512:
#: rows 4096 bytes apart share a cache set, and the matrix product then takes three times as long.
BLOCK = 1000


def draw(ranges: Ranges, seed: int, block: int) -> Array:
    """Return the values of a block of circuits over the nominal ones, (BLOCK, parts).

    Parameters
    ----------
    ranges : Ranges
    seed : int
        Not negative.
    block : int
        Number of the block, from 0.
    """
    sequence = np.random.SeedSequence(seed, spawn_key=(block,))
    generator = np.random.Generator(np.random.Philox(sequence))
    shape = (BLOCK, len(ranges.names))
    values = 1 + ranges.tolerance * _units(ranges.distribution, generator, shape)
    if ranges.drift.any():
        warmth = generator.uniform(ranges.low_k, ranges.high_k, size=(BLOCK, 1))
        signs = np.where(generator.random(size=shape) < 0.5, -1.0, 1.0)
        values *= 1 + ranges.drift * np.where(ranges.common, 1.0, signs) * warmth
    return np.asarray(values)


def _units(
    distribution: Distribution, generator: np.random.Generator, shape: tuple[int, int]
) -> Array:
    """Return draws in [-1, 1]."""
    if distribution.shape == "uniform":
        return generator.uniform(-1.0, 1.0, size=shape)
    found = generator.standard_normal(size=shape)
    outside = np.abs(found) > distribution.sigmas
    while outside.any():
        found[outside] = generator.standard_normal(size=int(outside.sum()))
        outside = np.abs(found) > distribution.sigmas
    return np.asarray(found / distribution.sigmas)
