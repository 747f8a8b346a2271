"""Messages of a night: what is told of rows that were kept. Pure: rows in, topic and body out.

Topics are `nightramp/1/<bench>/run`, `/point`, `/trip`, `/status`. Each payload says its schema, version and time
itself; `id` and `seq` are added by the ledger in the commit that keeps the row, `ledger` when it is published.
Consumers drop a repeated `id`, order by `seq` within a `ledger`, and see a gap in it. A status with `seq` 0 is said
live by the link to the broker (at work, offline, the end of the night): it is kept nowhere, and outside the count.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from pydantic import Field

from sequencer.ledger.names import safe_name
from sequencer.ledger.rows import Count, FindingRow, Message, PointRow, Row, RunHead, RunOutcome, TripRow, checked

ROOT = "nightramp/1"
VERSION = 1
BULKY = ("cycle_rows", "shot_table")  # in results.json; a message stays small

BenchState = Literal[
    "off", "checking", "first power", "warming up", "preconditioning", "ready", "ramping", "keeping level",
    "backing off", "cooling",
    "waiting for a person", "tripped", "made safe", "not confirmed safe", "finished", "stopped",
    "at work", "offline",
]  # fmt: skip


class Told(Row):
    """What every payload carries. time: RFC 3339; seq counts up over the whole ledger; id = run and seq. seq 0: said
    live, see above. ledger: which one counts; null where the message is not published.
    """

    id: str
    seq: int
    time: str
    schema_version: Literal[1]
    bench: str
    ledger: str | None = None


class RunTold(Told):
    """A run has begun, was resumed by another process, or has ended. findings: at its end, all that a person should
    know of the unit."""

    schema_name: Literal["nightramp.run"]
    run: str
    happening: Literal["begun", "resumed", "ended"]
    unit_serial: str
    unit_model: str
    plan: str
    label: str = ""
    bay: str | None = None
    outcome: RunOutcome | None = None
    findings: list[FindingRow] = Field(default_factory=list)


class PointTold(Told):
    """A point is kept. point: its row of results, format 1, without the tables of cycles and shots."""

    schema_name: Literal["nightramp.point"]
    run: str
    unit_serial: str
    point: PointRow


class TripTold(Told):
    """A trip is kept."""

    schema_name: Literal["nightramp.trip"]
    run: str
    unit_serial: str
    trip: TripRow


class StatusTold(Told):
    """What the bench is doing; retained, so that who comes late knows. told_to: said live, the highest `seq` published
    so far; a consumer that has less lacks something.
    """

    schema_name: Literal["nightramp.status"]
    state: BenchState
    sentence: str = ""
    run: str | None = None
    unit_serial: str | None = None
    point: str | None = None
    told_to: Count | None = None


PAYLOADS: dict[str, type[Told]] = {"run": RunTold, "point": PointTold, "trip": TripTold, "status": StatusTold}


def topic(bench: str, kind: str) -> str:
    """The topic of a kind of message; a bench's name becomes one level of it, whatever is in the name."""
    return f"{ROOT}/{safe_name(bench)}/{kind}"


def run_begun(head: RunHead | Mapping[str, Any]) -> Message:
    """Told when the run's head is kept; its time is the head's."""
    run = checked(RunHead, head)
    return _run(run, run.begun, "begun", None)


def run_resumed(head: RunHead | Mapping[str, Any], time: str) -> Message:
    """Another process goes on with it. time: RFC 3339."""
    return _run(checked(RunHead, head), time, "resumed", None)


def run_ended(
    head: RunHead | Mapping[str, Any],
    ended: str,
    outcome: RunOutcome,
    findings: Sequence[FindingRow | Mapping[str, Any]] = (),
) -> Message:
    """ended: RFC 3339. findings: in the keys of the results."""
    told = [checked(FindingRow, one).model_dump() for one in findings]
    return _run(checked(RunHead, head), ended, "ended", outcome, told)


def _run(
    run: RunHead, time: str, happening: str, outcome: RunOutcome | None, findings: Sequence[Mapping[str, Any]] = ()
) -> Message:
    told = {
        "happening": happening,
        "unit_model": run.unit.model,
        "plan": run.plan,
        "label": run.label,
        "bay": run.bay,
        "outcome": outcome,
        "findings": list(findings),
    }
    return _message("run", run.bench, time, _of(run) | told)


def point_kept(head: RunHead | Mapping[str, Any], row: PointRow | Mapping[str, Any], time: str) -> Message:
    """The point's row, light enough to send. time: RFC 3339."""
    run = checked(RunHead, head)
    return _message("point", run.bench, time, _of(run) | {"point": _light(checked(PointRow, row).model_dump())})


def trip_kept(head: RunHead | Mapping[str, Any], row: TripRow | Mapping[str, Any]) -> Message:
    """Its time is the trip's."""
    run, trip = checked(RunHead, head), checked(TripRow, row)
    return _message("trip", run.bench, trip.time, _of(run) | {"trip": trip.model_dump()})


def status(
    bench: str,
    state: BenchState,
    time: str,
    sentence: str = "",
    head: RunHead | Mapping[str, Any] | None = None,
    point: str | None = None,
) -> Message:
    """What the bench is doing. head: of the run under way; time: RFC 3339."""
    of = {"run": None, "unit_serial": None} if head is None else _of(checked(RunHead, head))
    return _message("status", bench, time, of | {"state": state, "sentence": sentence, "point": point}, retain=True)


def _of(run: RunHead) -> dict[str, Any]:
    return {"run": run.id, "unit_serial": run.unit.serial}


def _message(kind: str, bench: str, time: str, body: Mapping[str, Any], retain: bool = False) -> Message:
    says = {"schema_name": f"nightramp.{kind}", "schema_version": VERSION, "time": time, "bench": bench}
    return Message(topic(bench, kind), says | dict(body), retain)


def _light(row: Mapping[str, Any]) -> dict[str, Any]:
    light = {key: value for key, value in row.items() if key not in BULKY}
    channels = [{key: value for key, value in channel.items() if key not in BULKY} for channel in row["channels"]]
    return light | {"channels": channels}


def with_ledger(payload: str, ledger: str) -> str:
    """A kept payload as it is published. Put in as text: a payload is written once and never parsed again."""
    return f'{payload[:-1]},"ledger":"{ledger}"}}'


def message_schemas() -> dict[str, dict[str, Any]]:
    """JSON Schema of each kind of payload."""
    return {kind: model.model_json_schema() for kind, model in PAYLOADS.items()}


def told(payload: Mapping[str, Any]) -> Told:
    """A payload as its model. Raises RowRefused: unknown schema, wrong or missing keys."""
    kind = str(payload.get("schema_name", "")).removeprefix("nightramp.")
    return checked(PAYLOADS.get(kind, Told), payload)
