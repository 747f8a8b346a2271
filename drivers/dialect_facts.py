"""What a dialect file declares of its instrument, and no message can ask. Pure."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from drivers.dialect_base import Message, Positive, Strict


class SharedRate(Strict):
    """With more than `inputs` of them on, it samples no faster than at most_hz."""

    inputs: Annotated[int, Field(ge=1, le=7)]
    most_hz: Positive


class Facts(Strict):
    """inputs: how many the digitiser has. rates_hz: the sample rates that it has, all of them; shared_rate: what inputs
    that are on together leave of them. ranges_v: the largest volts of each range at the terminal, from the centre, all
    of them. input_names: what {input} stands for, of each in turn, where it is not 1, 2 and so on. settle_s: from the
    coil's answer to a quiet contact."""

    inputs: Annotated[int, Field(ge=1, le=8)] | None = None
    rates_hz: Annotated[tuple[Positive, ...], Field(min_length=1)] | None = None
    shared_rate: SharedRate | None = None
    ranges_v: Annotated[tuple[Positive, ...], Field(min_length=1)] | None = None
    input_names: Annotated[tuple[Message, ...], Field(min_length=1)] | None = None
    settle_s: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)] | None = None
