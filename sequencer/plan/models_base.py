"""What plan, unit and bench files share: strictness, kinds of numbers, names. Pure."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Name = Annotated[str, Field(min_length=1, max_length=80)]
Text = Annotated[str, Field(max_length=2000)]
FormatOne = Literal[1]

RoleName = Literal["generator", "digitiser", "supply", "load_switch", "thermometer", "meter", "interlock", "cut_off"]
ROLES: tuple[RoleName, ...] = ("generator", "digitiser", "supply", "load_switch", "thermometer")  # a whole bench's
BY_HAND: tuple[RoleName, ...] = ("supply", "load_switch")  # without these a person does what they would do
OPTIONAL_ROLES: tuple[RoleName, ...] = ("meter", "interlock", "cut_off")
MeasurementName = Literal[
    "first_power", "bench_check", "range_transfer", "output_offset", "idle_current", "gain", "output_power",
    "terminal_scan",
    "steady_efficiency", "soak", "protection", "thd_by_level", "thd_by_frequency", "dynamic_headroom",
    "intermodulation", "noise", "turn_on", "load_check", "precondition", "stability", "idle_adjustment",
    "endurance",
    "frequency_response", "power_bandwidth", "channel_balance", "crosstalk", "output_impedance",
]  # fmt: skip
ChannelName = Annotated[str, Field(pattern=r"^[A-Z]$")]
InputName = Annotated[str, Field(pattern=r"^ch[1-8]$")]
Wire = Literal[
    "output A", "output B", "leg A plus", "leg A minus", "rail",
    "shunt in the load return", "shunt in the supply lead", "clamp on the supply lead", "input",
]  # fmt: skip


class Strict(BaseModel):
    """Frozen, no unknown keys, no silent conversion of text to numbers."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)
