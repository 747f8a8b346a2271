"""What the tables of a dialect file are made of: the strict base class and the kinds of text and number. Pure."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Message = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[\x20-\x7e]+$")]
Messages = Annotated[tuple[Message, ...], Field(min_length=1)]
Place = Annotated[int, Field(ge=0, le=63)]
Unit = Annotated[str, Field(max_length=12, pattern=r"^[A-Za-z%/]*$")]
Rest = Annotated[float, Field(ge=0, le=10, allow_inf_nan=False)]


class Strict(BaseModel):
    """Frozen, no unknown keys, no silent conversion of text to numbers."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)
