"""Which values each setting is given when it is set, read back and compared; with every output off. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator

from drivers.roles.common import Put
from sequencer.plan.models import Bench

PARTS = (0.1, 0.37, 1.0)  # of a ceiling
Group = tuple[Put, ...]


def generator_groups(bench: Bench, least_vrms: float, level_unit: str) -> Iterator[Group]:
    """One after the other; the last of each name is harmless. A level of another load setting reads back otherwise, so
    load and unit come first."""
    yield (Put("load", 50.0),)
    yield (Put("load", math.inf),)
    yield (Put("level_unit", level_unit),)
    for hz in (20.0, 997.0, 20_000.0, 1000.0):
        yield (Put("frequency", hz),)
    top = min(bench.ceiling.generator_vrms, 2.0)
    for part in PARTS:
        yield (Put("level", max(part * top, least_vrms)),)
    yield (Put("level", max(0.1, least_vrms)),)
    for offset_v in (0.1, -0.1, 0.0):
        yield (Put("offset", offset_v),)
    for degrees in (90.0, 0.0):
        yield (Put("phase", degrees),)
    for cycles in (1, 8, 20, 50, 2):
        yield (Put("cycles", cycles),)
    yield (Put("level", least_vrms),)


def supply_groups(bench: Bench, over_voltage_v: float) -> Iterator[Group]:
    """The trip never below the volts."""
    ceiling = bench.ceiling
    yield (Put("volts", 0.0),)
    yield (Put("over_voltage_trip", 0.5 * over_voltage_v),)
    yield (Put("over_voltage_trip", over_voltage_v),)
    for part in PARTS:
        yield (Put("limit", part * ceiling.supply_a),)
    for part in PARTS:
        yield (Put("volts", part * ceiling.supply_v),)
    yield (Put("volts", 0.0),)


def digitiser_groups(bench: Bench, number: int, factor: float) -> Iterator[Group]:
    """Of one input."""
    for attenuation in (1.0, 10.0, 100.0, factor):
        yield (Put("probe", attenuation, number),)
    yield (Put("coupling", "dc", number),)
    yield (Put("impedance", "one_megohm", number),)
    yield (Put("centre", 0.0, number),)
    yield (Put("input_on", False, number),)
    yield (Put("input_on", True, number),)


def contacts_of(bench: Bench) -> tuple[str, ...]:
    """Every contact that the file names, each once."""
    found: list[str] = []
    for bay in bench.bay:
        found += [c for c in (bay.supply_contact, bay.input_contact, bay.remote_contact) if c]
        found += [*bay.output_contacts, *bay.input_contacts.values()]
    for load in bench.load.values():
        found += load.contacts()
    if bench.meter is not None:
        found += [c for contacts in bench.meter.close.values() for c in contacts]
    return tuple(dict.fromkeys(found))
