"""What no instrument reads is nan inside, and null with its reason in every row. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from sequencer.measurements.values import Value
from sequencer.plan.promises import NO_AMPS


def seen(value: float) -> float | None:
    return None if math.isnan(value) else value


def said(value: Value) -> Value:
    """A value that would rest on a supply which nothing reads."""
    if value.value is None or not math.isnan(value.value):
        return value
    return replace(
        value, value=None, expanded_uncertainty=None, coverage_factor=None, judgement="not measured",
        reason=f"not measured: {NO_AMPS}",
    )  # fmt: skip


def without_nan(row: Mapping[str, Any]) -> dict[str, Any]:
    """A row, and all that lies in it."""
    return {key: _one(value) for key, value in row.items()}


def _one(value: Any) -> Any:
    if isinstance(value, float) and math.isnan(value):
        return None
    if isinstance(value, Mapping):
        return without_nan(value)
    if isinstance(value, list | tuple):
        return [_one(one) for one in value]
    return value
