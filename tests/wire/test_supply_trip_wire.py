"""The supply's own over-voltage trip in whole nights: the lesser of what bench and unit bear, by the simulators' log.

1.1 x the bench's 31.2 V is 34.32 V; a unit that bears 26 V gets 28.6 V (arithmetic, from the two files).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.errors import EXIT_DONE, EXIT_TRIPPED
from simulators.bench import SimulatedBench
from tests.wire.safety_nights import FIRST, FRONT, SECOND, Case, Ended, Mishap, night

PLAN = """
format = 1
name = "idle"
rest = "quick"
[[stage]]
name = "idle"
measurement = "idle_current"
"""
MOST_V = 31.2  # of bench and of the units as shipped
LESS_V = 26.0
LESS = {f"max = {MOST_V}": f"max = {LESS_V}"}
STEP_V = 0.001  # of the supply's programming page


def trips_when_on(ended: Ended) -> list[float]:
    """The trip as it stood whenever the output came on, V."""
    found, trip_v = [], 0.0
    for said in ended.said:
        if said.front != FRONT["supply"]:
            continue
        if said.message.startswith("VOLT:PROT "):
            trip_v = float(said.message.removeprefix("VOLT:PROT "))
        if said.message == "OUTP ON":
            found.append(trip_v)
    return found


@pytest.mark.parametrize("lesser", [FIRST, SECOND])
def test_each_unit_has_its_own(lesser: str, tmp_path: Path) -> None:
    """In both orders: it goes down for the unit that bears less, and up again after it."""
    ended = night(tmp_path, PLAN, Case(own={lesser: LESS}))
    assert ended.done.exit_code == EXIT_DONE, ended.done.text
    wanted = [1.1 * (LESS_V if unit == lesser else MOST_V) for unit in (FIRST, SECOND)]
    assert trips_when_on(ended) == pytest.approx(wanted, abs=1.01 * STEP_V)
    assert all(at <= limit for at, limit in zip(trips_when_on(ended), wanted, strict=True))


def test_it_is_set_anew_after_a_trip(tmp_path: Path) -> None:
    """After a unit tripped all instruments are prepared again, which leaves the bench's own trip behind."""

    def breaks(bench: SimulatedBench, now_ns: int) -> None:
        bench.panels["thermometer"].broken.add("301")  # type: ignore[attr-defined]

    ended = night(tmp_path, PLAN, Case(own={SECOND: LESS}, mishaps=(Mishap("supply", "MEAS:ALL?", 8, breaks),)))
    assert ended.done.exit_code == EXIT_TRIPPED
    assert trips_when_on(ended) == pytest.approx([1.1 * MOST_V, 1.1 * LESS_V], abs=1.01 * STEP_V)
