"""The sheet of one unit: one run of the results, with its traces, as a page. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sequencer.measurements.first_answer import answer, is_first_look
from sequencer.report import distortion_sections as distortion
from sequencer.report import how_sections as how
from sequencer.report import other_sections as other
from sequencer.report import power_sections as power
from sequencer.report import value_sections, words
from sequencer.report.attention import concerns
from sequencer.report.blocks import Page, Section
from sequencer.report.judged import judgements
from sequencer.report.shots import Kept

Row = Mapping[str, Any]

SIMULATED = words.SIMULATED


def sheet(run: Row, kept: Mapping[str, Kept], suspect: str | None = None) -> Page:
    """kept: the run's traces by point id. suspect: why the whole night's numbers are in doubt."""
    doubts = (words.sentence(f"Suspect: {suspect}"),) if suspect else ()
    simulated = (SIMULATED,) if is_simulated(run) else ()
    return Page(title(run), tuple(_head(run)), doubts + simulated, tuple(_sections(run, kept)))


def is_simulated(run: Row) -> bool:
    """A start on real instruments keeps how its bench was proved, a rehearsal never does."""
    return run.get("seed") is not None and not run.get("proof")


def title(run: Row) -> str:
    return f"Sheet for unit {words.clean(run['unit']['serial'])}"


def _head(run: Row) -> list[str]:
    label = f", {words.clean(run['label'])}" if run.get("label") else ""
    bay = f", bay {words.clean(run['bay'])}" if run.get("bay") else ""
    ended = f" to {words.stamp(run['ended'])}" if run.get("ended") else ", no end kept"
    measured = words.of(sum(p["outcome"] == "measured" for p in run["points"]), len(run["points"]), "points measured")
    return [
        f"{words.clean(run['unit']['model'])}{label}",
        f"Plan {words.clean(run['plan'])}, bench {words.clean(run['bench'])}{bay}, run {words.clean(run['id'])}",
        f"{words.stamp(run['begun'])}{ended}; {run['outcome']}; {measured}",
    ]


def _sections(run: Row, kept: Mapping[str, Kept]) -> list[Section]:
    """In the order in which a technician asks; without data a section is left out."""
    sections = [
        other.judgement(judgements(run), concerns(run), answer(run) if is_first_look(run) else ""),
        power.power(run),
        distortion.with_levels(power.distortion(run), run),
        *distortion.further(run),
        power.last_clean_shot(run, kept),
        power.envelope(run),
        other.rail(run),
        other.temperature(run),
        *value_sections.values(run),
        other.trips(run),
        how.how(run),
        how.instruments(run),
        how.uncertainty(run),
        how.cautions(),
    ]
    return [s for s in sections if s.tables or not s.empty.startswith("not measured")]
