"""Whether what was added to the queue is still what is there, and what a night's trips were of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.queue import Entry
from sequencer.plan.inputs import Inputs, Loaded
from sequencer.plan.models import Bench
from sequencer.real_run import Ready
from sequencer.whole_night import Done


def refuse_changed(entry: Entry, inputs: Inputs, bench: Loaded[Bench]) -> None:
    """What was worked through on paper when it was added is what is done, or nothing. Raises InputRefused."""
    if inputs.bench.sha256 != bench.sha256:
        raise changed_bench(bench)
    remedy = f"changed since it was added: look at it, then `nightramp queue go-on {entry.number}`"
    plan, unit = inputs.plan, inputs.units[0].loaded
    now = (("plan", plan.path, plan.sha256, entry.plan_sha256), ("unit", unit.path, unit.sha256, entry.unit_sha256))
    problems = [
        Problem(str(path), kind, f"sha256 {found[:12]}", remedy) for kind, path, found, kept in now if found != kept
    ]
    if entry.bench != str(bench.path.resolve()):
        remedy = f"it was added for bench {entry.bench}: add it anew for this one"
        problems.append(Problem(f"entry {entry.number}", "bench", str(bench.path), remedy))
    if problems:
        raise InputRefused(problems)


def of_one_unit(inputs: Inputs, more: Mapping[str, str]) -> Inputs:
    """A plan's own wish for a reference unit is of a night of several units; here `serve` has one."""
    model = inputs.plan.model.model_copy(update={"reference": "none", **more})
    return replace(inputs, plan=replace(inputs.plan, model=model))


def changed_bench(bench: Loaded[Bench]) -> InputRefused:
    remedy = "changed since `serve` began, and its lock and arming are of the old one: begin it anew"
    return InputRefused([Problem(str(bench.path), "file", "changed", remedy)])


def sha256(path: Path) -> str:
    import hashlib

    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return ""


def causes(done: Done, ready: Ready) -> set[str]:
    ours = {run.id for run in ready.night.runs}
    return {str(trip["cause"]) for run in done.results["runs"] if run["id"] in ours for trip in run["trips"]}
