"""The rows of results, format 1: every key, its type and unit. Keys stay; more may come, each with a default.

`None` means "not seen" or "does not apply"; a number is never invented in its place. Units are in the names.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from sequencer.ledger.plain import RowRefused, plain

RunOutcome = Literal["finished", "stopped", "tripped", "unfinished"]
PointOutcome = Literal["measured", "not_measured", "tripped"]
StoppedBy = Literal[
    "thd", "thd_n", "burst_residual", "early_cycles", "limited", "generator_ceiling", "bench_ceiling",
    "supply_current_limit", "rail_moved", "protection", "temperature", "time_budget", "energy_budget",
    "person", "never_below", "floor", "not_repeatable",
]  # fmt: skip
Judgement = Literal["within", "outside", "not measured", "below floor"]
Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
Count = Annotated[int, Field(ge=0)]


class Row(BaseModel):
    """Strict types, finite numbers. Unknown keys are kept as they are: newer results stay readable."""

    model_config = ConfigDict(extra="allow", frozen=True, strict=True, allow_inf_nan=False)


class CycleRow(Row):
    """One cycle of a burst, counted from 1. rms_v is of the AC part; crests and offset in V at the unit."""

    number: int
    rms_v: float
    crest_pos_v: float
    crest_neg_v: float
    offset_v: float
    thd_pct: float | None = None


class ChannelRow(Row):
    """One output at the accepted level, in the shot that is the row. Bridged: values of the bridged load.

    power_w: true rms of the AC part over the measured load; power_at_limit_w: interpolated to the limit;
    peak_reading_power_w: (half the peak-to-peak)^2 / 2R; first_to_last_cycle_pct: change of rms in the burst.
    Expanded uncertainties at coverage_pct, with the coverage_factor computed for them.
    """

    channel: str
    bridged: bool = False
    load_ohm: float
    output_vrms: float
    crest_pos_v: float | None = None
    crest_neg_v: float | None = None
    offset_v: float | None = None
    power_w: float
    power_at_limit_w: float | None = None
    power_at_limit_expanded_uncertainty_w: float | None = None
    beyond_limit_power_w: float | None = None
    power_expanded_uncertainty_w: float | None = None
    coverage_factor: float | None = None
    coverage_pct: float = 95.0
    fundamental_power_w: float | None = None
    peak_reading_power_w: float | None = None
    channel_equivalent_ohm: float | None = None
    channel_equivalent_power_w: float | None = None
    thd_pct: float | None = None
    thd_floor_pct: float | None = None
    burst_residual_pct: float | None = None
    burst_residual_floor_pct: float | None = None
    first_to_last_cycle_pct: float | None = None
    cycle_rows: list[CycleRow] = Field(default_factory=list)


class RailRow(Row):
    """A supply rail during the row's shot; `seen` says how at_unit_v and amps came to be known."""

    rail: str
    at_unit_v: float | None = None
    at_supply_v: float | None = None
    amps: float | None = None
    seen: Literal["meter window", "burst trace", "not seen"] = "not seen"


class ShotRow(Row):
    """One shot of a search. output_vrms per channel, V at the unit."""

    level_vrms: float
    purpose: str
    distortion_pct: float | None = None
    floor_pct: float | None = None
    output_vrms: dict[str, float] = Field(default_factory=dict)


class ValueRow(Row):
    """One value of a measurement that is not a power: offset, idle current, noise and the like. low, high: limits of
    the unit's file that it was held against."""

    name: str
    channel: str | None = None
    value: float | None = None
    unit: str = ""
    expanded_uncertainty: float | None = None
    coverage_factor: float | None = None
    judgement: Judgement | None = None
    reason: str | None = None
    low: float | None = None
    high: float | None = None


class PointRow(Row):
    """One point of a plan and what came of it. The keys that a measurement has no use for are null or empty.

    cycles: length of the burst; steady: a long counted burst. record_s, sample_rate_hz: of the record behind the
    row; harmonics and band_hz: what thd_pct counts. energies: of all the point's shots. lowest_thd_*: where no
    level was within the limit. floor_note: what the bench's own floor forbids to say. resumed: measured by another
    process than the one that began the run.
    """

    id: str
    measurement: str
    outcome: PointOutcome
    reason: str | None = None
    load: str | None = None
    frequency_hz: float | None = None
    cycles: Count | None = None
    steady: bool = False
    supply_nominal_v: float | None = None
    channels_driven: list[str] = Field(default_factory=list)
    stopped_by: StoppedBy | None = None
    stopped_by_channel: str | None = None
    stop_limit: float | None = None
    level_vrms: float | None = None
    level_measured_vrms: float | None = None
    channels: list[ChannelRow] = Field(default_factory=list)
    rails: list[RailRow] = Field(default_factory=list)
    efficiency_pct: float | None = None
    heatsink_c: dict[str, float] = Field(default_factory=dict)
    start_heatsink_c: dict[str, float] = Field(default_factory=dict)
    shots: Count = 0
    energy_unit_j: float | None = None
    energy_load_j: float | None = None
    traces: list[str] = Field(default_factory=list)
    harmonics: Count | None = None
    band_hz: Pair | None = None
    record_s: float | None = None
    sample_rate_hz: float | None = None
    lowest_thd_pct: float | None = None
    lowest_thd_power_w: float | None = None
    floor_note: str | None = None
    shot_table: list[ShotRow] = Field(default_factory=list)
    values: list[ValueRow] = Field(default_factory=list)
    resumed: bool = False


class TripRow(Row):
    """A trip limit passed or an instrument failed: when, what, and was the bench confirmed safe after it.

    evidence: the watch's last seconds of readings before it, t_s counted back from the last. trace: the last shot.
    """

    time: str
    sentence: str
    cause: Literal["unit", "bench", "link"] | None = None
    point: str | None = None
    quantity: str | None = None
    value: float | None = None
    limit: float | None = None
    confirmed_safe: bool | None = None
    not_confirmed: list[str] = Field(default_factory=list)
    evidence: list[dict[str, Any]] = Field(default_factory=list)
    trace: str | None = None


class FindingRow(Row):
    """Something a person should know of the unit or the bench, and what to do next."""

    kind: str
    sentence: str
    point: str | None = None
    channel: str | None = None
    next_action: str | None = None


class UnitName(Row):
    serial: str
    model: str


class RedoneRow(Row):
    """A kept point done once more before a run went on, as proof or for its heat: no row of the results."""

    point: str
    measurement: str
    outcome: PointOutcome
    reason: str | None = None
    values: list[ValueRow] = Field(default_factory=list)


class ResumedRow(Row):
    """Another process went on with the run. time: RFC 3339. at_point: the first one not complete, null where all were.
    why: what is known of the end of the process before. guardian: what it did meanwhile, where it acted."""

    time: str
    at_point: str | None = None
    why: str
    guardian: str | None = None
    made_safe: list[str] = Field(default_factory=list)
    redone: list[RedoneRow] = Field(default_factory=list)


class RunHead(Row):
    """A run before its points. begun: RFC 3339. resumed: each time another process went on with it."""

    id: Annotated[str, Field(min_length=1, max_length=120)]
    plan: str
    plan_sha256: str
    unit: UnitName
    label: str = ""
    bench: str
    bench_sha256: str
    bay: str | None = None
    seed: int | None = None
    version: str
    begun: str
    resumed: list[ResumedRow] = Field(default_factory=list)


class RunRow(RunHead):
    """A run with everything known of it. ended: null while it has no end; outcome is then `unfinished`."""

    ended: str | None = None
    outcome: RunOutcome
    points: list[PointRow] = Field(default_factory=list)
    trips: list[TripRow] = Field(default_factory=list)
    findings: list[FindingRow] = Field(default_factory=list)


class Results(Row):
    """results.json. suspect: null, or why the numbers of the whole night are in doubt."""

    format: Literal[1]
    runs: list[RunRow]
    suspect: str | None = None


@dataclass(frozen=True)
class Message:
    """A message before it has its number: the ledger adds `id` and `seq` to the body when it keeps it."""

    topic: str
    body: Mapping[str, Any] = field(default_factory=dict)
    retain: bool = False


R = TypeVar("R", bound=Row)


def checked(kind: type[R], row: Mapping[str, Any] | Row) -> R:
    """`row` as `kind`. Raises RowRefused: each wrong key with its path, or the first number not finite."""
    given = row.model_dump() if isinstance(row, Row) else row
    try:
        return kind.model_validate(plain(given))
    except ValidationError as wrong:
        told = "; ".join(f"{'.'.join(map(str, e['loc'])) or 'row'}: {e['msg']}" for e in wrong.errors())
        raise RowRefused(f"{kind.__name__}: {told}") from None
