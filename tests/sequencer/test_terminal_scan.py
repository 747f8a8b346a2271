"""`terminal_scan` on paper: what two terminals are by what stands at them, the drawing, and what it costs.

A bridge drives its two legs against each other, each with half the volts: textbook. Limits: our own judgement.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from sequencer.analysis.records import Record
from sequencer.measurements.bench_inputs import ToneSeen
from sequencer.measurements.gravity import OF_KIND, Gravity
from sequencer.measurements.requests import Answer, Ask, Remote, Reply, Request, SetSupply, Tell
from sequencer.measurements.terminal_scan import terminal_scan
from sequencer.measurements.terminals import At, Found, channel_found, drawn, due_vrms, findings, row
from sequencer.measurements.values import Values
from sequencer.plan.estimate_values import value_estimate
from sequencer.report.wiring_drawing import wiring_drawings
from tests.sequencer.paper_checks import PaperBenchOfChecks, drive, job_of, kinds, unit_model

CODES = np.zeros(8, dtype=np.int32)
RECORD = Record(np.zeros(8), 1e-5, 0.0, 1e-4, 0.4, False, 12, CODES, 1e-4, 0.0)


def at(terminal: str, rms_v: complex, rest_v: float = 0.0, drive: str = "AB") -> At:
    return At(terminal, {drive: ToneSeen(complex(rms_v) * 2.0**0.5, 1e-6, RECORD)}, rest_v)


def found_of(seen: tuple[At, ...], declared: dict[str, str], **more: Any) -> Found:
    due = {name: due_vrms(0.0025, 26.0, leg) for name, leg in declared.items()}
    channels = tuple(channel_found(name, seen, due[name]) for name in declared)
    return Found("MV-0117", "2", seen, due, declared, more.pop("supply_a", 1.1), channels=channels, **more)


LIVE, DEAD = 0.05, 0.0002
CASES: list[tuple[str, tuple[At, ...], str, tuple[str, str | None] | None]] = [
    ("plus live", (at("A plus", LIVE), at("A minus", DEAD)), "plus", None),
    ("minus live, as its file says", (at("A plus", DEAD), at("A minus", LIVE)), "minus", None),
    ("minus live", (at("A plus", DEAD), at("A minus", LIVE)), "plus", ("live terminal", "A")),
    ("a bridge", (at("A plus", LIVE / 2, 12.0), at("A minus", -LIVE / 2, 12.0)), "both", None),
    ("a bridge, told as single", (at("A plus", LIVE / 2), at("A minus", -LIVE / 2)), "plus", ("live terminal", "A")),
    ("half a bridge", (at("A plus", LIVE), at("A minus", DEAD)), "both", ("minus grounded", "A")),
    ("the other half", (at("A plus", DEAD), at("A minus", LIVE)), "both", ("plus grounded", "A")),
    ("joined", (at("A plus", LIVE), at("A minus", LIVE)), "plus", ("terminals joined", "A")),
    ("nothing, on", (at("A plus", DEAD), at("A minus", DEAD)), "plus", ("outputs elsewhere", None)),
]


@pytest.mark.parametrize(("seen", "declared", "kind"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_each_wiring_is_named(seen: tuple[At, ...], declared: str, kind: tuple[str, str | None] | None) -> None:
    found = found_of(seen, {"A": declared})
    assert [(f.kind, f.channel) for f in findings(found)] == ([kind] if kind else [])
    if kind:
        assert OF_KIND[kind[0]] is Gravity.DOUBTFUL


def test_a_tone_that_comes_over_from_elsewhere_is_not_live() -> None:
    """A quarter of what is due: 12.5 of 50 mV."""
    seen = at("A plus", LIVE), at("A minus", 0.012)
    assert list(findings(found_of(seen, {"A": "plus"}))) == []
    assert [f.kind for f in findings(found_of((seen[0], at("A minus", 0.013)), {"A": "plus"}))] == ["terminals joined"]


def test_silent_terminals_of_a_unit_that_draws_nothing_are_not_another_bay_s() -> None:
    seen = at("A plus", DEAD), at("A minus", DEAD)
    assert [f.kind for f in findings(found_of(seen, {"A": "plus"}, supply_a=0.01))] == ["no output"]
    (unread,) = findings(found_of(seen, {"A": "plus"}, supply_a=float("nan")))  # a supply of knobs
    assert "nan" not in unread.sentence


def test_quiet_terminals_that_hang_together_off_minus_are_a_common_minus() -> None:
    """Told and drawn, no finding: the unit may be made so."""
    seen = at("A plus", LIVE), at("A minus", DEAD, 0.31), at("B plus", LIVE), at("B minus", DEAD, 0.312)
    found = found_of(seen, {"A": "plus", "B": "plus"})
    assert list(findings(found)) == []
    assert found.common_minus == pytest.approx(0.311)
    assert "common minus" in drawn(row(found))[-1]
    apart = found_of((*seen[:3], at("B minus", DEAD, 0.5)), {"A": "plus", "B": "plus"})
    assert apart.common_minus is None


def test_crossed_outputs_show_where_each_input_is_driven_alone() -> None:
    def both(terminal: str, a_v: float, b_v: float) -> At:
        return replace(
            at(terminal, a_v, drive="A"), tones=at(terminal, a_v, drive="A").tones | at(terminal, b_v, drive="B").tones
        )

    crossed = (
        both("A plus", DEAD, LIVE),
        both("A minus", DEAD, DEAD),
        both("B plus", LIVE, DEAD),
        both("B minus", DEAD, DEAD),
    )
    told = [(f.kind, f.channel) for f in findings(found_of(crossed, {"A": "plus", "B": "plus"}))]
    assert told == [("channels crossed", "A"), ("channels crossed", "B")]


def test_the_shell_above_100_mv_is_told() -> None:
    seen = at("A plus", LIVE), at("A minus", DEAD)
    for shell_v, kind in ((0.099, []), (0.101, ["input shell"])):
        found = found_of(seen, {"A": "plus"}, shell_v=shell_v, shell_ohm=470.0)
        assert [f.kind for f in findings(found)] == kind


def test_the_drawing_hangs_on_the_supply_s_minus_what_stands_there() -> None:
    seen = at("A plus", LIVE), at("A minus", DEAD), at("B plus", DEAD), at("B minus", LIVE)
    kept = row(found_of(seen, {"A": "plus", "B": "minus"}, shell_v=0.007, shell_ohm=0.4))
    lines = drawn(kept)
    hung = [line.split("  ")[1] for line in lines if line.endswith("--+")]
    assert [one.strip() for one in hung] == ["A minus", "B plus", "input shell", hung[-1].strip()]
    assert hung[-1].startswith("supply minus")
    assert len({len(line) for line in lines if line.endswith("+")}) == 1, "the line at the right is not straight"
    (on_the_sheet,) = wiring_drawings({"points": [{"id": "p002", "wiring_found": kept}]})
    for word in ("A minus", "0.050 V, live", "supply minus", "bonded"):
        assert word in on_the_sheet.svg


# --- the talk -------------------------------------------------------------------------------------


@dataclass
class Handled(PaperBenchOfChecks):
    """A person who says `answers` in order and does what is asked; then nobody is there."""

    answers: list[str] = field(default_factory=list)
    asks: list[Ask] = field(default_factory=list)
    off_at_ask: list[bool] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    at: str = "A plus"

    def answer(self, request: Request) -> Reply:
        if isinstance(request, Tell):
            self.told.append(request.sentence)
        if not isinstance(request, Ask):
            return super().answer(request)
        self.asks.append(request)
        self.off_at_ask.append(self.remote_s is None or not self.on)
        said = self.answers.pop(0) if self.answers else request.otherwise
        if said == "done":
            self.at = next((t for t in ("A minus", "B plus", "B minus") if t in request.question), "A plus")
            self.at = "shell" if "shell" in request.question else self.at
        return Answer(said, by_a_person=True)

    def _wire(self, name: str, fire: Any, true_s: Any, fired_s: float, rng: Any) -> Any:
        volts = super()._wire("ch2" if name == "ch1" and self.at == "B plus" else name, fire, true_s, fired_s, rng)
        return volts * 0.0 if name == "ch1" and self.at in ("A minus", "B minus", "shell") else volts


def scanned(paper: Handled) -> Values:
    return drive(terminal_scan(job_of("terminal_scan", unit_model(), paper.bench)), paper.answer)


WILLING = ["yes", "done", "done", "done", "done", "470", "done", "done"]


def test_hands_go_near_only_while_it_is_off_and_never_louder_than_50_mv() -> None:
    paper = Handled(answers=list(WILLING))
    found = scanned(paper)
    assert (kinds(found), found.no_drive) == ([], None)
    assert paper.off_at_ask == [False] + [True] * 7
    assert all("supply's minus" in ask.question for ask in paper.asks[1:7])
    assert paper.highest_v <= 0.0503 * 2.0**0.5  # 20 times 50 mV by 26 dB (19.953), less than a percent above
    assert paper.told[0].startswith("wiring of unit MV-0117")
    last = [r for r in paper.asked if isinstance(r, Remote | SetSupply)][-1]
    assert last.on, "it was left off"


def test_nobody_there_fires_nothing() -> None:
    paper = Handled()
    found = scanned(paper)
    assert (found.reason, found.shots, paper.fired) == ("nobody there: a person must move the probe", 0, [])


@pytest.mark.parametrize("stops_at", range(1, len(WILLING)))
def test_a_person_who_leaves_in_the_middle(stops_at: int) -> None:
    """Not measured, or not driven, and never off for good; the shell alone may be left out."""
    paper = Handled(answers=WILLING[:stops_at])
    found = scanned(paper)
    assert found.no_drive == "not driven: nobody said that the probe of ch1 was put back"
    assert (found.reason is not None) == (stops_at < 5)
    last = [r for r in paper.asked if isinstance(r, Remote | SetSupply)][-1]
    assert last.on


def test_it_costs_no_more_than_on_paper() -> None:
    """The bound holds, and is at most 2.5 times what is taken (our own requirement of an estimate)."""
    paper = Handled(answers=list(WILLING))
    unit = unit_model()
    job = job_of("terminal_scan", unit, paper.bench)
    found = drive(terminal_scan(job), paper.answer)
    cost = value_estimate(job.point, unit, paper.bench)
    assert 0 < found.shots <= cost.shots
    assert paper.now_s <= cost.time_s <= 2.5 * paper.now_s
    assert cost.level_vrms == pytest.approx(0.05 / 10 ** (26.0 / 20.0))
