"""What searched points tell about the unit: after each group, and over all rows of a run. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sequencer.measurements.output_power import Outcome
from sequencer.measurements.power_ends import gain_away, of_ends
from sequencer.measurements.power_rails import burst_note, of_rails
from sequencer.measurements.power_shapes import of_shapes, seen_before
from sequencer.measurements.values import Context, Finding

__all__ = ["burst_note", "of_group", "of_run"]

Row = Mapping[str, Any]
CAUSES = ("limiter", "protection", "protection early", "gate", "crossover", "one side clips first", "soft clipping")


def of_group(context: Context, rows: Sequence[Row], outcome: Outcome) -> tuple[tuple[str, Finding], ...]:
    """(point, finding). context.earlier: the rows before this group; rows: the group's own.

    What the shape of a burst shows is told once for a load and a set of channels, at its first longer burst.
    """
    found = list(of_ends(context, rows, outcome))
    if rows and outcome.twin is not None and not seen_before(context, outcome):
        found += [(str(rows[0]["id"]), one) for one in of_shapes(context, outcome)]
    return tuple((point, _with_cause(one, [f for _, f in found])) for point, one in found)


def of_run(context: Context) -> tuple[tuple[str | None, Finding], ...]:
    """(point or None, finding), from all rows of a unit's run. context.earlier: all of them."""
    return (*of_rails(context), *gain_away(context.earlier))


def _with_cause(finding: Finding, others: Sequence[Finding]) -> Finding:
    """Low power names the nearest cause that the same group showed."""
    cause = next((o.kind for o in others if o.kind in CAUSES and o.channel in (None, finding.channel)), None)
    if finding.kind != "power low" or cause is None:
        return finding
    return Finding(finding.kind, f"{finding.sentence}; see: {cause}", finding.next_action, finding.channel)
