"""Runs for the tests of comparisons: powers drawn from budgets whose true errors are known. All numbers are made up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sequencer.analysis.uncertainty import BRACKET, Source, power_uncertainty
from tests.sequencer.ledger_rows import channel, point
from tests.sequencer.report_nights import rating, run

MARKS = {
    "range:ch1:50": "digitiser DS-1, calibrated 2026-01-02, 50 V", "probe:ch1": "bench deck, input ch1, x 10",
    "load:4R:A": "bench deck, 4.02 ohm, measured 2026-01-02",
}  # fmt: skip
SHARED = (
    Source.voltage("range:ch1:50", "rectangular", 1.0),
    Source.voltage("probe:ch1", "rectangular", 0.5),
    Source.resistance("load:4R:A", "normal", 0.25),
)
OWN = (Source.resistance("heat", "rectangular", 0.3), Source.resistance("contact", "rectangular", 0.2))
REPEATS = Source.power("repeatability", "normal", 0.1)


def power_row(shown_w: float, sources: Sequence[Source] = (*SHARED, *OWN, REPEATS), **more: Any) -> dict[str, Any]:
    """A channel as a night keeps it: its watts, its budget, and the shapes behind the parts."""
    budget = power_uncertainty(shown_w, sources)
    return channel("A", **({
        "power_w": shown_w, "power_expanded_uncertainty_w": budget.expanded_w,
        "coverage_factor": budget.coverage_factor, "uncertainty_parts_w": budget.parts_w,
        "uncertainty_kinds": {part.id: part.kind for part in budget.parts}, "uncertainty_freedom": {},
        "power_at_limit_w": None, "power_at_limit_expanded_uncertainty_w": None,
    } | more))  # fmt: skip


def at_limit_row(shown_w: float, width_db: float = 0.05) -> dict[str, Any]:
    """The same with a power at the limit, which has the bracket in its budget."""
    budget = power_uncertainty(shown_w, (*SHARED, *OWN, REPEATS, Source.bracket(width_db)))
    limit = {
        "power_at_limit_w": shown_w, "power_at_limit_expanded_uncertainty_w": budget.expanded_w,
        "power_at_limit_bracket_w": budget.parts_w[BRACKET],
    }  # fmt: skip
    return power_row(shown_w * 0.995, **limit)


def one_run(
    shown_w: float = 100.0,
    *,
    serial: str = "MV-0117",
    run_id: str = "r1",
    begun: str = "2026-03-01T20:00:00+00:00",
    label: str = "as received",
    marks: Mapping[str, str] = MARKS,
    **more: Any,
) -> dict[str, Any]:
    """A healthy run with one power at its limit."""
    rows = more.pop("points", None) or [
        point(channels=[at_limit_row(shown_w)], channels_driven=["A"], stop_quantity="thd", judged_by="thd")
    ]
    told = {"source_marks": dict(marks), "begun": begun, "label": label, "ratings": [rating(channels_driven=1)]}
    return run(*rows, serial=serial, run_id=run_id, **(told | more))


def hostile(name: str, number: int, label: str = "") -> dict[str, Any]:
    """One run in which every text that comes from outside is the name."""
    row = point(
        f"p{number}", channels=[dict(at_limit_row(120.0)) | {"channel": name}], channels_driven=[name], load=name,
        stop_quantity="thd", judged_by="thd", stopped_by_channel=name,
        values=[{"name": name, "channel": name, "value": 1.0 + number, "unit": name, "expanded_uncertainty": 0.1,
                 "judgement": "within", "reason": name}],
    )  # fmt: skip
    return one_run(
        points=[row], serial=name, run_id=f"r{number}{label}", label=name + label, plan=name, bench=name, version=name,
        unit={"serial": name, "model": name}, bay=name, bench_sha256=name, plan_sha256=name,
        begun=f"2026-03-{1 + number % 28:02}T20:00:00+00:00",
        findings=[{"kind": name, "sentence": name, "next_action": name, "channel": name}],
        source_marks={"range:ch1:50": name}, wiring={"ch1": name},
    )  # fmt: skip
