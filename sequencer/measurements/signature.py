"""What a unit looked like at 50 mV, from the rows that the ledger keeps; and whether that is what stood there before.

A serial is what somebody typed; gains, currents and output resistance are the unit's own. What lies between it and the
bench (its supply lead, its load with contacts) is the bay's own, and is compared with the same bay only. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sequencer.measurements.bench_check_wiring import ENOUGH_TO_DOUBT, LAST_WITHIN_A, LAST_WITHIN_DB, LAST_WITHIN_PART

Row = Mapping[str, Any]

LAST_WITHIN_OHM = 0.005  # of an output's resistance, its contacts included (common practice, no source)
PATH_WITHIN_OHM = 0.005  # of a lead (common practice, no source)
PATH_WITHIN_PART = 0.01  # of a load (common practice, no source)
ENOUGH_TO_KNOW = 3  # figures: fewer are shared by too many units of a model (our own judgement)


@dataclass(frozen=True)
class Figure:
    """One reading. within: how far it may lie from the same unit's other time, without what the reading itself may be
    off; off: that, expanded."""

    value: float
    unit: str
    within: float
    off: float = 0.0

    def moved(self, then: Figure) -> bool:
        """Beyond what a unit moves by itself and what both readings may be off."""
        return abs(self.value - then.value) > max(self.within, then.within, self.off + then.off)


@dataclass(frozen=True)
class Signature:
    """Of one run. own: of the unit; path: of its bay."""

    serial: str
    bay: str
    bench: str
    begun: str
    own: Mapping[str, Figure]
    path: Mapping[str, Figure]

    @property
    def told(self) -> str:
        return f"{self.serial} of {self.begun[:10]}, bay {self.bay}"


@dataclass(frozen=True)
class Likeness:
    """compared: how many figures both have; moved: those that differ, in words."""

    compared: int
    moved: tuple[str, ...]

    @property
    def known(self) -> bool:
        return self.compared >= ENOUGH_TO_KNOW

    @property
    def alike(self) -> bool:
        """One figure that moved is a change; two together are another unit."""
        return self.known and len(self.moved) < ENOUGH_TO_DOUBT


def signature(run: Row) -> Signature:
    """From the rows of first power and bench check; what was not measured is left out."""
    own: dict[str, Figure] = {}
    path: dict[str, Figure] = {}
    for row in run["points"]:
        if row["measurement"] not in ("first_power", "bench_check"):
            continue
        for value in row.get("values") or ():
            if value.get("value") is not None:
                _sort(value, own, path)
    return Signature(
        str(run["unit"]["serial"]), str(run.get("bay") or ""), str(run["bench"]), str(run["begun"]), own, path
    )


def _sort(value: Row, own: dict[str, Figure], path: dict[str, Figure]) -> None:
    """Each reading to whom it belongs; others say nothing of either."""
    name, read, off = str(value["name"]), float(value["value"]), float(value.get("expanded_uncertainty") or 0.0)
    where = f" {value['channel']}" if value.get("channel") else ""
    amps_within = max(LAST_WITHIN_PART * abs(read), LAST_WITHIN_A)
    match name:
        case "gain, wiring tone":  # the bench's own error is in both readings
            own[f"gain{where}"] = Figure(read, "dB", LAST_WITHIN_DB)
        case "standby current":
            own[name] = Figure(read, "A", amps_within, off)
        case "idle within 3 s":
            own["idle current"] = Figure(read, "A", amps_within, off)
        case "output resistance":
            own[f"{name}{where}"] = Figure(read, "ohm", LAST_WITHIN_OHM, off)
        case "lead of the supply":
            path[name] = Figure(read, "ohm", PATH_WITHIN_OHM, off)
        case _ if name.startswith("load ") and name.endswith(" by volts and amps"):
            path[name.removesuffix(" by volts and amps") + where] = Figure(read, "ohm", PATH_WITHIN_PART * read)


def likeness(now: Signature, then: Signature) -> Likeness:
    """Of the units, wherever they stood."""
    return _compared(now.own, then.own)


def path_likeness(now: Signature, then: Signature) -> Likeness:
    """Of what lies between bench and unit; means something within one bay only."""
    return _compared(now.path, then.path)


def _compared(now: Mapping[str, Figure], then: Mapping[str, Figure]) -> Likeness:
    both = [name for name in now if name in then]
    moved = [
        f"{name} {now[name].value:.4g} {now[name].unit}, then {then[name].value:.4g}"
        for name in both
        if now[name].moved(then[name])
    ]
    return Likeness(len(both), tuple(moved))


def bays_told(runs: Sequence[Row]) -> list[str]:
    """A line or more for each bay of each bench: its last run held against all that were before it on that bench."""
    seen = sorted((signature(run) for run in runs), key=lambda one: one.begun)
    last = {(one.bench, one.bay): one for one in seen}
    lines = []
    for (bench, bay), now in sorted(last.items()):
        before = [one for one in seen if one.bench == bench and one.begun < now.begun]
        lines.append(f"{bench}, bay {bay}: {now.serial} of {now.begun[:10]}: {_told(now, before)}")
        lines += [f"  {one}" for one in _paths(now, before)]
    return lines or ["no run is kept there"]


def _told(now: Signature, before: Sequence[Signature]) -> str:
    if len(now.own) < ENOUGH_TO_KNOW:
        return f"{len(now.own)} figures of it were measured: too few to know a unit by (first_power and bench_check)"
    own = next((one for one in reversed(before) if one.serial == now.serial and likeness(now, one).known), None)
    if own is None:
        return f"not seen before{_whom(now, before, besides=now.serial)}"
    how = likeness(now, own)
    if how.alike:
        but = f", but {how.moved[0]}" if how.moved else ""
        return f"looks like {own.told} ({how.compared} figures){but}"
    whom = _whom(now, before, besides=now.serial)
    return f"not like {own.told}: {'; '.join(how.moved)}{whom or '. Read the serial on the unit'}"


def _whom(now: Signature, before: Sequence[Signature], besides: str) -> str:
    """Another unit that looks so, the last time it was seen; units of one model may be alike by chance."""
    newest: dict[str, Signature] = {one.serial: one for one in before if one.serial != besides}
    alike = [one.told for one in newest.values() if likeness(now, one).alike]
    return f"; it looks like {' or '.join(alike)}: read the serial on the unit" if alike else ""


def _paths(now: Signature, before: Sequence[Signature]) -> Iterator[str]:
    last = next((one for one in reversed(before) if one.bay == now.bay), None)
    if last is None:
        return
    how = path_likeness(now, last)
    for moved in how.moved:
        yield f"the way to bay {now.bay} has moved since {last.begun[:10]}: {moved}. Look at its contacts and leads"
