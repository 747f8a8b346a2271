"""The whole analysis of a burst against one rfft of its samples."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MOST = 7.5  # x one rfft: six is aimed at; 5.2 was measured on one machine, 6.3 to 6.6 on another


@pytest.mark.process
def test_the_whole_analysis_against_one_rfft() -> None:
    """100,000 samples, per-cycle table included, one BLAS thread, in a process of its own. The best of five rounds of
    medians: other work on the machine can only add. The floor is checked to be the warm one, without page faults."""
    one = {name: "1" for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")}
    done = subprocess.run(
        [sys.executable, "-P", "-m", "tests.benchmarks.speed"],
        cwd=ROOT,
        env={**os.environ, **one, "PYTHONPATH": str(ROOT)},
        check=True,
        capture_output=True,
        text=True,
        timeout=120,
    )
    rounds = json.loads(done.stdout)
    assert min(each["faults"] for each in rounds) < 5.0
    assert min(each["ratio"] for each in rounds) <= MOST, rounds
