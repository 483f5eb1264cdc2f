"""
Random numbers that depend on seed, name and index only, so that a run may be cut anywhere.

Each block of numbers has its own counter-based generator (Philox), keyed by a hash.
"""

from __future__ import annotations

import hashlib

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
BLOCK = 4096


def generator(seed: int, name: str, index: int = 0) -> np.random.Generator:
    """The generator of one block `index` of the stream `name`."""
    digest = hashlib.blake2b(f"{seed}/{name}/{index}".encode(), digest_size=16).digest()
    return np.random.Generator(np.random.Philox(key=np.frombuffer(digest, np.uint64)))


def normal(seed: int, name: str, first: int, count: int) -> Floats:
    """
    Standard normal numbers `first` to `first + count` of the stream `name`, shape (count,).

    `first` may be negative; any cut of a range gives the same numbers.
    """
    return _stretch(seed, name, first, count, uniform=False)


def uniform(seed: int, name: str, first: int, count: int) -> Floats:
    """Numbers in [0, 1) by index, as `normal`; take another name for independent ones."""
    return _stretch(seed, name, first, count, uniform=True)


def _stretch(seed: int, name: str, first: int, count: int, *, uniform: bool) -> Floats:
    if count <= 0:
        return np.empty(0)
    blocks = range(first // BLOCK, (first + count - 1) // BLOCK + 1)
    drawn = []
    for block in blocks:
        source = generator(seed, name, block)
        drawn.append(source.random(BLOCK) if uniform else source.standard_normal(BLOCK))
    skip = first - blocks.start * BLOCK
    return np.concatenate(drawn)[skip : skip + count]


def autoregressive(seed: int, name: str, count: int, correlation: float) -> Floats:
    """
    AR(1) noise of unit variance from index 0: x[i] = ρ·x[i-1] + √(1 - ρ²)·e[i], shape (count,).
    """
    shocks = normal(seed, name, 0, count) * np.sqrt(1 - correlation**2)
    values = np.empty(count)
    value = float(normal(seed, f"{name}/start", 0, 1)[0])
    for i, shock in enumerate(shocks.tolist()):
        value = correlation * value + shock
        values[i] = value
    return values
