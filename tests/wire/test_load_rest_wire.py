"""The loads' stop limit in whole nights, at a lower figure: hardly a plan that `check` lets pass comes to 90 degC.

The bench's 4R bears 120 W and has 100 J/K: 95 K / 120 W and a time constant of 79 s (its file, arithmetic).
Temperatures are worked out from the joules in the simulated world's journal.
"""

from __future__ import annotations

import math
from pathlib import Path
from unittest import mock

from sequencer.errors import EXIT_DONE
from sequencer.night import cooling
from sequencer.safety import load_rest
from simulators.world.journal import BurstRow
from tests.wire.safety_nights import FIRST, ROOT, Case, Ended, night

LOWER_C, ROOM_C = 29.5, 25.0
K_PER_W, J_PER_K = 95.0 / 120.0, 100.0
TAU_S = K_PER_W * J_PER_K
NEAR_K = 0.1  # a hundredth of the watts of a shot, and what the gain of the unit's file is off

PLAN = """
format = 1
name = "warm loads"
rest = "quick"
[[stage]]
name = "steady"
measurement = "output_power"
loads = ["4R"]
drives = ["steady 2 s"]
stop_limit = { thd_pct = 3.0 }
resolution_db = 0.3
confirm = 1
"""


def bench(folder: Path) -> str:
    head, load = (ROOT / "sequences" / "benches" / "ferry_workshop.toml").read_text().split('[load."4R"]')
    load = load.replace("continuous_w = 300.0", f"continuous_w = 120.0\nj_per_k = {J_PER_K}", 1)
    path = folder / "ferry_workshop.toml"
    path.write_text(f'{head}[load."4R"]{load}')
    return str(path)


def warm(folder: Path, limit_c: float = LOWER_C) -> Ended:
    with mock.patch.object(load_rest, "WARM_C", limit_c):
        return night(folder / "night", PLAN, Case(), (FIRST,), bench(folder))


def hottest_c(bursts: list[BurstRow]) -> float:
    """x' = P / C - x / tau at the end of each burst, of the hotter channel."""
    most_k = 0.0
    for channel in (0, 1):
        rise_k, at_s = 0.0, 0.0
        for burst in bursts:
            assert burst.cycles is not None
            begin_s, length_s = burst.start_ns / 1e9, burst.cycles / burst.frequency_hz
            rise_k *= math.exp(-(begin_s - at_s) / TAU_S)
            left = math.exp(-length_s / TAU_S)
            rise_k = rise_k * left + K_PER_W * burst.load_j[channel] / length_s * (1.0 - left)
            at_s, most_k = begin_s + length_s, max(most_k, rise_k)
    return ROOM_C + most_k


def test_they_rest_before_the_burst_that_would_take_them_beyond(tmp_path: Path) -> None:
    (tmp_path / "free").mkdir()
    free, rested = warm(tmp_path / "free", 90.0), warm(tmp_path)
    assert hottest_c(free.bursts) > LOWER_C + 1.0
    assert hottest_c(rested.bursts) <= LOWER_C + NEAR_K
    assert rested.done.exit_code == free.done.exit_code == EXIT_DONE
    assert rested.done.bench_s > free.done.bench_s
    (point,) = rested.runs[0]["points"]
    assert point["outcome"] == "measured"


def test_where_they_would_need_too_long_the_point_is_not_measured(tmp_path: Path) -> None:
    with mock.patch.object(cooling, "LOADS_COOL_AT_MOST_S", 1.0):
        ended = warm(tmp_path)
    (point,) = ended.runs[0]["points"]
    assert (point["outcome"], point["stopped_by"]) == ("not_measured", None)
    assert point["reason"].startswith("temperature: this burst would take the loads beyond")
    assert hottest_c(ended.bursts) <= LOWER_C + NEAR_K
    assert (ended.runs[0]["outcome"], ended.done.exit_code) == ("finished", EXIT_DONE)
    assert ended.is_off
