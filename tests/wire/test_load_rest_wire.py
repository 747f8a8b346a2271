"""The loads' stop limit in whole nights, at a lower figure: hardly a plan that `check` lets pass comes to 90 degC.

The bench's 4R bears 120 W and has 100 J/K: 95 K / 120 W and a time constant of 79 s (its file, arithmetic).
Temperatures are worked out from the joules in the simulated world's journal.
"""

from __future__ import annotations

import math
import signal
from collections.abc import Mapping
from pathlib import Path
from unittest import mock

from sequencer.clock import RealClock
from sequencer.compose import DRY_START, DryRun, Rig, dry_run
from sequencer.errors import EXIT_DONE
from sequencer.ledger.store import Ledger
from sequencer.night import cooling
from sequencer.night.stamps import Stamps
from sequencer.resuming import begun
from sequencer.safety import load_rest
from simulators.bench import SimulatedBench
from simulators.world.journal import BurstRow
from tests.wire.safety_nights import FIRST, ROOT, SECOND, Case, Ended, night
from tests.wire.test_resume_wire import life

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


def warm(folder: Path, limit_c: float = LOWER_C, units: tuple[str, ...] = (FIRST,)) -> Ended:
    with mock.patch.object(load_rest, "WARM_C", limit_c):
        return night(folder / "night", PLAN, Case(), units, bench(folder))


def rises(bursts: list[BurstRow], channel: int) -> list[tuple[float, float]]:
    """(end in s, K above the room) of each burst, by x' = P / C - x / tau."""
    found, rise_k, at_s = [], 0.0, 0.0
    for burst in bursts:
        assert burst.cycles is not None
        begin_s, length_s = burst.start_ns / 1e9, burst.cycles / burst.frequency_hz
        rise_k *= math.exp(-(begin_s - at_s) / TAU_S)
        left = math.exp(-length_s / TAU_S)
        rise_k = rise_k * left + K_PER_W * burst.load_j[channel] / length_s * (1.0 - left)
        at_s = begin_s + length_s
        found.append((at_s, rise_k))
    return found


def hottest_c(bursts: list[BurstRow]) -> float:
    """At the end of a burst, of the hotter channel."""
    return ROOM_C + max(rise_k for channel in (0, 1) for _, rise_k in rises(bursts, channel))


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


def test_the_next_unit_finds_them_as_the_one_before_has_left_them(tmp_path: Path) -> None:
    both = warm(tmp_path, units=(FIRST, SECOND))
    assert {burst.serial for burst in both.bursts if max(burst.load_j) > 50.0} == {"MV-0131", "MV-0137"}
    assert hottest_c(both.bursts) <= LOWER_C + NEAR_K


def test_whenever_it_dies_the_disk_knows_them_to_be_that_hot(tmp_path: Path) -> None:
    """What was kept before each burst, cooled until its end, is no less than what the world put in, but for the 2 K
    below which a load counts as cold."""
    kept: list[Mapping[tuple[str, str], tuple[float, str]]] = []
    honest = Ledger.keep_load_heat

    def keep_load_heat(self: Ledger, heat: Mapping[tuple[str, str], tuple[float, str]]) -> None:
        kept.append(heat)
        honest(self, heat)

    with mock.patch.object(Ledger, "keep_load_heat", keep_load_heat):
        ended = warm(tmp_path, 90.0)
    start = Stamps(RealClock(), DRY_START)
    assert 2 <= len(kept) < len(ended.bursts)
    for channel, name in enumerate(("A", "B")):
        said = [((start.ns_of(heat[("4R", name)][1])) / 1e9, heat[("4R", name)][0]) for heat in kept]
        assert max(k for _, k in rises(ended.bursts, channel)) > 5.0
        for at_s, rise_k in rises(ended.bursts, channel):
            known_k = max((k * math.exp(-max(at_s - s, 0.0) / TAU_S) for s, k in said if s <= at_s + 0.1), default=0.0)
            assert rise_k <= max(known_k, load_rest.COLD_K) + NEAR_K


def test_who_goes_on_after_a_death_lets_them_cool_first(tmp_path: Path) -> None:
    """80 K above the room as it begins, where 65 K are allowed: no burst before tau ln(80 / 65). Were they cold, the
    first one would come after the unit's mute time, and nothing would be said."""
    (tmp_path / "plan.toml").write_text(PLAN)
    bench(tmp_path)
    died = life(tmp_path, "begin", "before 1", (FIRST,))
    said, _ = died.communicate(timeout=120.0)
    assert died.returncode == -signal.SIGKILL, said
    again = begun(tmp_path / "night", simulated=True)
    with Ledger(tmp_path / "night" / "ledger.sqlite") as ledger:
        left = ledger.load_heat()
        assert set(left) == {("4R", "A"), ("4R", "B")}
        assert all(kept_k > 5.0 for kept_k, _ in left.values())
        ledger.keep_load_heat(dict.fromkeys(left, (80.0, again.start.isoformat())))
    seen, lines = list[SimulatedBench](), list[str]()
    assert dry_run(DryRun(again=again, rig=Rig(watch=seen.append)), lines.append).exit_code == EXIT_DONE
    first_s = min(row.start_ns for row in seen[0].world.journal if isinstance(row, BurstRow)) / 1e9
    due_s = TAU_S * math.log(80.0 / 65.0)
    assert due_s - 0.1 <= first_s <= due_s + 1.0
    assert sum("the loads cool for" in line for line in lines) == 1
