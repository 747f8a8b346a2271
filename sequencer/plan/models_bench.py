"""The bench as declared in TOML: every key, its type, its default. Pure. Units are in the names."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from sequencer.plan.models_base import (
    OPTIONAL_ROLES,
    ROLES,
    ChannelName,
    Finite,
    FormatOne,
    InputName,
    Name,
    NotNegative,
    Positive,
    RoleName,
    Strict,
    Text,
    Wire,
)


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
    contact_ohm: NotNegative = 0.0  # half-width, from one closing to the next
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
    input_contacts: dict[ChannelName, str] = Field(default_factory=dict)  # beside it: one channel can be driven alone
    undriven_input: Text = ""  # what such an input hangs on while its contact is open
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


class InterlockContact(Strict):
    """A contact that must be closed for power and signal, as the interlock's instrument names it."""

    name: Name
    contact: Name


class CutOff(Strict):
    """hold_s: from the last feed until the relay in the supply's lead drops."""

    hold_s: Annotated[float, Field(gt=0, le=30)] = 2.0


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
    interlock: tuple[InterlockContact, ...] = ()
    cut_off: CutOff = CutOff()
    simulated: Simulated = Simulated()

    def roles(self) -> tuple[RoleName, ...]:
        """Those that every bench has, then the optional ones that this one has."""
        return (*ROLES, *(name for name in OPTIONAL_ROLES if name in self.role))

    def input_for(self, wire: str) -> str | None:
        """The digitiser input wired to `wire`, or None."""
        return next((name for name, seen in self.wiring.items() if seen == wire), None)
