"""Truths from TOML files. A key that does not exist is an error: a truth with a slip in it would prove nothing."""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from simulators.world.bench_truth import BenchTruth, DigitiserTruth, InputTruth, SupplyTruth
from simulators.world.unit_truth import ChannelTruth, FeedTruth, HeatTruth, RailTruth, UnitTruth

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
    """The truths that come with the program, by serial."""
    found = (load_unit_truth(path) for path in sorted(SHIPPED.glob("mv-*.toml")))
    return {truth.serial: truth for truth in found}


def shipped_bench() -> BenchTruth:
    return load_bench_truth(SHIPPED / "bench-demo.toml")


def unit_truth(table: Mapping[str, Any]) -> UnitTruth:
    """From a table as the file has it."""
    rest = dict(table)
    channels = tuple(_built(ChannelTruth, item) for item in rest.pop("channel"))
    return UnitTruth(
        serial=rest.pop("serial"),
        channels=channels,
        rail=_built(RailTruth, rest.pop("rail")),
        feed=_built(FeedTruth, rest.pop("feed", {})),
        heat=_built(HeatTruth, rest.pop("heat", {})),
        bridged=rest.pop("bridged", False),
        **_nothing_left(rest),
    )


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
        },
    )


def _input(table: Mapping[str, Any]) -> InputTruth:
    errors = {float(volts): error for volts, error in table.get("range_gain_errors", {}).items()}
    return _built(InputTruth, {**table, "range_gain_errors": errors})


def _built(kind: type[T], table: Mapping[str, Any]) -> T:
    names = {field.name for field in dataclasses.fields(kind)}  # type: ignore[arg-type]
    _nothing_left({key: value for key, value in table.items() if key not in names})
    return kind(**table)


def _nothing_left(rest: Mapping[str, Any]) -> dict[str, Any]:
    if rest:
        raise KeyError(f"unknown: {', '.join(sorted(rest))}")
    return {}
