"""What a first look comes to, in one sentence: may the unit be rated, must it be repaired, or left without power. Pure.

Of a run as the results have it: its outcome, its rows, its trips, its findings.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sequencer.measurements.gravity import Gravity, gravity, weighed
from sequencer.plan.estimate_distortion import MEASUREMENTS as DISTORTION
from sequencer.plan.estimate_response import MEASUREMENTS as RESPONSE

Row = Mapping[str, Any]

HEALTHY = "healthy enough to rate"
REPAIR = "repair first, because "
LEAVE_OFF = "do not power"
OPEN = "not answered, because "

# A plan with one of these asks for more than a look.
RATING = frozenset({"soak", "endurance", "protection", "steady_efficiency", *DISTORTION, *RESPONSE})
LADDER_CYCLES, LADDER_HZ = 20, 1000.0  # the bursts of a first look
UNDRIVEN = frozenset(
    {"first_power", "bench_check", "terminal_scan", "output_offset", "idle_current", "idle_adjustment"}
)  # without signal, or 50 mV
ESSENTIAL = ("first_power", "output_offset", "idle_current", "output_power")
BY_DISTORTION = frozenset({"thd", "thd_n", "burst_residual", "limited", "early_cycles", "protection"})
ENDS = {"unfinished": "the run has no end", "stopped": "a person stopped it"}


def is_first_look(run: Row) -> bool:
    """By what was measured: first power and bench check, and at most bursts of 20 cycles at 1 kHz. A run that a trip
    ended may lack the rest."""
    rows = run["points"]
    measured = {row["measurement"] for row in rows}
    begun = {"first_power", "bench_check"} <= measured or ("first_power" in measured and bool(run.get("trips")))
    return begun and not measured & RATING and all(map(_of_the_ladder, rows))


def _of_the_ladder(row: Row) -> bool:
    if row["measurement"] != "output_power":
        return True
    return row.get("cycles") == LADDER_CYCLES and row.get("frequency_hz") == LADDER_HZ and not row.get("steady")


def answer(run: Row) -> str:
    """One sentence, without its full stop. What may burn comes before what makes the bench doubtful, that before
    faults, and faults before what was not measured."""
    found = weighed(run.get("findings") or ())
    for told in (_danger(run, found), _doubt(run, found), _fault(run, found), _missing(run)):
        for sentence in told:
            return sentence
    return HEALTHY


Weighed = Sequence[tuple[int, int, Row]]


def _danger(run: Row, found: Weighed) -> Iterator[str]:
    """Shorted, held down by the supply, far too much without signal, a trip without signal."""
    of_point = {row["id"]: row["measurement"] for row in run["points"]}
    for _, _, one in found:
        undriven = one["kind"] == "no drive" and of_point.get(one.get("point")) != "output_offset"
        if undriven or one["kind"] == "do not power":  # an offset too large to drive is no danger by itself
            yield f"{LEAVE_OFF}: {_told(one)}"
    for trip in _trips(run, "unit"):
        if of_point.get(trip.get("point"), "first_power") in UNDRIVEN:
            yield f"{LEAVE_OFF}: {_plain(trip['sentence'])}"


def _doubt(run: Row, found: Weighed) -> Iterator[str]:
    yield from (OPEN + _told(f) for _, _, f in found if gravity(f["kind"]) == Gravity.DOUBTFUL)
    yield from (OPEN + _plain(t["sentence"]) for t in (*_trips(run, "bench"), *_trips(run, "link")))


def _fault(run: Row, found: Weighed) -> Iterator[str]:
    yield from (REPAIR + _told(f) for _, _, f in found if gravity(f["kind"]) != Gravity.NOTED)
    yield from (REPAIR + _plain(trip["sentence"]) for trip in run.get("trips") or ())


def _missing(run: Row) -> Iterator[str]:
    """An early end, a measurement that is not there, a row without its number, a ramp that something else ended."""
    if (end := ENDS.get(run["outcome"])) is not None:
        yield OPEN + end
    for measurement in ESSENTIAL:
        rows = [row for row in run["points"] if row["measurement"] == measurement]
        if not rows:
            yield f"{OPEN}nothing was measured of: {measurement.replace('_', ' ')}"
        yield from (OPEN + why for row in rows if (why := _why(row)))


def _why(row: Row) -> str | None:
    """Why this row leaves a question open; None where it does not."""
    where = f"{row['load']}, " if row.get("load") and row["measurement"] == "output_power" else ""
    where += str(row["measurement"]).replace("_", " ")
    if row["outcome"] != "measured":
        return f"{where} was not measured: {_plain(row.get('reason') or 'no reason kept')}"
    ended = row.get("stopped_by")
    if row["measurement"] == "output_power" and ended not in BY_DISTORTION:
        return f"{where} was not raised to its limit: ended by {str(ended).replace('_', ' ')}"
    return None


def _trips(run: Row, cause: str) -> list[Row]:
    return [trip for trip in run.get("trips") or () if (trip.get("cause") or "unit") == cause]


def _told(finding: Row) -> str:
    channel = finding.get("channel")
    return (f"channel {channel}: " if channel else "") + _plain(finding["sentence"])


def _plain(sentence: str) -> str:
    return str(sentence).rstrip(". ")
