"""`--resume`: a night that another process began, read from its folder and made ready to go on.

What counts is what the night itself has kept: plan, units and method as they were told then, whatever became of their
files. The bench's file alone is read again, since it says what stands there now, and must be the very same.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from drivers.dialect import Dialect
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.declared import (
    DECLARED_FOLDER,
    DECLARED_NAME,
    Declared,
    DeclaredNight,
    declared_of_runs,
    read_declared,
)
from sequencer.ledger.opening import LEDGER_NAME
from sequencer.ledger.results import RESULTS_NAME, write_results
from sequencer.ledger.store import Ledger
from sequencer.night.reference import differences
from sequencer.night.resume import strangers
from sequencer.night.setup import NightPlan, Resumed, UnitRun
from sequencer.on_paper import Check, on_paper, version
from sequencer.plan.expand import expand
from sequencer.plan.inputs import Inputs, Loaded, UnitInBay
from sequencer.plan.load import load_bench
from sequencer.plan.models import RoleName
from sequencer.roles import load_dialects

REHEARSAL_PAUSE_S = 60.0  # of simulated time, between a rehearsal's last message and its going on


@dataclass(frozen=True)
class Begun:
    """A night as its folder has it. runs: those to go on with, in order; kept: all that have begun, by id, as the
    results have them. last: of its messages, number and time."""

    folder: Path
    told: DeclaredNight
    declared: Declared
    runs: tuple[UnitRun, ...]
    kept: Mapping[str, Mapping[str, Any]]
    last: tuple[int, str]

    @property
    def start(self) -> datetime:
        """When a rehearsal goes on, simulated."""
        return datetime.fromisoformat(self.last[1]) + timedelta(seconds=REHEARSAL_PAUSE_S)

    def checked(self) -> tuple[Check, Inputs, dict[RoleName, Dialect]]:
        """As `on_paper.checked`: of the units that are not done. Raises InputRefused where the bench's file is no
        longer the one that the night was begun with."""
        bench = load_bench(self.told.bench_file)
        if bench.sha256 != self.told.bench_sha256:
            words = (
                "is no longer the file that this night was begun with, and addresses, wiring and loads may be others: "
                "put that file back, or begin a new night"
            )
            raise InputRefused([Problem(bench.name, "file", f"sha256 {bench.sha256[:12]}...", words)])
        kept_in = self.folder / DECLARED_NAME
        plan = Loaded(self.declared.plan, kept_in, DECLARED_NAME, self.told.plan_sha256)
        method = Loaded(self.told.method, kept_in, DECLARED_NAME, "") if self.told.method else None
        units = {run.unit.serial: UnitInBay(Loaded(run.unit, kept_in, DECLARED_NAME, ""), run.bay) for run in self.runs}
        inputs = Inputs(plan, tuple(units.values()), bench, method)
        left = [run.unit.serial for run in self.runs if not self._has_ended(run)]
        only = tuple(one for one in inputs.units if one.loaded.model.serial in left)
        return on_paper(replace(inputs, units=only)), inputs, load_dialects(bench)

    def night(self, stand_ins: Mapping[RoleName, str], guardian: str | None = None) -> NightPlan:
        """guardian: what it did since."""
        told, declared = self.told, self.declared
        why = f"the process before ended without a word, after {self.last[1]}"
        open_run = any(one["ended"] is None for one in self.kept.values())
        resumed = Resumed(self.kept, self.last[0], why if open_run else "asked for", guardian)
        return NightPlan(
            declared.plan,
            declared.bench,
            self.runs,
            told.seed,
            told.plan_sha256,
            told.bench_sha256,
            version(),
            stand_ins,
            told.method,
            told.bench_file,
            resumed,
        )

    def _has_ended(self, run: UnitRun) -> bool:
        return run.id in self.kept and self.kept[run.id]["ended"] is not None


def begun(folder: Path, *, simulated: bool, only: str | None = None) -> Begun:
    """only: that run and no other; in a folder that keeps many nights, its night, and without it the one that has no
    end. Raises InputRefused: no night, one of the other kind, nothing left to do, or rows that today's version would
    not build; and where another process is at it."""
    declared = _declared(folder, only)
    told = _told(folder, declared, simulated)
    with Ledger(folder / LEDGER_NAME) as ledger:
        results, (seq, at) = ledger.results(), ledger.last_told()
        kept = {run["id"]: run for run in results["runs"] if run["id"] in declared.run}
        if only is not None and only not in declared.run:
            raise _refused(folder, "run", only, f"name one of its runs: {', '.join(told.order)}")
        runs = tuple(_run(name, declared) for name in told.order if only in (None, name))
        if all(run.id in kept and kept[run.id]["ended"] is not None for run in runs):
            _completed(folder, ledger, tuple(_run(name, declared) for name in told.order), results)
            words = "nothing to resume: every run has ended; `nightramp report` makes the pages again"
            raise _refused(folder, "runs", f"{len(runs)} ended", words)
    strange = [f"{run.id} {one}" for run in runs if run.id in kept for one in strangers(run, kept[run.id])]
    if strange:
        words = "this version builds other points from the same plan: begin a new night"
        raise _refused(folder, "points", ", ".join(strange[:5]), words)
    return Begun(folder, told, declared, runs, kept, (seq, at or _latest_begin(kept)))


def _declared(folder: Path, only: str | None) -> Declared:
    if (folder / DECLARED_NAME).exists() or not (folder / DECLARED_FOLDER).is_dir():
        return read_declared(folder)
    if only is None:
        with Ledger(folder / LEDGER_NAME, read_only=True) as ledger:
            only = next((run["id"] for run in reversed(ledger.runs()) if run["ended"] is None), None)
        if only is None:
            raise _refused(folder, "runs", "all ended", "nothing to resume")
    found = declared_of_runs(folder).get(only)
    if found is None:
        raise _refused(folder, "run", only, "what that night was told is missing: begin a new one")
    return found


def _told(folder: Path, declared: Declared, simulated: bool) -> DeclaredNight:
    path, told = folder / DECLARED_NAME, declared.night
    if told is None:
        raise _refused(path, "night", "absent", "a night of an earlier version can't be resumed: begin a new one")
    if not (folder / LEDGER_NAME).is_file():
        raise _refused(folder, "ledger", "missing", "nothing of this night was kept: begin a new one")
    if told.simulated != simulated:
        words = "a rehearsal: go on with `nightramp dry-run --resume`"
        other = "a night on real instruments: go on with `nightramp run --resume`"
        raise _refused(path, "night.simulated", str(told.simulated).lower(), words if told.simulated else other)
    if told.version != version():
        words = f"begun by another version than {version()}, which may build other points: resume it with that one"
        raise _refused(path, "night.version", told.version, words)
    if set(told.order) != set(declared.run):
        raise _refused(path, "night.order", ", ".join(told.order), "changed by hand: it must name each run once")
    return told


def _run(name: str, declared: Declared) -> UnitRun:
    told = declared.run[name]
    bay = next(bay for bay in declared.bench.bay if bay.name == told.bay)
    return UnitRun(name, told.unit, bay, expand(declared.plan, told.unit, declared.bench), told.reference)


def _completed(folder: Path, ledger: Ledger, runs: tuple[UnitRun, ...], results: Mapping[str, Any]) -> None:
    """The last run had ended, and the process with it before the results were written."""
    if (folder / RESULTS_NAME).exists():
        return
    rows = {run["id"]: run["points"] for run in results["runs"]}
    twice = [run for run in runs if run.reference]
    if len(twice) > 1 and (apart := differences(rows[twice[0].id], rows[twice[-1].id])):
        ledger.mark_suspect(f"reference unit {twice[0].unit.serial}, first and last: " + "; ".join(apart))
    write_results(folder, ledger)


def _latest_begin(kept: Mapping[str, Mapping[str, Any]]) -> str:
    """Where every message was confirmed and has gone."""
    return max((str(run["begun"]) for run in kept.values()), default="2026-01-05T22:00:00.000+00:00")


def _refused(file: Path, key: str, value: str, remedy: str) -> InputRefused:
    return InputRefused([Problem(str(file), key, value, remedy)])
