"""Builds the roles of a bench: dialect, link, ceilings. Touches nothing: a link opens at its first request."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeAlias

from drivers.actor import Actor
from drivers.bus_session import SerialLine
from drivers.dialect import Dialect, DialectProblems, load_dialect, shipped_dialects
from drivers.joining import link_model
from drivers.link import Link, LinkModel
from drivers.roles.capture import DigitiserSettings
from drivers.roles.cut_off import CutOff
from drivers.roles.digitiser import Digitiser
from drivers.roles.generator import Generator, GeneratorCeilings
from drivers.roles.interlock import Interlock
from drivers.roles.load_switch import LoadSwitch
from drivers.roles.meter import Meter
from drivers.roles.supply import Supply, SupplyCeilings
from drivers.roles.thermometer import Thermometer
from drivers.timing import Clock
from sequencer.errors import InputRefused, Problem
from sequencer.night.hand_worked import LoadsByHand, SupplyByHand
from sequencer.night.hands import Hands
from sequencer.night.two_legs import TwoLegs
from sequencer.night.wiring import OVER_VOLTAGE_FACTOR
from sequencer.plan.inputs import Loaded
from sequencer.plan.models import Bench, Role, RoleName

FREQUENCY_HZ = (1.0, 100e3)
Links: TypeAlias = Callable[[LinkModel, Clock], Link]


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
            problems += [Problem(p.file, p.key, p.found, p.remedy) for p in wrong.problems]
    if problems:
        raise InputRefused(problems)
    return found


def fitted_dialects(bench: Loaded[Bench]) -> dict[RoleName, Dialect]:
    """As `load_dialects`, and the bench's file asks nothing of its instruments that these have not. Raises
    InputRefused."""
    found = load_dialects(bench)
    problems = [*rates_lacking(bench, found["digitiser"]), *ranges_lacking(bench, found["digitiser"])]
    if "load_switch" in found:
        problems += _relays_told(bench, found["load_switch"])
    if problems:
        raise InputRefused(problems)
    return found


def _relays_told(bench: Loaded[Bench], dialect: Dialect) -> list[Problem]:
    """That relays can't be read back is said in the bench's file too: whoever reads it must know."""
    said, key = bench.model.contacts_seen, "role.load_switch.reads_back"
    if said == dialect.reads_contacts:
        return []
    if said:
        remedy = f"{dialect.name} can't tell the state of its relays: say reads_back = false, and read what that means"
        return [Problem(bench.name, key, "true", remedy)]
    return [Problem(bench.name, key, "false", f"{dialect.name} tells the state of its relays: leave it out")]


def rates_lacking(bench: Loaded[Bench], dialect: Dialect) -> list[Problem]:
    """Sample rates of the bench's file that its digitiser rounds to another, as far as its dialect names what it has:
    records would have another length than the plan was worked out for."""
    facts, declared = dialect.facts, bench.model.digitiser
    if facts.rates_hz is None:
        return []
    shared, wired = facts.shared_rate, len(bench.model.wiring)
    held = shared is not None and wired > shared.inputs
    most_hz = shared.most_hz if shared is not None and held else max(facts.rates_hz)
    has = [rate for rate in sorted(facts.rates_hz) if rate <= most_hz]
    with_on = f" with {wired} inputs on" if held else ""
    named = ", ".join(f"{rate:g}" for rate in has)
    said = "" if "rates_hz" in declared.model_fields_set else " (not said, so the default)"
    return [
        Problem(
            bench.name,
            f"digitiser.rates_hz[{n}]",
            f"{rate:g}{said}",
            f"{dialect.name} does not sample at that{with_on}; name only such as it has: {named}",
        )
        for n, rate in enumerate(declared.rates_hz)
        if not any(math.isclose(rate, one, rel_tol=1e-6) for one in has)
    ]


def ranges_lacking(bench: Loaded[Bench], dialect: Dialect) -> list[Problem]:
    """Ranges of the bench's file that its digitiser has not: it would take wider ones, of which no gain is declared."""
    has = sorted(dialect.facts.ranges_v or ())
    named = ", ".join(f"{one:g}" for one in has)
    return [
        Problem(
            bench.name,
            f"range[{n}].full_scale_v",
            f"{one.full_scale_v:g}",
            f"{dialect.name} has no such range; name only such as it has: {named}",
        )
        for n, one in enumerate(bench.model.range)
        if has and not any(math.isclose(one.full_scale_v, v, rel_tol=1e-3) for v in has)
    ]


def codecs_told(dialects: Mapping[RoleName, Dialect]) -> list[str]:
    """A line for each role whose dialect file has Python of its own run: a person must know."""
    codecs = {name: dialect for name, dialect in dialects.items() if dialect.codec is not None}
    return [f"{name}: {d.name} has {d.file.codec} beside it run as its codec" for name, d in codecs.items()]


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
    bench: Bench,
    dialects: Mapping[RoleName, Dialect],
    addresses: Mapping[str, str],
    clock: Clock,
    links: Links = Link,
) -> Instruments:
    """Actors and roles. addresses: VISA resource of each role. links: makes each one's link: one that is
    written down, say."""
    actors: dict[RoleName, Actor] = {}
    for name in bench.roles():
        role, dialect = bench.role[name], dialects[name]
        model = link_model(dialect, name, addresses[name], role.reply_within_s)
        model = replace(model, line=line_of(role, dialect), library=bench.visa.library)
        actors[name] = Actor(model, dialect.greeting(role.identity), clock, links(model, clock))
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
        digitiser=_by_legs(
            bench,
            Digitiser(actors["digitiser"], dialects["digitiser"], DigitiserSettings(bench.digitiser.bits, factors)),
        ),
        supply=(
            SupplyByHand(clock)
            if "supply" in bench.by_hand
            else Supply(
                actors["supply"],
                dialects["supply"],
                SupplyCeilings(ceiling.supply_v, ceiling.supply_a, OVER_VOLTAGE_FACTOR * ceiling.supply_v),
            )
        ),
        load_switch=(
            LoadsByHand()
            if "load_switch" in bench.by_hand
            else LoadSwitch(
                actors["load_switch"], dialects["load_switch"], reads_back=bench.role["load_switch"].reads_back
            )
        ),
        thermometer=Thermometer(actors["thermometer"], dialects["thermometer"]),
        meter=Meter(actors["meter"], dialects["meter"]) if "meter" in actors else None,
        interlock=Interlock(actors["interlock"], dialects["interlock"]) if "interlock" in actors else None,
        cut_off=(CutOff(actors["cut_off"], dialects["cut_off"], bench.cut_off.hold_s) if "cut_off" in actors else None),
        by_hand=bench.by_hand,
    )
    return Instruments(hands, actors)


def _by_legs(bench: Bench, digitiser: Digitiser) -> Digitiser | TwoLegs:
    """What reads an output by its two legs, where the bench is wired so."""
    both = [legs for channel in ("A", "B") if (legs := bench.legs(channel)) is not None]
    pairs = {int(plus.removeprefix("ch")): int(minus.removeprefix("ch")) for plus, minus in both}
    return TwoLegs(digitiser, pairs, bench.ceiling.supply_v / 2.0) if pairs else digitiser


def line_of(role: Role, dialect: Dialect) -> SerialLine:
    """The dialect's serial settings, each one that the bench says in its place."""
    said = role.serial_line.model_dump(exclude_none=True) if role.serial_line else {}
    return SerialLine(**(dialect.link.serial_line.model_dump() | said))
