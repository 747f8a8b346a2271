"""Who answers on a bench: each instrument is asked its identity, and nothing else; nothing is set."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date

from drivers.actor import Actor
from drivers.dialect import Dialect
from drivers.errors import InstrumentError
from drivers.joining import link_model
from drivers.speaker import Greeting
from drivers.timing import Clock
from sequencer.plan.models import Bench, RoleName
from sequencer.roles import line_of
from sequencer.safety.remedies import remedy_of


@dataclass(frozen=True)
class Who:
    """One role. identity: what was answered; None where nothing was, and why, with what to do."""

    role: RoleName
    dialect: str
    address: str
    calibrated: date | None = None
    identity: str | None = None
    why: str = ""
    remedy: str = ""


NOT_ASKED = "not asked: its dialect knows no identity query"


async def who_answers(
    bench: Bench, dialects: Mapping[RoleName, Dialect], addresses: Mapping[str, str], clock: Clock
) -> tuple[Who, ...]:
    """All of them at once, in the order of the roles. addresses: VISA resource of each role."""
    asked = [_one(bench, name, dialects[name], addresses[name], clock) for name in bench.roles()]
    return tuple(await asyncio.gather(*asked))


async def identities(
    bench: Bench, dialects: Mapping[RoleName, Dialect], addresses: Mapping[str, str], clock: Clock
) -> dict[str, str]:
    """What each says that it is, whatever that be, greeted as a proof greets it; who says nothing is left out."""

    async def one(name: RoleName) -> str:
        greeting = replace(dialects[name].greeting(), identity_begins="", clear="", error_ask="")
        with suppress(InstrumentError):
            return await _asked(bench, name, dialects[name], addresses[name], greeting, clock)
        return ""

    said = await asyncio.gather(*map(one, bench.roles()))
    return {name: reply for name, reply in zip(bench.roles(), said, strict=True) if reply}


async def _one(bench: Bench, name: RoleName, dialect: Dialect, address: str, clock: Clock) -> Who:
    role = bench.role[name]
    who = Who(name, role.dialect, address, role.calibrated)
    greeting = replace(dialect.greeting(role.identity), opening=(), clear="", error_ask="")
    if not greeting.identity_ask:
        return replace(who, identity="", why=NOT_ASKED)
    try:
        return replace(who, identity=await _asked(bench, name, dialect, address, greeting, clock))
    except InstrumentError as error:
        return replace(who, why=str(error), remedy=remedy_of(error))


async def _asked(bench: Bench, name: RoleName, dialect: Dialect, address: str, greeting: Greeting, clock: Clock) -> str:
    """On a link of its own, ended again. "" where its dialect has no identity query."""
    role = bench.role[name]
    model = link_model(dialect, name, address, role.reply_within_s)
    model = replace(model, line=line_of(role, dialect), library=bench.visa.library)
    actor = Actor(model, greeting, clock)
    try:
        await actor.open()
    finally:
        await actor.close()
    return actor.identity
