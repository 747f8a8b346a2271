"""The bench as declared in TOML: every key, its type, its default. Pure. Units are in the names."""

from __future__ import annotations

from datetime import date
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


class SerialLine(Strict):
    """Of a serial address (ASRL): what is said here takes the place of what the dialect says. baud: bits per second."""

    baud: Annotated[int, Field(ge=50, le=4_000_000)] | None = None
    bits: Literal[5, 6, 7, 8] | None = None
    parity: Literal["none", "odd", "even", "mark", "space"] | None = None
    stop_bits: Annotated[float, Field(ge=1, le=2, multiple_of=0.5)] | None = None
    flow: Literal["none", "xon_xoff", "rts_cts", "dtr_dsr"] | None = None


class Visa(Strict):
    """library: who speaks to all but raw sockets. `@py` is pyvisa-py, `@ivi` the VISA library installed on the machine;
    or the path of one."""

    library: Annotated[str, Field(min_length=1, max_length=200)] = "@py"


class Role(Strict):
    address: Name
    dialect: Name
    identity: str = ""  # text that the reply must begin with
    serial: str = ""
    calibrated: date | None = None
    single_connection: bool = False
    channel: Annotated[int, Field(ge=1, le=8)] = 1
    reply_within_s: Positive = 2.0
    serial_line: SerialLine | None = None
    reads_back: bool = True  # of a load switch: false where nothing tells the state of its relays


class Input(Strict):
    """A digitiser input: probe factor and what it is worth. offset_uncertainty_v: at the connector, before the factor;
    half-width if `kind` is rectangular. v_per_a, bandwidth_hz, zero_uncertainty_a: of a clamp; a clamp that shows no
    direct current does not fit the supply's lead.
    """

    factor: Positive = 1.0
    gain_uncertainty_pct: NotNegative = 2.0
    offset_uncertainty_v: NotNegative = 0.002
    kind: Literal["rectangular", "normal"] = "rectangular"
    ohm: Positive | None = None  # of the shunt, where the input sees one
    v_per_a: Positive | None = None  # of the clamp, where it sees one
    bandwidth_hz: Positive | None = None  # what shunt or clamp follows, from direct current up
    zero_uncertainty_a: NotNegative = 0.0  # a clamp's zero drifts


class Range(Strict):
    """A range of the digitiser. full_scale_v: largest magnitude at the input terminal, before the probe."""

    input: InputName | Literal["all"] = "all"
    full_scale_v: Positive
    gain_uncertainty_pct: NotNegative = 2.0
    kind: Literal["rectangular", "normal"] = "rectangular"
    corrected_on: date | None = None


class Load(Strict):
    close: tuple[str, ...] | dict[ChannelName, tuple[str, ...]] = ()
    by_hand: bool = False  # no contact switches it: a person connects it and takes it off
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


class Meter(Strict):
    """The true-rms meter: what puts it on each output, and what it is worth. close: contacts by channel; none of them:
    it always hangs there. accuracy_pct of the reading and range_accuracy_pct of its range add; half-widths if `kind`
    is rectangular. reading_s: what one reading takes, settling included.
    """

    close: Annotated[dict[ChannelName, tuple[str, ...]], Field(min_length=1)]
    accuracy_pct: Positive = 0.2
    range_accuracy_pct: NotNegative = 0.05
    kind: Literal["rectangular", "normal"] = "rectangular"
    reading_s: Annotated[float, Field(gt=0, le=5)] = 1.0


class CutOff(Strict):
    """hold_s: from the last feed until the relay in the supply's lead drops."""

    hold_s: Annotated[float, Field(gt=0, le=30)] = 2.0


class Prove(Strict):
    """What a person connects while the bench is proved, with no unit on it. loop_input: the digitiser input whose probe
    is then on the generator's output. dummy_ohm: of a resistor across the supply's leads, and what it bears for ten
    seconds.
    """

    loop_input: InputName | None = None
    dummy_ohm: Positive | None = None
    dummy_w: Positive = 10.0


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
    visa: Visa = Visa()
    wiring: dict[InputName, Wire]
    input: dict[InputName, Input] = Field(default_factory=dict)
    range: Annotated[tuple[Range, ...], Field(min_length=1)]
    digitiser: DigitiserDepth = DigitiserDepth()
    load: dict[Name, Load]
    bay: Annotated[tuple[Bay, ...], Field(min_length=1)]
    lead: dict[str, Lead] = Field(default_factory=dict)
    hardware: Hardware = Hardware()
    meter: Meter | None = None
    interlock: tuple[InterlockContact, ...] = ()
    cut_off: CutOff = CutOff()
    prove: Prove = Prove()
    simulated: Simulated = Simulated()

    def roles(self) -> tuple[RoleName, ...]:
        """Those of a whole bench, then the optional ones; of both those that this one has."""
        return tuple(name for name in (*ROLES, *OPTIONAL_ROLES) if name in self.role)

    @property
    def by_hand(self) -> frozenset[RoleName]:
        """What a person does here: switches the supply, connects loads."""
        return frozenset(name for name in BY_HAND if name not in self.role)

    @property
    def contacts_seen(self) -> bool:
        """Whether the load switch, where there is one, tells the state of its relays."""
        return "load_switch" not in self.role or self.role["load_switch"].reads_back

    def input_for(self, wire: str) -> str | None:
        """The digitiser input wired to `wire`, or None. An output by its two legs is read under the plus leg's."""
        wires: dict[str, str] = {seen: name for name, seen in self.wiring.items()}
        if wire not in wires and wire.startswith("output ") and (legs := self.legs(wire.split()[1])) is not None:
            return legs[0]
        return wires.get(wire)

    def legs(self, channel: str) -> tuple[str, str] | None:
        """The inputs wired to the plus and the minus leg of that output, where both are."""
        wires: dict[str, str] = {seen: name for name, seen in self.wiring.items()}
        plus, minus = (wires.get(f"leg {channel} {leg}") for leg in ("plus", "minus"))
        return None if plus is None or minus is None else (plus, minus)
