"""The daemon's loop with nights that are told, not driven: what it takes, in which order, and what follows.

Only the night itself and the drawing are stood in for; queue, ledger, files, live state are the real ones. The
expectations are the rules of README's "Unattended"; no other source.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from sequencer.clock import RealClock, run_real
from sequencer.daemon import work
from sequencer.daemon.adding import Wanted, entries_of
from sequencer.daemon.hours import hours_of
from sequencer.daemon.left import NOT_BEGUN, BrokenOff, settle_left
from sequencer.daemon.live import Live, Telling, read_live
from sequencer.daemon.notify import Notifier
from sequencer.daemon.wish import Wish
from sequencer.daemon.work import Daemon, Tools
from sequencer.errors import InputRefused
from sequencer.ledger.queue import Queue
from sequencer.ledger.results import write_results
from sequencer.ledger.store import Ledger
from sequencer.lock import BenchLock
from sequencer.night.listen import Plain, Several
from sequencer.night.supervise import Stop
from sequencer.plan.inputs import Loaded
from sequencer.plan.load import load_bench
from sequencer.plan.models import Bench
from sequencer.proving.keep import ProofAsked
from sequencer.real_run import Hold, Ready, RealRun
from sequencer.whole_night import Done
from tests.sequencer.ledger_rows import head, point

ROOT = Path(__file__).resolve().parents[2]
AT = "2026-03-10T18:00:00+00:00"
UNPROVED = ProofAsked(unproved_by="the tests")


@dataclass
class Workshop:
    """nights: serial -> exit code, cause of its trip. powers: watts of each run in turn. then: called in each night."""

    folder: Path
    bench: Loaded[Bench]
    nights: dict[str, tuple[int, str | None]] = field(default_factory=dict)
    powers: list[float] = field(default_factory=list)
    measured: list[str] = field(default_factory=list)
    labels: list[str] = field(default_factory=list)
    records: list[Path | None] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    drawn: int = 0
    now: str = "2026-03-10 23:00"
    then: Callable[[], None] = lambda: None
    stop: Stop | None = None

    @property
    def ledger(self) -> Path:
        return self.folder / "ledger.sqlite"

    def add(self, *units: str, plan: str = "first", **more: Any) -> None:
        with Queue(self.ledger) as queue:
            there = queue.entries("waiting", "taken", "held")
            wanted = [Wanted(plan, unit, **more) for unit in units]
            queue.add(entries_of(wanted, str(self.bench.path), there), AT)

    async def night(self, asked: RealRun, ready: Ready, hold: Hold, clock: RealClock) -> Done:
        (run,) = ready.night.runs
        code, cause = self.nights.get(run.unit.serial, (0, None))
        self.measured.append(run.unit.serial)
        self.labels.append(ready.night.plan.label)
        self.records.append(ready.record)
        watts = self.powers.pop(0) if self.powers else 60.0
        outcome = {0: "finished", 1: "tripped", 4: "stopped"}.get(code, "unfinished")
        with Ledger(self.ledger) as ledger:
            told = dict(head(run.id)) | {"unit": {"serial": run.unit.serial, "model": "m"}, "reference": run.reference}
            ledger.begin_run(told)
            row = dict(point("p001"))
            ledger.keep_point(run.id, row | {"channels": [one | {"power_w": watts} for one in row["channels"]]})
            if cause:
                ledger.keep_trip(run.id, {"time": AT, "sentence": "too hot", "cause": cause})
            ledger.end_run(run.id, AT, outcome)  # type: ignore[arg-type]
            results = write_results(self.folder, ledger)
        self.then()
        return Done(code, "", results, self.folder, 1.0, lines=("made safe, confirmed",))

    async def pages(self, *_: object, only_new: bool) -> str:
        self.drawn += 1
        return "pages: drawn"

    def works(self, **wish: Any) -> int:
        self.stop = stop = Stop()
        listener = Plain(self.said.append, lambda serial, row: serial)
        state = Live(pid=1, pid_began=1, bench="b", bench_file="f", ledger=str(self.ledger), since=AT, changed=AT)
        telling = Telling((self.folder / "now.json",), state, lambda: AT)
        lock = BenchLock({"generator": "a", "supply": "b"})
        with Queue(self.ledger) as queue:
            left = BrokenOff(settle_left(queue, self.ledger, listener.said))
            tools = Tools(
                self.bench,
                queue,
                Hold(lock, self.folder / "record"),
                Notifier(None, None, lambda: 0),
                telling,
                Several((listener, telling)),
                lambda: datetime.fromisoformat(self.now),
                left,
            )
            wished = Wish(ledger=self.ledger, armed_by="us", broker=None, **({"once": True, "proof": UNPROVED} | wish))

            async def main(clock: RealClock) -> int:
                return await Daemon(wished, tools, clock).work(stop)

            try:
                return run_real(main)
            finally:
                telling.close()

    def states(self) -> list[str]:
        with Queue(self.ledger, read_only=True) as queue:
            return [one.state for one in queue.entries()]

    def why(self, number: int) -> str:
        with Queue(self.ledger, read_only=True) as queue:
            return queue.entry(number).why or ""


@pytest.fixture
def workshop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Workshop:
    bench = tmp_path / "bench.toml"
    shutil.copyfile(ROOT / "sequences" / "benches" / "workshop.toml", bench)
    (tmp_path / "nights").mkdir()
    one = Workshop(tmp_path / "nights", load_bench(str(bench)))
    monkeypatch.setattr(work, "guarded_night", one.night)
    monkeypatch.setattr(work, "pages", one.pages)
    return one


def test_entries_in_order_each_with_its_label_and_repeats(workshop: Workshop) -> None:
    workshop.add("ferry_pa_60", label="after repair", repeat=2)
    workshop.add("ferry_pa_60_aft")
    assert workshop.works() == 0
    assert workshop.measured == ["MV-0117", "MV-0117", "MV-0122"]
    assert workshop.labels[:2] == ["after repair"] * 2
    assert (workshop.states(), workshop.drawn) == (["done", "done"], 3)
    assert workshop.said[-1] == "ends: the queue is empty"


def test_each_night_is_recorded_in_a_file_of_its_own_and_none_waits_for_it(workshop: Workshop, tmp_path: Path) -> None:
    """Named by its run; where no file can be made any more, that is said."""
    workshop.add("ferry_pa_60", "ferry_pa_60_aft")
    links = tmp_path / "links"
    workshop.then = lambda: None if workshop.records[1:] else links.rename(tmp_path / "away") and links.touch()
    assert workshop.works(record=links) == 0
    first, second = workshop.records
    assert first == links / f"{json.loads((workshop.folder / 'results.json').read_text())['runs'][0]['id']}.txt"
    assert second is None
    assert workshop.states() == ["done", "done"]
    assert any(line.startswith("not recorded: command line: --record") for line in workshop.said)


def test_a_plans_own_reference_unit_is_of_nights_of_several(workshop: Workshop, tmp_path: Path) -> None:
    """The night that is told has one run: the stand-in takes no other."""
    plan = tmp_path / "mine.toml"
    text = (ROOT / "sequences" / "plans" / "first.toml").read_text()
    plan.write_text(text.replace("[[stage]]", 'reference = "first and last"\n\n[[stage]]', 1))
    workshop.add("ferry_pa_60", plan=str(plan))
    assert workshop.works() == 0
    assert workshop.measured == ["MV-0117"]


def test_what_is_added_during_a_night_is_taken_too(workshop: Workshop) -> None:
    workshop.add("ferry_pa_60")
    workshop.then = lambda: None if len(workshop.measured) > 1 else workshop.add("ferry_pa_60_aft")
    assert workshop.works() == 0
    assert workshop.measured == ["MV-0117", "MV-0122"]


@pytest.mark.parametrize(
    ("wished", "cause", "measured", "states", "code"),
    [
        ("go on", "unit", 2, ["done", "done"], 1),
        ("stop", "unit", 1, ["done", "waiting"], 1),
        ("hold the rest", "unit", 1, ["done", "held"], 1),
        ("go on", "link", 1, ["done", "held"], 1),
    ],
)
def test_after_a_trip(wished: str, cause: str, measured: int, states: list[str], code: int, workshop: Workshop) -> None:
    workshop.add("ferry_pa_60", "ferry_pa_60_aft", after_trip=wished)
    workshop.nights["MV-0117"] = (1, cause)
    assert workshop.works() == code
    assert (len(workshop.measured), workshop.states()) == (measured, states)


@pytest.mark.parametrize(("code", "states"), [(3, ["held", "held"]), (5, ["held", "held"]), (4, ["held", "waiting"])])
def test_ends_that_want_a_person(code: int, states: list[str], workshop: Workshop) -> None:
    workshop.add("ferry_pa_60", "ferry_pa_60_aft")
    workshop.nights["MV-0117"] = (code, None)
    assert workshop.works(once=False) == code
    assert (workshop.measured, workshop.states()) == (["MV-0117"], states)


def test_a_plan_that_changed_is_held_and_told(workshop: Workshop, tmp_path: Path) -> None:
    plan = tmp_path / "mine.toml"
    shutil.copyfile(ROOT / "sequences" / "plans" / "first.toml", plan)
    workshop.add("ferry_pa_60", plan=str(plan))
    workshop.add("ferry_pa_60_aft")
    plan.write_text(plan.read_text() + "\n# changed\n")
    assert workshop.works() == 0
    assert workshop.measured == ["MV-0122"]
    assert workshop.states() == ["held", "done"]
    assert "changed since it was added" in workshop.why(1)
    assert "go-on 1" in workshop.why(1)


def test_a_bench_file_that_changed_ends_it_before_anything_is_driven(workshop: Workshop) -> None:
    """Lock and arming are of the bench as it was."""
    workshop.add("ferry_pa_60")
    workshop.bench.path.write_text(workshop.bench.path.read_text() + "\n# other addresses\n")
    with pytest.raises(InputRefused, match="begin it anew"):
        workshop.works()
    assert (workshop.measured, workshop.states()) == ([], ["waiting"])


def test_outside_of_its_hours_nothing_is_taken_and_the_entry_says_why(workshop: Workshop) -> None:
    workshop.add("ferry_pa_60")
    workshop.now = "2026-03-10 12:00"
    assert workshop.works(hours=hours_of("22:00-07:00")) == 0
    assert (workshop.measured, workshop.states()) == ([], ["waiting"])
    assert workshop.why(1) == "waits for 22:00"
    workshop.now = "2026-03-11 06:59:50"
    workshop.works(hours=hours_of("22:00-07:00"))
    assert "too long to end by 07:00" in workshop.why(1)
    workshop.now = "2026-03-11 23:00"
    workshop.works(hours=hours_of("22:00-07:00"))
    assert (workshop.states(), workshop.why(1)) == (["done"], "")


REFERENCE = {"reference": ("ferry_pa_60:REF@1", "first")}


@pytest.mark.parametrize(("last_w", "is_suspect"), [(60.5, False), (63.0, True)])
def test_the_reference_unit_first_and_last(last_w: float, is_suspect: bool, workshop: Workshop) -> None:
    """0.15 dB are allowed: 60.5 of 60 W is 0.036 dB, 63 of 60 W is 0.21 dB."""
    workshop.add("ferry_pa_60_aft@2", repeat=2)
    workshop.powers = [60.0, 50.0, 50.0, last_w]
    assert workshop.works(**REFERENCE) == 0
    assert workshop.measured == ["REF", "MV-0122", "MV-0122", "REF"]
    results = json.loads((workshop.folder / "results.json").read_text())
    assert [run["reference"] for run in results["runs"]] == [True, False, False, True]
    assert (results["suspect"] is not None) is is_suspect


def test_a_reference_unit_that_trips_holds_the_night(workshop: Workshop) -> None:
    workshop.add("ferry_pa_60_aft@2")
    workshop.nights["REF"] = (1, "unit")
    assert workshop.works(**REFERENCE) == 1
    assert (workshop.measured, workshop.states()) == (["REF"], ["held"])


def test_nobody_is_measured_in_the_reference_units_bay(workshop: Workshop) -> None:
    workshop.add("ferry_pa_60_aft@1")
    assert workshop.works(**REFERENCE) == 0
    assert (workshop.measured, workshop.states()) == (["REF"], ["held"])
    assert "reference unit REF" in workshop.why(1)


def test_a_signal_ends_it_between_two_nights(workshop: Workshop) -> None:
    workshop.add("ferry_pa_60", "ferry_pa_60_aft")
    workshop.then = lambda: workshop.stop.seen() if workshop.stop else None
    assert workshop.works(once=False) == 0
    assert workshop.states() == ["done", "waiting"]
    assert workshop.drawn == 0, "nobody waits for pages"


def test_what_a_dead_daemon_left_is_settled_by_what_the_ledger_has_of_it(workshop: Workshop) -> None:
    """Never begun: held. Ended before the death: done. Tripped: held, a person looks. Of a run without an end that
    can't go on (here nothing says what it was told) the entry is held with the reason."""
    workshop.add("ferry_pa_60", "ferry_pa_60", "ferry_pa_60", "ferry_pa_60")
    with Queue(workshop.ledger) as queue, Ledger(workshop.ledger) as ledger:
        for number, (run, outcome) in enumerate({"r1": None, "r2": "finished", "r3": "tripped", "r4": ""}.items(), 1):
            queue.take(number, run)
            if outcome is not None:
                ledger.begin_run(head(run))
            if outcome:
                ledger.end_run(run, AT, outcome)  # type: ignore[arg-type]
    assert workshop.works() == 0
    assert (workshop.measured, workshop.states()) == ([], ["held", "done", "held", "held"])
    assert workshop.why(1) == NOT_BEGUN
    assert workshop.why(3) == "its run was tripped when the last daemon died"
    assert "it can't go on" in workshop.why(4)


def test_a_night_that_raises_leaves_its_entry_held(workshop: Workshop) -> None:
    def burst() -> None:
        raise OSError("no disk")

    workshop.add("ferry_pa_60")
    workshop.then = burst
    with pytest.raises(OSError, match="no disk"):
        workshop.works()
    assert workshop.states() == ["held"]
    assert "no disk" in workshop.why(1)


def test_the_live_file_says_what_is_under_way(workshop: Workshop) -> None:
    seen: list[Live | None] = []
    workshop.add("ferry_pa_60")

    def look() -> None:
        import time

        until_s = time.monotonic() + 5.0
        while time.monotonic() < until_s:
            found = read_live(workshop.folder / "now.json")
            if found is not None and found.doing == "measuring":
                seen.append(found)
                return
            time.sleep(0.01)  # its thread writes when it can

    workshop.then = look
    workshop.works()
    (live,) = seen
    assert live is not None
    assert (live.entry, live.sentence) == (1, "entry 1: unit MV-0117 in bay 1")
    assert not live.lives, "no such process"
    after = read_live(workshop.folder / "now.json")
    assert after is not None
    assert (after.doing, after.entry) == ("ended", None)
