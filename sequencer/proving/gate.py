"""Whether a bench may be driven on the proof that was kept of it; and how that is told in results and log. Pure."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from sequencer.errors import InputRefused, Problem
from sequencer.proving.record import Proof, changed

OLDEST_DAYS = 400  # proved once a year, and a month to come to it (our own choice)
AHEAD = timedelta(days=1)  # a record from later than that was dated by a clock that was wrong
FILES_SHOWN = 3
IDENTITY_SHOWN = 80  # characters
PARTS, ALL = ("maker", "model", "serial", "firmware"), "identity"


class NotProved(InputRefused):
    """A bench that may not be driven, for want of a proof."""


@dataclass(frozen=True)
class Kept:
    """What lies where the proof of a bench is kept. proof: None where there is none of use; why: it can't be read."""

    name: str
    proof: Proof | None = None
    why: str = ""


@dataclass(frozen=True)
class BenchNow:
    """The bench that is to be driven. given: as a command is given it, path or shipped name. files: sha256 by name, as
    they are now. record: --proof as it was given, if it was."""

    given: str
    name: str
    files: Mapping[str, str] = field(default_factory=dict)
    record: str | None = None

    @property
    def command(self) -> str:
        """That proves it."""
        words = ["nightramp", "instruments", "--bench", self.given, "--prove"]
        return shlex.join([*words, *(["--proof", self.record] if self.record else [])])


@dataclass(frozen=True)
class Doubt:
    """One thing that stands against a proof: where, what was found there, and what that means in words."""

    file: str
    key: str
    value: str
    words: str

    def __str__(self) -> str:
        return self.words


def doubts(kept: Kept, bench: BenchNow, now: datetime) -> list[Doubt]:
    """What stands against driving this bench now; nothing where its proof holds."""
    if kept.why:
        return [Doubt(kept.name, "file", "unreadable", kept.why)]
    if kept.proof is None:
        return [Doubt(bench.given, "proof", f"no {kept.name}", "never proved")]
    return list(_doubts(kept.proof, kept.name, bench, now))


def _doubts(proof: Proof, record: str, bench: BenchNow, now: datetime) -> Iterator[Doubt]:
    if proof.bench != bench.name:
        yield Doubt(record, "bench", proof.bench, f"the proof is of another bench than {bench.name!r}")
    if proof.simulated:
        yield Doubt(record, "simulated", "true", "proved by simulation only, which counts for no real start")
    failed = [f"{one.name}, {one.about}" for one in proof.steps if one.outcome == "failed"]
    if failed:
        yield Doubt(record, "steps", "failed", f"this did not hold: {_listed(failed)}")
    if not proof.made_safe:
        yield Doubt(record, "made_safe", "false", "the bench was not confirmed safe after its proof")
    if not failed and not any(one.outcome == "held" for one in proof.steps):
        yield Doubt(record, "steps", "all not seen", "nothing of this bench was seen to hold")
    for name in changed(proof, bench.files):
        yield Doubt(record, f"files.{name}", _how(proof, bench, name), f"{name} changed since the bench was proved")
    yield from _age(proof, record, now)


def _how(proof: Proof, bench: BenchNow, name: str) -> str:
    if name not in bench.files:
        return "gone, or no longer named"
    return "altered" if name in proof.files else "not there then"


def _age(proof: Proof, record: str, now: datetime) -> Iterator[Doubt]:
    ended = when(proof)
    if ended is None:
        yield Doubt(record, "ended", proof.ended, "no date in ISO 8601 with its zone: nobody knows how old it is")
    elif now - ended > timedelta(days=OLDEST_DAYS):
        days = f"{(now - ended).days} days"
        yield Doubt(record, "ended", proof.ended, f"proved {days} ago, and a proof holds for {OLDEST_DAYS} days")
    elif ended - now > AHEAD:
        yield Doubt(record, "ended", proof.ended, "proved in the future: this clock or that one was wrong")


def when(proof: Proof) -> datetime | None:
    """None where its date can't be read, or has no zone."""
    try:
        ended = datetime.fromisoformat(proof.ended)
    except ValueError:
        return None
    return ended if ended.tzinfo is not None else None


def settled(kept: Kept, bench: BenchNow, now: datetime, unproved_by: str | None) -> dict[str, Any]:
    """What results keep of it. unproved_by: who answers for a bench whose proof does not hold. Raises NotProved with
    each reason and the command that proves the bench."""
    found = doubts(kept, bench, now)
    if not found:
        assert kept.proof is not None
        return _proved(kept.proof, kept.name)
    return _answered_for(found, bench, unproved_by)


def met(kept: Kept, bench: BenchNow, answers: Mapping[str, str], unproved_by: str | None) -> dict[str, Any]:
    """As `settled`, of a proof that holds, once the instruments have answered. answers: identity by role; of who gave
    none the night will tell."""
    assert kept.proof is not None
    found = list(strangers(kept.proof, kept.name, answers))
    return _answered_for(found, bench, unproved_by) if found else _proved(kept.proof, kept.name)


def _answered_for(found: Sequence[Doubt], bench: BenchNow, unproved_by: str | None) -> dict[str, Any]:
    if unproved_by:
        return {"proved": False, "by": unproved_by, "reason": "; ".join(map(str, found))}
    remedy = f"with no unit connected, `{bench.command}`; or --unproved-by NAME, who answers for it"
    raise NotProved([Problem(one.file, one.key, one.value, f"{one.words}: {remedy}") for one in found])


def strangers(proof: Proof, record: str, answers: Mapping[str, str]) -> Iterator[Doubt]:
    """Instruments that are not those of the proof. answers: as of `met`."""
    for role, was in sorted(proof.identities.items()):
        now = answers.get(role, was).strip()
        if now != was.strip():
            other = _other_part(was.split(","), now.split(","))
            words = f"{role} answers with another {other}: {_cut(now)!r} now, {_cut(was.strip())!r} when it was proved"
            yield Doubt(record, f"identities.{role}", _cut(repr(now)), words)


def _other_part(was: Sequence[str], now: Sequence[str]) -> str:
    """The first that differs of maker, model, serial and firmware (IEEE 488.2, 10.14; from memory)."""
    if len(was) == len(now) == len(PARTS):
        return next((part for part, one, two in zip(PARTS, was, now, strict=True) if one.strip() != two.strip()), ALL)
    return ALL


def _cut(text: str) -> str:
    return text if len(text) <= IDENTITY_SHOWN else f"{text[: IDENTITY_SHOWN - 3]}..."


def _proved(proof: Proof, record: str) -> dict[str, Any]:
    unseen = [f"{one.name}, {one.about}" for one in proof.steps if one.outcome == "not seen"]
    held = sum(one.outcome == "held" for one in proof.steps)
    return {"proved": True, "by": proof.by, "on": proof.ended, "held": held, "not_seen": unseen, "record": record}


def sentence(kept: Mapping[str, Any]) -> str:
    """What results keep, for a person: log, sheet and batch page say the same."""
    if not kept.get("proved"):
        return f"NO: {kept.get('reason')}; answered for by {kept.get('by')}."
    unseen = [str(one) for one in kept.get("not_seen") or ()]
    left = f": {'; '.join(unseen)}" if unseen else ""
    return f"{str(kept.get('on'))[:10]} by {kept.get('by')}, {kept.get('held')} held, {len(unseen)} not seen{left}."


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - FILES_SHOWN} more" if len(names) > FILES_SHOWN else ""
    return "; ".join(names[:FILES_SHOWN]) + more
