"""Night after night in one process: memory, descriptors and threads as the kernel counts them (proc(5)).

NIGHTRAMP_NIGHTS says how many (10; by hand 30).
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.process
NIGHTS, MORE_AT_MOST = int(os.environ.get("NIGHTRAMP_NIGHTS", "10")), 1.05

SEVERAL = """
import os, sys, shutil, threading
from pathlib import Path
from sequencer.compose import DryRun, dry_run

for number in range(1, int(sys.argv[2]) + 1):
    out = Path(sys.argv[1]) / "night"
    done = dry_run(DryRun(plan="demo", seed=number, out=out), lambda line: None)
    assert done.exit_code == 0, done.text
    shutil.rmtree(out)
    lines = Path("/proc/self/status").read_text().splitlines()
    kept_kb = next(int(line.split()[1]) for line in lines if line.startswith("RssAnon"))
    print(kept_kb, len(os.listdir("/proc/self/fd")), threading.active_count(), flush=True)
"""


def test_a_process_does_not_grow_with_its_nights(tmp_path: Path) -> None:
    """RssAnon after night 2 and after the last: below +5 %; descriptors and threads the same after each."""
    done = subprocess.run(
        [sys.executable, "-P", "-c", SEVERAL, str(tmp_path), str(NIGHTS)], capture_output=True, text=True, timeout=900
    )
    assert done.returncode == 0, done.stderr
    nights = [tuple(map(int, line.split())) for line in done.stdout.splitlines()]
    assert len(nights) == NIGHTS
    print(f"memory after night 2: {nights[1][0]} kB, after night {NIGHTS}: {nights[-1][0]} kB")
    assert nights[-1][0] < MORE_AT_MOST * nights[1][0]
    assert len({night[1:] for night in nights}) == 1, "descriptors or threads were left behind"
