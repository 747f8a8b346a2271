"""What a person must do before a point: connect a load that no contact switches, take it off, set a control. Pure.

Asked with the signal off, and where hands go near an output with the unit off. Nobody answers: it is left off, and the
point is not measured; the next point that needs nobody switches it on again.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import dataclass, field

from sequencer.measurements import switching
from sequencer.measurements.bench_check_loads import shunt_input
from sequencer.measurements.requests import Answer, Ask, Deed, Remote, Reply, Request, SetSupply
from sequencer.measurements.values import ValueJob
from sequencer.plan.models import Bench
from sequencer.plan.points import AnyPoint

DONE, NO = "done", "no"


@dataclass
class HandsDone:
    """What a person has done so far in this night. load, channels: by hand on these outputs now; controls: (serial,
    words); proved: the load that was seen to be what the file says, and where; proof: in words."""

    load: str | None = None
    controls: set[tuple[str, str]] = field(default_factory=set)
    channels: tuple[str, ...] = ()
    proved: tuple[str, tuple[str, ...]] | None = None
    proof: str | None = None


@dataclass(frozen=True)
class Wanted:
    """One thing to do. near_outputs: only while the unit is off. load, channels: on these outputs once it is done.
    moved: the outputs it is about."""

    words: str
    near_outputs: bool
    load: str | None
    channels: tuple[str, ...] = ()
    moved: tuple[str, ...] = ()

    @property
    def reason(self) -> str:
        """Why a point is not measured where it was not done."""
        return f"a person must {self.words}; nobody said that it was done"

    def deed(self, before: HandsDone) -> Deed | None:
        """For whoever plays the person."""
        if not self.near_outputs:
            return None
        if len(self.channels) > len(before.channels):
            return Deed("load on", self.load, channels=self.moved)
        return Deed("load off", before.load, channels=self.moved)


def wanted(point: AnyPoint, bench: Bench, serial: str, so_far: HandsDone) -> Iterator[Wanted]:
    """What is still to be done before `point`, in order."""
    own = point.load if bench.load[point.load].by_hand else None
    channels = point.channels if own else ()
    stay = tuple(name for name in so_far.channels if name in channels) if so_far.load == own else ()
    if so_far.load is not None and (off := tuple(name for name in so_far.channels if name not in stay)):
        where = f"output {' and '.join(off)}" if stay else "the outputs"
        kept = so_far.load if stay else None
        yield Wanted(f"take the load {so_far.load} off {where}", near_outputs=True, load=kept, channels=stay, moved=off)
    if own is not None and (on := tuple(name for name in channels if name not in stay)):
        ohms = ", ".join(f"{bench.load[own].ohm[name]:g} ohm on {name}" for name in on)
        measured = "" if shunt_input(bench) else ", each within 1 % of that by your own ohmmeter"
        yield Wanted(
            f"connect the load {own} ({ohms}){measured}", near_outputs=True, load=own, channels=channels, moved=on
        )
    if point.by_hand and (serial, point.by_hand) not in so_far.controls:
        yield Wanted(f"set by hand: {point.by_hand}", near_outputs=False, load=own)


def carried_out(
    job: ValueJob, todo: tuple[Wanted, ...], so_far: HandsDone, powered: bool
) -> Generator[Request, Reply, str | None]:
    """Asks for each; `so_far` says afterwards what was done. Returns None, or why the point is not measured: the unit
    is off then. powered: whether it is on now."""
    serial = job.around.unit.serial
    is_off = not powered
    for one in todo:
        if one.near_outputs and not is_off:
            yield from switching.off(job)
            is_off = True
        state = "It is off." if is_off else "The signal is off."
        words = f"Unit {serial}: {state} Please {one.words}, then say so."
        reply = yield Ask(words, (DONE, NO), NO, deed=one.deed(so_far))
        assert isinstance(reply, Answer)
        if reply.choice != DONE:
            if powered:
                yield Remote(False)
                yield SetSupply(job.point.supply_v, switching.most_a(job), on=False)
            return one.reason
        if one.near_outputs:
            so_far.load, so_far.channels, so_far.proved, so_far.proof = one.load, one.channels, None, None
        else:
            so_far.controls.add((serial, job.point.by_hand))
    if powered and is_off:
        yield from switching.on(job)
    return None
