"""Builds the roles of a bench: dialect, link, ceilings. Touches nothing: a link opens at its first request."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from drivers.actor import Actor
from drivers.dialect import Dialect, DialectProblems, load_dialect, shipped_dialects
from drivers.link import LinkModel
from drivers.roles.capture import DigitiserSettings
from drivers.roles.cut_off import CutOff
from drivers.roles.digitiser import Digitiser
from drivers.roles.generator import Generator, GeneratorCeilings
from drivers.roles.interlock import Interlock
from drivers.roles.load_switch import LoadSwitch
from drivers.roles.supply import Supply, SupplyCeilings
from drivers.roles.thermometer import Thermometer
from drivers.timing import Clock
from sequencer.errors import InputRefused, Problem
from sequencer.night.hands import Hands
from sequencer.plan.inputs import Loaded
from sequencer.plan.models import Bench, Role, RoleName

FREQUENCY_HZ = (1.0, 100e3)
OVER_VOLTAGE_FACTOR = 1.1  # trip at 10 % above the ceiling (common practice, no source)


@dataclass(frozen=True)
class Instruments:
    """The roles, and the links under them to be closed at the end."""

    hands: Hands
    actors: Mapping[RoleName, Actor]

    async def close(self) -> None:
        for actor in self.actors.values():
            await actor.close()


def load_dialects(bench: Loaded[Bench]) -> dict[RoleName, Dialect]:
    """Each role's dialect: a shipped name, or a file beside the bench's. Raises InputRefused with every problem."""
    found: dict[RoleName, Dialect] = {}
    problems = []
    for name in bench.model.roles():
        role = bench.model.role[name]
        try:
            found[name] = load_dialect(_dialect_path(bench.path, role), name, role.channel)
        except DialectProblems as wrong:
            problems += [Problem(p.file, p.key, repr(p.value), p.remedy) for p in wrong.problems]
    if problems:
        raise InputRefused(problems)
    return found


def _dialect_path(bench_path: Path, role: Role) -> str:
    return str(bench_path.parent / role.dialect) if role.dialect.endswith(".toml") else role.dialect


def substitutes(dialects: Mapping[RoleName, Dialect]) -> dict[RoleName, str]:
    """For a dry run: roles whose dialect is the user's own, and the shipped one that stands in for it.

    A panel is never built from the dialect it is to be tested against.
    """
    shipped = shipped_dialects()
    stand_ins: dict[RoleName, str] = {}
    for name, dialect in dialects.items():
        if dialect.name not in shipped:
            prefix = name.replace("_", "-") + "-"
            stand_ins[name] = next(s for s in shipped if s.startswith(prefix))
    return stand_ins


def build(
    bench: Bench, dialects: Mapping[RoleName, Dialect], addresses: Mapping[str, str], clock: Clock
) -> Instruments:
    """Actors and roles. addresses: VISA resource of each role."""
    actors = {name: _actor(name, bench.role[name], dialects[name], addresses[name], clock) for name in bench.roles()}
    ceiling = bench.ceiling
    factors = {
        int(name.removeprefix("ch")): bench.input[name].factor if name in bench.input else 1.0 for name in bench.wiring
    }
    hands = Hands(
        generator=Generator(
            actors["generator"],
            dialects["generator"],
            GeneratorCeilings(ceiling.generator_vrms, ceiling.burst_s, FREQUENCY_HZ),
        ),
        digitiser=Digitiser(
            actors["digitiser"], dialects["digitiser"], DigitiserSettings(bench.digitiser.bits, factors)
        ),
        supply=Supply(
            actors["supply"],
            dialects["supply"],
            SupplyCeilings(ceiling.supply_v, ceiling.supply_a, OVER_VOLTAGE_FACTOR * ceiling.supply_v),
        ),
        load_switch=LoadSwitch(actors["load_switch"], dialects["load_switch"]),
        thermometer=Thermometer(actors["thermometer"], dialects["thermometer"]),
        interlock=Interlock(actors["interlock"], dialects["interlock"]) if "interlock" in actors else None,
        cut_off=(CutOff(actors["cut_off"], dialects["cut_off"], bench.cut_off.hold_s) if "cut_off" in actors else None),
    )
    return Instruments(hands, actors)


def _actor(name: RoleName, role: Role, dialect: Dialect, address: str, clock: Clock) -> Actor:
    model = LinkModel(
        name=name,
        address=address,
        message_end=dialect.link.write_end.encode(),
        reply_end=dialect.link.read_end.encode(),
        within_s=max(role.reply_within_s, dialect.link.reply_within_s),
    )
    return Actor(model, dialect.greeting(role.identity), clock)
