"""Plan, unit and bench as declared in TOML: every key, its type, its default. Pure.

Unknown keys are refused. Units are in the names. A plan names loads of the bench (`4R`); a unit speaks in ohms
only, so that one unit file fits every bench.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from sequencer.plan.models_base import (
    BY_HAND,
    OPTIONAL_ROLES,
    ROLES,
    ChannelName,
    Finite,
    FormatOne,
    InputName,
    MeasurementName,
    Name,
    NotNegative,
    Positive,
    RoleName,
    Strict,
    Text,
)
from sequencer.plan.models_bench import (
    Bay,
    Bench,
    Ceiling,
    CutOff,
    Hardware,
    Input,
    InterlockContact,
    Lead,
    Load,
    Meter,
    Prove,
    Range,
    Role,
    Simulated,
)

__all__ = [
    "BY_HAND",
    "OPTIONAL_ROLES",
    "ROLES",
    "Bay",
    "Bench",
    "Ceiling",
    "ChannelName",
    "CutOff",
    "Fingerprint",
    "Finite",
    "Hardware",
    "Heat",
    "IdleCurrent",
    "Input",
    "InputName",
    "InterlockContact",
    "Lead",
    "Load",
    "MeasurementName",
    "Meter",
    "Name",
    "NotNegative",
    "OutputOffset",
    "Plan",
    "Positive",
    "Prove",
    "Range",
    "Rating",
    "Role",
    "RoleName",
    "Simulated",
    "Stage",
    "StopLimit",
    "Strict",
    "SupplyRange",
    "Text",
    "Unit",
    "UnitChannel",
    "UnitLimit",
]

# --- plan -----------------------------------------------------------------------------------------


class StopLimit(Strict):
    """Where a ramp ends. One value or several per quantity; several are searched highest first."""

    thd_pct: Positive | tuple[Positive, ...] | None = None
    thd_n_pct: Positive | tuple[Positive, ...] | None = None
    harmonics: Annotated[int, Field(ge=2, le=50)] = 20
    band_hz: tuple[Positive, Positive] = (20.0, 20000.0)
    any_cycle_factor: Positive = 3.0
    rail_sag_pct: Positive = 10.0


class Budget(Strict):
    """What one point may cost at most; absent: not limited beyond the bench's and the unit's ceilings."""

    time_s: Positive | None = None
    shots_per_point: Annotated[int, Field(ge=3)] = 60
    energy_unit_j: Positive | None = None
    energy_load_j: Positive | None = None


LEVELS_DB = (-30.0, -27.0, -24.0, -21.0, -18.0, -15.0, -12.0, -9.0, -6.0, -4.0, -2.0, -1.0, -0.5, -0.1)


class StageOptions(Strict):
    """What only some measurements ask. minutes: of `soak` (absent: 45), `precondition` (60), `load_check` (3),
    `endurance` (240, of work). power_parts: of the full power, for `steady_efficiency`;
    the first one of them for `soak` (absent: 1/8), those of `intermodulation` (absent: 1/2); for `thd_by_frequency` of
    the rated power (absent: 1/2), beside its powers_w. levels_db: of `thd_by_level`, dB re the level of the limit found
    before. tone_pairs: of `intermodulation`.
    """

    minutes: Annotated[float, Field(gt=0, le=240)] | None = None
    power_parts: Annotated[tuple[Annotated[float, Field(gt=0, le=1)], ...], Field(min_length=1)] | None = None
    powers_w: tuple[Positive, ...] = (1.0,)
    levels_db: Annotated[tuple[Annotated[float, Field(ge=-80, lt=0)], ...], Field(min_length=2)] = LEVELS_DB
    tone_pairs: Annotated[tuple[Literal["modulation", "difference"], ...], Field(min_length=1)] = (
        "modulation",
        "difference",
    )
    mains_hz: Annotated[float, Field(ge=45, le=65)] = 50.0  # of noise, whose hum it is
    capacitors_nf: tuple[Annotated[float, Field(gt=0, le=10_000)], ...] = (10.0, 100.0, 1000.0)  # of stability
    power_cycles: Annotated[int, Field(ge=1, le=200)] = 3  # of turn_on: so many times off and on; of endurance too
    dropout_db: Annotated[float, Field(ge=0.2, le=20)] = 1.0  # of endurance (common practice, no source), and the next
    offset_jump_v: Annotated[float, Field(gt=0, le=3)] = 0.02
    small_gain_db: Annotated[float, Field(gt=0, le=20)] = 0.5
    small_power_w: Positive = 1.0  # of response, balance, crosstalk, impedance, endurance; at most 1/8 of the rating
    second_load: Name | None = None  # of output_impedance; absent: the bench's one of the next lower ohms


class Stage(Strict):
    """The product loads x frequencies x drives x supply volts for one measurement.

    Without loads (not for `output_power`): the bench's load of highest ohms.
    """

    name: Name
    measurement: MeasurementName
    loads: tuple[Name, ...] = ()
    frequencies_hz: Annotated[tuple[Positive, ...], Field(min_length=1)] = (1000.0,)
    drives: Annotated[tuple[str, ...], Field(min_length=1)] = ("20 cycles",)
    supply_v: tuple[Positive, ...] | None = None  # absent: the unit's nominal
    channels: Literal["all", "each"] | tuple[ChannelName, ...] = "all"
    stop_limit: StopLimit = StopLimit(thd_pct=1.0)
    resolution_db: Annotated[float, Field(ge=0.02, le=1.0)] = 0.05
    confirm: Annotated[int, Field(ge=1, le=9)] | None = None  # absent: 3 for bursts
    after_trip: Literal["next unit", "stop", "cool and retry once"] = "next unit"
    thermal: tuple[Literal["cold", "hot", "any"], ...] = ("any",)
    keep_traces: Annotated[int, Field(ge=0, le=100)] = 2
    wait: Literal["cold", "warm", "after drive", "cooled"] = "cold"  # of idle_current and output_offset
    by_hand: Annotated[str, Field(max_length=200)] = ""  # what a person sets before it; nobody there: not measured
    options: StageOptions = StageOptions()


class Plan(Strict):
    format: FormatOne
    name: Name
    title: Text = ""
    label: Text = ""
    rest: Literal["normal", "quick"] = "normal"
    method: Name | None = None  # a published method the sheet compares this plan with; a shipped name or a path
    reference: Literal["none", "first and last"] = "none"  # the first unit given is measured again at the end
    budget: Budget = Budget()
    limits: dict[str, Finite] = Field(default_factory=dict)
    stage: Annotated[tuple[Stage, ...], Field(min_length=1)]


# --- unit -----------------------------------------------------------------------------------------


class SupplyRange(Strict):
    min: Positive
    nominal: Positive
    max: Positive


class UnitChannel(Strict):
    name: ChannelName
    live_terminal: Literal["plus", "minus", "both"] = "plus"
    output_rail_v: Positive | None = None  # expected clip, volts peak at the load
    inverted: bool = False
    gain_db: Finite | None = None


class IdleCurrent(Strict):
    window_a: tuple[NotNegative, NotNegative] | None = None


class OutputOffset(Strict):
    within_v: Positive = 0.02


class Rating(Strict):
    """Power never without load, supply, THD, channels driven and cycles (0: steady)."""

    load_ohm: Positive
    supply_v: Positive
    power_w: Positive
    thd_pct: Positive = 1.0
    channels_driven: Annotated[int, Field(ge=1)] = 2
    cycles: Annotated[int, Field(ge=0)] = 0


class UnitLimit(Strict):
    output_crest_v: Positive | None = None
    power_w: Positive | None = None
    energy_per_burst_j: Positive | None = None


class Fingerprint(Strict):
    """As last measured, by which a unit in a bay is known: so that two serials are not taken for each other."""

    gain_db: dict[ChannelName, Finite] = Field(default_factory=dict)
    idle_a: NotNegative | None = None
    standby_a: NotNegative | None = None


class Heat(Strict):
    stop_c: Finite = 75.0
    trip_c: Finite = 85.0


class Unit(Strict):
    format: FormatOne
    serial: Name
    model: Name
    front_end: Literal["converter", "linear", "mains"]
    output_class: Literal["AB", "B", "D", "H"]
    supply_v: SupplyRange
    gain_db: Finite
    output_rail_v: Positive | None = None  # for every channel that does not say its own
    standby_a_max: NotNegative = 0.01
    minimum_load_ohm: Positive
    lower_loads_ohm_for_bursts: tuple[Positive, ...] = ()
    bridged: bool = False
    remote_line: bool = False
    settings: Text = "as found"
    bleed_s: Positive = 10.0
    mute_s: NotNegative = 3.0
    passband_hz: tuple[Positive, Positive] = (20.0, 20000.0)
    coupling_hz: NotNegative = 0.0  # slowest corner; 0: coupled for DC
    input_max_vrms: Positive = 4.0
    heatsink_j_per_k: Positive = 1500.0  # of one channel's
    heatsink_k_per_w: Positive | None = None  # of one channel's to the air, mounted as it should be
    supply_a_max: Positive = 30.0
    supply_fuse_a: Positive = 30.0
    channel: Annotated[tuple[UnitChannel, ...], Field(min_length=1)]
    idle_current: IdleCurrent = IdleCurrent()
    output_offset: OutputOffset = OutputOffset()
    rating: tuple[Rating, ...] = ()
    limit: UnitLimit = UnitLimit()
    heat: Heat = Heat()
    fingerprint: Fingerprint = Fingerprint()

    def channel_names(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.channel)
