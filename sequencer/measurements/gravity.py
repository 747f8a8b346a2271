"""How grave each kind of finding is, and which of them only follow from others. Pure.

One table for whoever sorts findings or answers from them; the order is common practice, no source: first what may
burn, then what makes readings doubtful, then faults by what they cost, then what follows from them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import IntEnum
from typing import Any

Row = Mapping[str, Any]


class Gravity(IntEnum):
    """Smaller comes first."""

    DANGER = 0  # it may burn when it is powered or driven
    DOUBTFUL = 1  # bench or bay are not as their files say: what was read may not be this unit's
    STAGE = 2  # a stage, its rail, its bias, its protection: to be repaired
    SHAPE = 3  # what it does to a signal, and where its heat goes
    LEVEL = 4  # too little of something, often because of one of those above
    SLIGHT = 5  # small, and of the unit
    NOTED = 6  # of the bench, or a control's position: nothing to repair


OF_KIND: Mapping[str, Gravity] = {
    kind: gravity
    for gravity, kinds in {
        Gravity.DANGER: ("do not power", "shorted output", "no drive"),
        Gravity.DOUBTFUL: (
            "not the unit expected", "wrong load", "channels crossed", "probe", "probe off", "supply sense",
            "supply lead", "supply current limit",
            "outputs elsewhere", "live terminal", "plus grounded", "minus grounded", "terminals joined",
        ),
        Gravity.STAGE: (
            "no output", "offset outside", "offset moved", "idle current high", "idle not steady",
            "idle current after heat", "drop-out", "offset jump", "weak rail", "protection early", "protection",
            "oscillation on the crest", "oscillation at rest",
            "distorted at every level", "early cycles clipped", "offset warm", "idle current low",
        ),
        Gravity.SHAPE: (
            "crossover", "mounting", "cooling", "soak ended early", "precondition ended early",
            "endurance ended early", "one side clips first",
            "limiter", "gate",
            "thermometer does not follow", "distortion", "distortion at low level",
            "response", "channels unlike", "power bandwidth",
        ),
        Gravity.LEVEL: (
            "gain at 10 mV", "gain away", "channel mismatch", "power low", "channel power mismatch", "soft clipping",
            "gain depends on level", "gain not as its file", "polarity",
        ),
        Gravity.SLIGHT: (
            "hum", "noise", "crosstalk", "thump", "standby current", "mute time", "idle current unsettled",
            "idle current not set",
        ),
        Gravity.NOTED: (
            "boost", "offset doubtful", "protection holds", "input ground", "contact or lead resistance",
            "load resistance", "load drift", "digitiser range", "clock", "input shell",
        ),
    }.items()
    for kind in kinds
}  # fmt: skip
# A kind of finding, and those that explain it where the same channel, or the whole unit, shows them too.
BECAUSE: Mapping[str, tuple[str, ...]] = {
    "gain depends on level": ("crossover", "idle current low"),  # a dead zone takes more from a small tone
    "distorted at every level": ("crossover",),
    "crossover": ("idle current low",),
    "distortion at low level": ("crossover", "idle current low"),
    "distortion": ("crossover", "one side clips first"),
    "power low": (
        "weak rail",
        "protection early",
        "protection",
        "limiter",
        "gate",
        "crossover",
        "one side clips first",
    ),
    "channel power mismatch": ("no output", "channel mismatch", "weak rail", "protection early", "limiter"),
    "gain not as its file": ("channel mismatch", "boost"),
    "gain away": ("no output", "probe", "channel mismatch"),
    "protection holds": ("protection early", "protection"),
    "offset moved": ("protection early",),
    "soak ended early": ("mounting", "cooling", "protection early"),
    "endurance ended early": ("mounting", "cooling", "drop-out", "offset jump", "protection early"),
    "gain at 10 mV": ("crossover", "idle current low", "drop-out"),  # a dead zone takes more from a small tone
    "precondition ended early": ("mounting", "cooling", "protection early"),
    "offset warm": ("mounting", "cooling"),
    "idle current after heat": ("mounting", "cooling"),
}


def gravity(kind: str) -> Gravity:
    """Of a kind that this version does not know: as of a fault, so that it is not overlooked."""
    return OF_KIND.get(kind, Gravity.STAGE)


def cause_of(finding: Row, others: Sequence[Row]) -> str | None:
    """The kind that explains this finding, if one of the others does."""
    channel = finding.get("channel")
    seen = {
        one["kind"] for one in others if channel is None or one.get("channel") in (None, channel)
    }  # fmt: skip
    return next((kind for kind in BECAUSE.get(finding["kind"], ()) if kind in seen), None)


def weighed(findings: Sequence[Row]) -> list[tuple[int, int, Row]]:
    """(gravity, 0 or 1 for what follows from another one, finding), the gravest first; else in the order given.

    What follows from another one comes after it, never before, however grave its own kind is.
    """
    found = []
    for one in findings:
        cause, own = cause_of(one, findings), int(gravity(one["kind"]))
        found.append((own if cause is None else max(own, int(gravity(cause))), int(cause is not None), one))
    return sorted(found, key=lambda three: three[:2])
