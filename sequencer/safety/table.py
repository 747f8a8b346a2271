"""The table of all rules that end a point: what each holds a reading against, and where the figure is from. Pure.

A stop limit ends a ramp and is a result of the search; a trip limit ends the point by the rule's name and makes the
bench safe.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Cause = Literal["unit", "bench", "link"]


@dataclass(frozen=True)
class Rule:
    """One line of the table. stop: what ends a ramp, in words; trip: what makes safe. source: of the figures. cause:
    where a person looks first."""

    name: str
    stop: str
    trip: str
    source: str
    cause: Cause = "unit"


PRACTICE = "common practice, no source"
OWN = "our own judgement"
NO_FIGURE = "no figure"

TABLE: tuple[Rule, ...] = (
    Rule("heat sink", "at the unit's heat.stop_c", "at the unit's heat.trip_c", "the unit's file"),
    Rule("heat sink rising", "none", "more than 1.5 K/s over at least 2 s", PRACTICE),
    Rule("heat sinks apart", "none", "40 K, where both were driven alike since they were within 5 K", OWN),
    Rule("load temperature", "90 degC: rests before the burst", "120 degC, by the joules put in", PRACTICE),
    Rule("burst energy", "the search's ceiling", "1.1 x the load's burst_j or the unit's energy_per_burst_j", OWN),
    Rule("sensor open", "none", "no reading", OWN),
    Rule("sensor implausible", "none", "beyond -20 to 150 degC, or 10 K away within 5 s", OWN),
    Rule("sensor silent", "none", "the same reading for 60 s while heat worth 4 K went in", OWN),
    Rule("sensor not following", "none", "less than a quarter of the least rise due, from 4 K on", OWN),
    Rule("reading stale", "none", "older than 3 periods of the watch", PRACTICE, "link"),
    Rule("supply current", "none", "above the unit's most, 0.75 x a fuse, or the bench's ceiling", PRACTICE),
    Rule("supply current without signal", "none", "1.5 x the idle window for 0.5 s, once driven", PRACTICE),
    Rule("supply current running away", "none", "up by 20 % and 20 mA in 60 s, above the idle window", PRACTICE),
    Rule("current limit without signal", "in a burst: supply_current_limit", "for 0.5 s without signal", PRACTICE),
    Rule("supply tripped", "none", "its own protection acted", NO_FIGURE),
    Rule("supply volts", "in a burst: rail_sag", "5 % off for 0.5 s without signal; half of it: at once", OWN),
    Rule("supply volts high", "none", "5 % above what is set, or 2 % above the unit's most: at once", OWN),
    Rule("offset", "above 0.1 V: not driven", "mean of 0.15 s and more without signal above 3 V", PRACTICE),
    Rule("output without signal", "none", "above 1 Vrms and 3 x the digitiser's floor, in 0.15 s and more", OWN),
    Rule("output gone", "in a burst: protection", "below 0.1 x gain x level, twice in a row", OWN),
    Rule("gain away", "a loss of 0.5 dB: limited", "1.5 dB off the proof far below the knee, twice in a row", OWN),
    Rule("digitiser overload", "once: a wider range", "the same range twice in a row", OWN, "bench"),
    Rule("instrument restarted", "none", "seen to have lost its settings or contacts", NO_FIGURE, "bench"),
    Rule("identity changed", "none", "another instrument answers at an address", NO_FIGURE, "bench"),
    Rule("settings differ", "none", "refused, or read back differently", NO_FIGURE, "bench"),
    Rule("ceiling passed", "none", "a command beyond a ceiling: it is not sent", NO_FIGURE, "bench"),
    Rule("no number", "none", "an instrument shows overload or nothing where a number was asked", NO_FIGURE, "bench"),
    Rule("instrument not done", "none", "not done in time with what it was told", NO_FIGURE, "link"),
    Rule("instrument does not answer", "none", "no reply, a broken one, or no connection", NO_FIGURE, "link"),
    Rule("interlock open", "none", "a contact of the interlock reads open", NO_FIGURE, "bench"),
    Rule("cut-off dropped", "none", "its relay reads dropped although it was fed", NO_FIGURE, "bench"),
    Rule("guardian gone", "none", "its process has ended", NO_FIGURE, "bench"),
)
BY_NAME = {rule.name: rule for rule in TABLE}


def markdown(rules: Sequence[Rule] = TABLE) -> str:
    """For the developers' page; a test keeps both equal."""
    head = "| rule | stop limit | trip limit | source | look first at |\n|---|---|---|---|---|\n"
    cells = ((r.name, r.stop, r.trip, r.source, r.cause) for r in rules)
    return head + "".join(f"| {' | '.join(row)} |\n" for row in cells)
