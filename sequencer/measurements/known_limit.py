"""What earlier points of a unit say of its limit, and what its file rates it at: where a loud burst may go. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.measurements.values import ValueJob
from sequencer.plan.models import Rating
from sequencer.plan.ratings import rating_for

NO_ROW = "no power was measured before at this load and frequency with these channels: nothing says what is full"
BY_A_LIMIT = ("thd", "thd_n", "burst_residual")  # only then was it all the power that the unit has


@dataclass(frozen=True)
class Known:
    """The unit's own row that says what full power is. output_vrms: by channel, at level_vrms."""

    level_vrms: float
    output_vrms: Mapping[str, float]
    words: str


def known_limit(job: ValueJob, frequency_hz: float | None) -> Known | None:
    """Of this load, frequency, supply and these channels: the steady row, else that of the longest burst.

    frequency_hz None: whatever the frequency, the nearest to 1 kHz first.
    """
    point = job.point
    fitting = [
        row
        for row in job.around.earlier
        if row.get("measurement") == "output_power"
        and row.get("outcome") == "measured"
        and row.get("level_vrms")
        and row["load"] == point.load
        and row["supply_nominal_v"] == point.supply_v
        and frequency_hz in (None, row["frequency_hz"])
        and set(row["channels_driven"]) == set(point.channels)
    ]
    if not fitting:
        return None

    def nearness(row: Mapping[str, float]) -> tuple[float, bool, float, float]:
        away = abs(math.log(row["frequency_hz"] / 1000.0)) if frequency_hz is None else 0.0
        return -away, bool(row["steady"]), row["cycles"], -row["stop_limit"]

    best = max(fitting, key=nearness)
    words = f"steady, point {best['id']}" if best["steady"] else f"{best['cycles']} cycles, point {best['id']}"
    if best.get("stopped_by") not in BY_A_LIMIT:
        words += f", which ended by {str(best.get('stopped_by')).replace('_', ' ')}"
    outputs = {one["channel"]: float(one["output_vrms"]) for one in best["channels"]}
    return Known(float(best["level_vrms"]), outputs, words)


def rating_of(job: ValueJob) -> Rating | None:
    """The rating that speaks for the point."""
    point, around = job.point, job.around
    return rating_for(around.unit, around.bench.load[point.load].nominal_ohm, point.supply_v, len(job.channels))


def rated_w(job: ValueJob) -> tuple[Mapping[str, float], str] | None:
    """The same as full power by channel, W, and its basis in words; None: nothing is rated there."""
    rating = rating_of(job)
    if rating is None:
        return None
    words = f"of the {rating.power_w:g} W its file rates into {rating.load_ohm:g} ohm"
    return {c.name: rating.power_w for c in job.channels}, words
