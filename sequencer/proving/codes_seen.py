"""What codes of a converter betray when the signal is a known sine: still bits, bytes the wrong way. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

SMOOTHER = 2.0  # times: as bytes the wrong way round make a sine at least rougher (our own choice)


def still_bits(codes: NDArray[Any], step: int, bits: int) -> tuple[int, ...]:
    """Bits of the converter, 0 the least, that are the same in every sample. The sine must sweep most of the range."""
    words = np.asarray(codes, dtype=np.int64) // step
    ones, alike = int(np.bitwise_and.reduce(words)), int(np.bitwise_or.reduce(words))
    return tuple(k for k in range(bits) if not (alike >> k) & 1 or (ones >> k) & 1)


def roughness(codes: NDArray[Any]) -> float:
    """Mean step between neighbours over the swing: small for a sine that is sampled finely, a third for noise."""
    values = np.asarray(codes, dtype=np.float64)
    swing = float(values.max() - values.min())
    return float(np.abs(np.diff(values)).mean() / swing) if swing > 0.0 else 0.0


def bytes_swapped(payload: bytes, element: str, order: str) -> bool:
    """Whether samples of 16 bits are much smoother with their bytes the other way round."""
    if element not in ("u16", "i16") or len(payload) < 64:
        return False
    kind = element[0] + "2"
    told, other = ("<", ">") if order == "little" else (">", "<")
    whole = payload[: len(payload) // 2 * 2]
    as_told, turned = (np.frombuffer(whole, dtype=mark + kind) for mark in (told, other))
    return roughness(as_told) > SMOOTHER * roughness(turned) > 0.0


def told_bits(still: Sequence[int], bits: int) -> str:
    """ "bit 3 of 12 (0 the least) never changes"."""
    names = ", ".join(str(k) for k in still)
    word = "bit" if len(still) == 1 else "bits"
    change = "changes" if len(still) == 1 else "change"
    return f"{word} {names} of {bits} (0 the least) never {change}"
