"""Every process killed at once in the middle of a soak's burst: nobody is left to switch anything off, and the tone
ends by its count, within 10 s."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import time
from pathlib import Path

import pytest

from tests.processes.run_trial import Tail
from tests.processes.simulated import LIMIT_S, SHIPPED, UNPROVED, command, environment, simulated

pytestmark = pytest.mark.process

PLAN = """
format = 1
name = "soak"
rest = "quick"

[[stage]]
name = "soak"
measurement = "soak"
loads = ["8R"]
[stage.options]
minutes = 1.0
"""
MOST_S = 10.0  # of one counted burst, whatever a bench's file says
METER_S = 0.5  # what it takes to see it on the supply's meter: a window, and polling


def test_a_tone_never_outlives_ten_seconds(tmp_path: Path) -> None:
    """Seen from outside: the supply's amps fall back to those without signal. 10 s are common practice, no source."""
    (tmp_path / "plan.toml").write_text(PLAN)
    shipped = SHIPPED.with_name("ferry_workshop.toml")
    with simulated(tmp_path, shipped=shipped, unit="mv_0131") as bench, (tmp_path / "said.txt").open("wb") as said:
        tail = Tail(bench.log)
        words = ["run", str(tmp_path / "plan.toml"), "--bench", str(bench.bench), "--unit", "mv_0131"]
        words += ["--out", str(tmp_path / "night"), "--armed-by", "the workshop", *UNPROVED]
        run = subprocess.Popen(command(*words), stdout=said, stderr=subprocess.STDOUT, env=environment(tmp_path))
        try:
            since_ns = tail.await_ns("generator", "SOUR1:BURS:NCYC 10000", 0, lambda: run.poll() is None)
            fired_ns = tail.await_ns("generator", "*TRG", since_ns, lambda: run.poll() is None)
            time.sleep(1.0)
            guardian = int(re.findall(rb"guardian armed, process (\d+)", (tmp_path / "said.txt").read_bytes())[0])
            os.kill(guardian, signal.SIGKILL)
            run.kill()
            run.wait(LIMIT_S)
            with bench.talk("supply") as supply:
                driven_a = float(supply.ask("MEAS:ALL?").split(",")[1])
                while float(supply.ask("MEAS:ALL?").split(",")[1]) > driven_a / 2.0:
                    assert time.monotonic_ns() - fired_ns < 2 * MOST_S * 1e9
                    time.sleep(0.05)
                ended_s = (time.monotonic_ns() - fired_ns) * 1e-9
                assert supply.ask("OUTP?") == "1", "somebody was left to switch it off: this shows nothing of the tone"
        finally:
            run.kill()
            run.wait()
            tail.close()
    assert 2.0 < ended_s <= MOST_S + METER_S
