"""What a night asks of the C library's memory, and what it gives back when it is over."""

from __future__ import annotations

import ctypes
import gc
from contextlib import suppress

import numpy as np

BUFFER_VALUES = 3_000_000  # 24 MB: above any record, below what the C library keeps at most


def keep_buffers() -> None:
    """Until a large block has been freed once, the C library gives every record's memory back to the kernel, which
    then clears it page by page for the next one: dearer than the arithmetic on it.
    """
    np.empty(BUFFER_VALUES)


def give_back() -> None:
    """What a night left in circles is freed, and what was freed goes back to the kernel (malloc_trim(3)): the threads
    of a night leave arenas full of holes, and a process that runs night after night would grow by them. Other C
    libraries keep what they keep.
    """
    gc.collect()
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
