"""The start of the command against that of a bare interpreter, or of one that imports what a night stands on."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from typing import Any

from tests.benchmarks.table import Row, median_s


def rows() -> list[Row]:
    def run(*arguments: str) -> Callable[[], Any]:
        return lambda: subprocess.run([sys.executable, "-P", *arguments], check=True, capture_output=True)

    bare = 1e3 * median_s(run("-c", "pass"))
    libraries = 1e3 * median_s(run("-c", "import numpy, pydantic, pyvisa, structlog"), 5)
    helped = 1e3 * median_s(run("-m", "sequencer", "--help"))
    checked = 1e3 * median_s(run("-m", "sequencer", "check", "first", "--unit", "ferry_pa_60"), 5)
    return [
        Row("start", "--help", helped, "ms", "a bare interpreter", bare),
        Row("start", "check first", checked, "ms", "import of numpy, pydantic, pyvisa, structlog", libraries),
    ]
