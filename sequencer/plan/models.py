"""Plan, unit and bench as declared in TOML: every key, its type, its default. Pure.

Unknown keys are refused. Units are in the names. A plan names loads of the bench (`4R`); a unit speaks in ohms
only, so that one unit file fits every bench.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=80)]
Text = Annotated[str, Field(max_length=2000)]
FormatOne = Literal[1]

RoleName = Literal["generator", "digitiser", "supply", "load_switch", "thermometer"]
ROLES: tuple[RoleName, ...] = ("generator", "digitiser", "supply", "load_switch", "thermometer")
MeasurementName = Literal[
    "first_power", "bench_check", "output_offset", "idle_current", "gain", "output_power", "steady_efficiency", "soak",
    "protection",
]  # fmt: skip
ChannelName = Annotated[str, Field(pattern=r"^[A-Z]$")]
InputName = Annotated[str, Field(pattern=r"^ch[1-8]$")]
Wire = Literal[
    "output A", "output B", "leg A plus", "leg A minus", "rail",
    "shunt in the load return", "shunt in the supply lead", "input",
]  # fmt: skip


class Strict(BaseModel):
    """Frozen, no unknown keys, no silent conversion of text to numbers."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


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


class StageOptions(Strict):
    """What only some measurements ask. minutes: of `soak`. power_parts: of the full power, for `steady_efficiency`;
    the first one of them for `soak` (absent: 1/8).
    """

    minutes: Annotated[float, Field(gt=0, le=240)] = 45.0
    power_parts: Annotated[tuple[Annotated[float, Field(gt=0, le=1)], ...], Field(min_length=1)] | None = None


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
    options: StageOptions = StageOptions()


class Plan(Strict):
    format: FormatOne
    name: Name
    title: Text = ""
    label: Text = ""
    rest: Literal["normal", "quick"] = "normal"
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


# --- bench ----------------------------------------------------------------------------------------


class Ceiling(Strict):
    """Nothing may exceed these, whoever asks."""

    generator_vrms: Positive
    supply_v: Positive
    supply_a: Positive
    output_w: Positive | None = None
    burst_s: Annotated[float, Field(gt=0, le=10)] = 10.0  # a tone that nobody ends any more ends by its count
    energy_unit_j: Positive | None = None
    energy_load_j: Positive | None = None


class Role(Strict):
    address: Name
    dialect: Name
    identity: str = ""  # text that the reply must begin with
    serial: str = ""
    calibrated: date | None = None
    single_connection: bool = False
    channel: Annotated[int, Field(ge=1, le=8)] = 1
    reply_within_s: Positive = 2.0


class Input(Strict):
    """A digitiser input: probe factor and what it is worth. offset_uncertainty_v: at the connector, before the factor;
    half-width if `kind` is rectangular.
    """

    factor: Positive = 1.0
    gain_uncertainty_pct: NotNegative = 2.0
    offset_uncertainty_v: NotNegative = 0.002
    kind: Literal["rectangular", "normal"] = "rectangular"
    ohm: Positive | None = None  # of the shunt, where the input sees one


class Range(Strict):
    """A range of the digitiser. full_scale_v: largest magnitude at the input terminal, before the probe."""

    input: InputName | Literal["all"] = "all"
    full_scale_v: Positive
    gain_uncertainty_pct: NotNegative = 2.0
    kind: Literal["rectangular", "normal"] = "rectangular"
    corrected_on: date | None = None


class Load(Strict):
    close: tuple[str, ...] | dict[ChannelName, tuple[str, ...]]
    nominal_ohm: Positive
    ohm: dict[ChannelName, Positive]
    uncertainty_ohm: NotNegative = 0.01
    tempco_ppm_per_k: Finite = 0.0
    inductance_h: NotNegative = 0.0
    continuous_w: Positive
    burst_j: Positive
    burst_max_s: Positive = 10.0
    j_per_k: Positive | None = None  # of one channel's resistors; absent: worked out from burst_j
    kind: Literal["wirewound", "film"] = "wirewound"
    measured: date | None = None

    def contacts(self) -> tuple[str, ...]:
        """Every contact this load needs, in the file's order, each once."""
        if isinstance(self.close, dict):
            return tuple(dict.fromkeys(c for names in self.close.values() for c in names))
        return self.close

    def contacts_of(self, channel: str) -> tuple[str, ...]:
        """The contacts that put this load on one channel."""
        return self.close.get(channel, ()) if isinstance(self.close, dict) else self.close


class Bay(Strict):
    name: Name
    supply_contact: str | None = None
    input_contact: str | None = None
    output_contacts: tuple[str, ...] = ()
    remote_contact: str | None = None
    thermometer: dict[ChannelName, str] = Field(default_factory=dict)


class Lead(Strict):
    ohm: NotNegative = 0.0
    fuse_a: Positive | None = None


class Hardware(Strict):
    """Declared, never assumed."""

    load_thermostat: bool = False
    fuse_per_supply_lead: bool = False
    fireproof_base: bool = False
    supply_fuse_a: Positive | None = None
    cut_off: bool = False


class Simulated(Strict):
    """Only for dry runs: where the simulated truth lies. A real run ignores it."""

    truth: dict[str, str] = Field(default_factory=dict)
    world: str | None = None
    faults: str | None = None


class DigitiserDepth(Strict):
    samples_max: Annotated[int, Field(ge=1000)] = 100_000
    rates_hz: tuple[Positive, ...] = (1e5, 2e5, 5e5, 1e6, 2e6)
    bits: Annotated[int, Field(ge=6, le=24)] = 12


class Bench(Strict):
    format: FormatOne
    name: Name
    title: Text = ""
    supply_kind: Literal["regulated", "battery", "mains"] = "regulated"
    ceiling: Ceiling
    role: dict[RoleName, Role]
    wiring: dict[InputName, Wire]
    input: dict[InputName, Input] = Field(default_factory=dict)
    range: Annotated[tuple[Range, ...], Field(min_length=1)]
    digitiser: DigitiserDepth = DigitiserDepth()
    load: dict[Name, Load]
    bay: Annotated[tuple[Bay, ...], Field(min_length=1)]
    lead: dict[str, Lead] = Field(default_factory=dict)
    hardware: Hardware = Hardware()
    simulated: Simulated = Simulated()

    def input_for(self, wire: str) -> str | None:
        """The digitiser input wired to `wire`, or None."""
        return next((name for name, seen in self.wiring.items() if seen == wire), None)
