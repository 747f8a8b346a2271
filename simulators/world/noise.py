"""Chance that depends on what is read and when, never on how often others read.

One shared random stream would let every extra poll shift all later noise; here each reading draws from a
stream of its own, keyed by (seed, whose, when).
"""

from __future__ import annotations

import hashlib
import math

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]

_ONE = float(2**53)


def _digest(seed: int, parts: tuple[object, ...]) -> bytes:
    return hashlib.blake2b("|".join(map(str, (seed, *parts))).encode(), digest_size=16).digest()


def uniform(seed: int, *parts: object) -> float:
    """One number of [0, 1), equal for equal arguments."""
    return (int.from_bytes(_digest(seed, parts)[:8], "little") >> 11) / _ONE


def around_zero(seed: int, *parts: object) -> float:
    """One number of [-1, 1), evenly spread."""
    return 2.0 * uniform(seed, *parts) - 1.0


def normal(seed: int, *parts: object) -> float:
    """One standard normal number (method of Box and Muller)."""
    digest = _digest(seed, parts)
    u = ((int.from_bytes(digest[:8], "little") >> 11) + 1) / _ONE
    v = (int.from_bytes(digest[8:], "little") >> 11) / _ONE
    return math.sqrt(-2.0 * math.log(u)) * math.cos(2.0 * math.pi * v)


def normals(count: int, seed: int, *parts: object) -> Samples:
    """`count` standard normal numbers."""
    key = int.from_bytes(_digest(seed, parts), "little")
    return np.random.Generator(np.random.Philox(key=key)).standard_normal(count)
