"""Truths from TOML files. A key that does not exist is an error: a truth with a slip in it would prove nothing."""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from simulators.world.bench_truth import BenchTruth, DigitiserTruth, InputTruth, LoadTruth, MeterTruth, SupplyTruth
from simulators.world.channel_truth import (
    ChannelTruth,
    ContactTruth,
    LimiterTruth,
    NetworkTruth,
    ResidueTruth,
    StageTruth,
    TransformerTruth,
)
from simulators.world.unit_truth import (
    FanTruth,
    FeedTruth,
    GateTruth,
    HeatTruth,
    ProtectionTruth,
    RailTruth,
    UnitTruth,
)

CHANNEL_PARTS: dict[str, type[Any]] = {
    "stage": StageTruth,
    "network": NetworkTruth,
    "limiter": LimiterTruth,
    "residue": ResidueTruth,
    "transformer": TransformerTruth,
    "contact": ContactTruth,
}
UNIT_PARTS: dict[str, type[Any]] = {"protection": ProtectionTruth, "gate": GateTruth}

SHIPPED = Path(__file__).parent / "truth"

T = TypeVar("T")


def load_unit_truth(path: Path) -> UnitTruth:
    """ValueError, naming the file, for keys or values that do not fit."""
    try:
        return unit_truth(tomllib.loads(path.read_text(encoding="utf-8")))
    except (TypeError, KeyError, ValueError) as error:
        raise ValueError(f"{path.name}: {error}") from error


def load_bench_truth(path: Path) -> BenchTruth:
    """ValueError, naming the file, for keys or values that do not fit."""
    try:
        return bench_truth(tomllib.loads(path.read_text(encoding="utf-8")))
    except (TypeError, KeyError, ValueError) as error:
        raise ValueError(f"{path.name}: {error}") from error


def shipped_units() -> dict[str, UnitTruth]:
    """The healthy low-impedance units that come with the program, by serial."""
    return {serial: truth for serial, truth in all_shipped_units().items() if not truth.note}


def all_shipped_units() -> dict[str, UnitTruth]:
    """Those with faults and of other kinds as well; their notes say what sets them apart."""
    found = (load_unit_truth(path) for path in sorted(SHIPPED.glob("mv-*.toml")))
    return {truth.serial: truth for truth in found}


def shipped_bench() -> BenchTruth:
    return load_bench_truth(SHIPPED / "bench-demo.toml")


def unit_truth(table: Mapping[str, Any]) -> UnitTruth:
    """From a table as the file has it."""
    rest = dict(table)
    channels = tuple(_built(ChannelTruth, _with_parts(item, CHANNEL_PARTS)) for item in rest.pop("channel"))
    return _built(
        UnitTruth,
        _with_parts(rest, UNIT_PARTS)
        | {
            "channels": channels,
            "rail": _built(RailTruth, rest["rail"]),
            "feed": _built(FeedTruth, rest.get("feed", {})),
            "heat": _built(HeatTruth, _with_parts(rest.get("heat", {}), {"fan": FanTruth})),
        },
    )


def _with_parts(table: Mapping[str, Any], kinds: Mapping[str, type[Any]]) -> dict[str, Any]:
    """The tables in `table` that have a kind of their own, built."""
    return {key: _built(kinds[key], value) if key in kinds else value for key, value in table.items()}


def bench_truth(table: Mapping[str, Any]) -> BenchTruth:
    """From a table as the file has it."""
    rest = dict(table)
    digitiser = dict(rest.pop("digitiser", {}))
    inputs = {int(number): _input(item) for number, item in digitiser.pop("input", {}).items()}
    return _built(
        BenchTruth,
        rest
        | {
            "digitiser": _built(DigitiserTruth, digitiser | {"inputs": inputs}),
            "supply": _built(SupplyTruth, rest.pop("supply", {})),
            "meter": _meter(rest.pop("meter", {})),
            "load": {name: _built(LoadTruth, item) for name, item in rest.pop("load", {}).items()},
        },
    )


def _meter(table: Mapping[str, Any]) -> MeterTruth:
    errors = {float(volts): error for volts, error in table.get("range_errors", {}).items()}
    return _built(MeterTruth, {**table, "range_errors": errors})


def _input(table: Mapping[str, Any]) -> InputTruth:
    errors = {float(volts): error for volts, error in table.get("range_gain_errors", {}).items()}
    return _built(InputTruth, {**table, "range_gain_errors": errors})


def _built(kind: type[T], table: Mapping[str, Any]) -> T:
    names = {field.name for field in dataclasses.fields(kind)}  # type: ignore[arg-type]
    _nothing_left({key: value for key, value in table.items() if key not in names})
    return kind(**{key: _fixed(value) for key, value in table.items()})


def _fixed(value: Any) -> Any:
    """Lists as tuples, so that truths compare and stay as they are."""
    return tuple(_fixed(item) for item in value) if isinstance(value, list) else value


def _nothing_left(rest: Mapping[str, Any]) -> dict[str, Any]:
    if rest:
        raise KeyError(f"unknown: {', '.join(sorted(rest))}")
    return {}
