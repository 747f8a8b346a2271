"""Published methods as data: what a text asks, and whether a plan on a unit and a bench follows it. Pure.

Nothing here claims conformity. A method file says of each condition whether its text was read.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Annotated, Any, Literal

from pydantic import Field

from sequencer.errors import Problem
from sequencer.plan.estimate_heat import EIGHTH
from sequencer.plan.expand import minutes_of
from sequencer.plan.models import Bench, Finite, MeasurementName, Name, Plan, Stage, Strict, Unit
from sequencer.plan.models_base import FormatOne
from sequencer.plan.wording import shown

Mark = Literal["read", "read elsewhere", "from memory"]
NOT_FOLLOWED = "not followed"
TEXT_KEYS = ("stage.drives", "stage.channels", "bench.supply_kind")
FollowedBy = Literal[
    "stage.frequencies_hz", "stage.drives", "stage.channels", "stage.supply_v", "stage.loads",
    "stage.stop_limit.thd_pct", "stage.stop_limit.thd_n_pct", "stage.options.minutes", "stage.options.power_parts",
    "unit.supply_v.nominal", "bench.supply_kind", "not followed",
]  # fmt: skip


class Condition(Strict):
    """One thing a text asks. followed_by: the key that meets it where a value of it lies within equals, at_least and
    at_most; `stage.loads` speaks in nominal ohms. of: only stages of this measurement count.
    """

    asks: Annotated[str, Field(min_length=1, max_length=300)]
    followed_by: FollowedBy
    mark: Mark
    why: Annotated[str, Field(max_length=300)] = ""
    of: MeasurementName | None = None
    equals: Finite | Name | None = None
    at_least: Finite | None = None
    at_most: Finite | None = None


class Method(Strict):
    format: FormatOne
    name: Name
    title: Annotated[str, Field(min_length=1, max_length=200)]
    edition: Annotated[str, Field(min_length=1, max_length=200)]
    asks: Annotated[tuple[Condition, ...], Field(min_length=1)]


@dataclass(frozen=True)
class Answer:
    """How one condition came out on paper. stages: those that follow it; empty where no stage is concerned."""

    asks: str
    followed: bool
    how: str
    mark: Mark
    stages: tuple[str, ...] = ()


def method_problems(method: Method, file: str) -> list[Problem]:
    """What the model alone can't tell of a method file."""
    return [p for i, one in enumerate(method.asks) for p in _condition_problems(one, f"asks[{i}]", file)]


def _condition_problems(one: Condition, key: str, file: str) -> Iterator[Problem]:
    bounds = {k: v for k in ("equals", "at_least", "at_most") if (v := getattr(one, k)) is not None}
    if one.followed_by == NOT_FOLLOWED:
        if not one.why:
            yield Problem(file, f"{key}.why", "(nothing)", "say why it is not followed")
        for name in (*bounds, *(("of",) if one.of else ())):
            yield Problem(file, f"{key}.{name}", shown(getattr(one, name)), "is not asked of what is not followed")
        return
    if not bounds:
        yield Problem(file, f"{key}.equals", "(nothing)", "say equals, at_least or at_most: what the key must be")
    if one.of and not one.followed_by.startswith("stage."):
        yield Problem(file, f"{key}.of", shown(one.of), "belongs to keys of a stage only")
    for name, value in bounds.items():
        if isinstance(value, str) != (one.followed_by in TEXT_KEYS):
            wanted = "text in equals" if one.followed_by in TEXT_KEYS else "a number"
            yield Problem(file, f"{key}.{name}", shown(value), f"{one.followed_by} is compared with {wanted}")
    if one.at_least is not None and one.at_most is not None and one.at_least > one.at_most:
        yield Problem(file, f"{key}.at_least", shown(one.at_least), "is above at_most: nothing can follow it")


def answers(method: Method, plan: Plan, unit: Unit, bench: Bench) -> tuple[Answer, ...]:
    """Each condition of the method, in its order."""
    return tuple(_answer(one, plan, unit, bench) for one in method.asks)


def method_row(method: Method, plan: Plan, unit: Unit, bench: Bench) -> dict[str, Any]:
    """As the results hold it."""
    told = [asdict(one) for one in answers(method, plan, unit, bench)]
    return {"name": method.name, "title": method.title, "edition": method.edition, "answers": told}


def came_out(answer: Mapping[str, Any], points: Sequence[Mapping[str, Any]]) -> str:
    """followed: every row of one of its stages was measured; not followed; or planned only, wholly or in part."""
    if not answer["followed"]:
        return NOT_FOLLOWED
    stages = answer["stages"]
    measured = [[_whole(p) for p in points if p["stage"] == name] for name in stages]
    if not stages or any(one and all(one) for one in measured):
        return "followed"
    return "planned, measured in part" if any(map(any, measured)) else "planned, not measured"


def _whole(row: Mapping[str, Any]) -> bool:
    """A soak that a stop limit ended early is measured, but not for its minutes."""
    early = row.get("measurement") == "soak" and row.get("stopped_by")
    return row["outcome"] == "measured" and not early


def _answer(one: Condition, plan: Plan, unit: Unit, bench: Bench) -> Answer:
    key = one.followed_by
    if key == NOT_FOLLOWED:
        return Answer(one.asks, False, one.why, one.mark)
    if not key.startswith("stage."):
        value = unit.supply_v.nominal if key.startswith("unit.") else bench.supply_kind
        return Answer(one.asks, _fits(one, value), f"{key} = {shown(value)}", one.mark)
    of = [stage for stage in plan.stage if one.of in (None, stage.measurement)]
    meeting = tuple(s.name for s in of if any(_fits(one, v) for v in _values(key, s, unit, bench)))
    if meeting:
        return Answer(one.asks, True, f"{key} of {', '.join(meeting)}", one.mark, meeting)
    why = f"no {key} of the plan meets it" if of else f"the plan has no {one.of}"
    return Answer(one.asks, False, why, one.mark)


def _values(key: str, stage: Stage, unit: Unit, bench: Bench) -> tuple[float | str, ...]:
    limit, parts = stage.stop_limit, stage.options.power_parts
    found: dict[str, tuple[float | str, ...]] = {
        "stage.frequencies_hz": stage.frequencies_hz,
        "stage.drives": stage.drives,
        "stage.channels": (stage.channels,) if isinstance(stage.channels, str) else stage.channels,
        "stage.supply_v": stage.supply_v or (unit.supply_v.nominal,),
        "stage.loads": tuple(bench.load[name].nominal_ohm for name in stage.loads if name in bench.load),
        "stage.stop_limit.thd_pct": _several(limit.thd_pct),
        "stage.stop_limit.thd_n_pct": _several(limit.thd_n_pct),
        "stage.options.minutes": (minutes_of(stage),),
        "stage.options.power_parts": (parts or (EIGHTH,))[:1] if stage.measurement == "soak" else parts or (),
    }
    return found[key]


def _several(value: float | tuple[float, ...] | None) -> tuple[float, ...]:
    return () if value is None else value if isinstance(value, tuple) else (value,)


def _fits(one: Condition, value: float | str) -> bool:
    if isinstance(value, str):
        return value == one.equals
    low = one.at_least is None or value >= one.at_least
    return low and (one.at_most is None or value <= one.at_most) and one.equals in (None, value)
