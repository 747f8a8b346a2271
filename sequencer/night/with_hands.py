"""What a person does between two points of one unit: asked for, carried out, proved before drive. Loads whose contacts
nobody can see are proved in the same way, and looked at again after drive."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Generator
from typing import Any

from sequencer.measurements.by_hand import carried_out
from sequencer.measurements.hand_loads import another_one, proved
from sequencer.measurements.registry import DRIVEN
from sequencer.measurements.requests import Reply, Request
from sequencer.measurements.values import ValueJob
from sequencer.night.hand_worked import NotDoneByHand
from sequencer.night.trips import Trip
from sequencer.night.unit_state import UnitState
from sequencer.night.wiring import RESTARTED
from sequencer.plan.points import AnyPoint, Point

PROVES_ITSELF = frozenset({"bench_check"})  # the wiring, at a level below that of the loads' proof
Aside = Callable[[AnyPoint, Callable[[ValueJob], Generator[Request, Reply, Any]]], Awaitable[Any]]


class WithHands:
    """Of one unit. aside: leads a talk that belongs to no measurement of the plan."""

    def __init__(self, state: UnitState, aside: Aside, *, somebody_there: bool) -> None:
        self._state, self._aside, self._somebody_there = state, aside, somebody_there
        self._proved_at = -1  # of the load contacts' moves

    async def before(self, point: AnyPoint) -> str | None:
        """Why the point is not measured, where a person must do something first and nobody says that it was done."""
        state = self._state
        if not (todo := state.to_do(point)):
            return None
        if not self._somebody_there:
            return todo[0].reason
        powered = state.wiring.supply_v is not None
        why: str | None
        try:
            why = await self._aside(point, lambda job: carried_out(job, todo, state.hands, powered))
        except NotDoneByHand as undone:
            await state.wiring.left_off()
            return str(undone)
        state.is_left_off = state.is_left_off or (why is not None and powered)
        return why

    async def loads_proved(self, point: AnyPoint) -> str | None:
        """Before drive: what a person connected, or contacts that nobody can see, is what the file says. Why the point
        is not measured, else."""
        hands, moves = self._state.hands, self._state.wiring.moves
        if not (self._wants_proof(point) and _driven(point)):
            return None
        unmoved = self._state.bench.contacts_seen or self._proved_at == moves
        if hands.proved == (point.load, point.channels) and unmoved:
            return None
        why: str | None = await self._aside(point, lambda job: proved(job, hands))
        self._proved_at = moves
        return why

    async def still_there(self, point: AnyPoint, *, may_drive: bool = True) -> None:
        """After a point: its contacts still hold as far as they can be seen, else its load as far as that is measured.
        may_drive: nothing was found that forbids it. Raises Trip."""
        state = self._state
        if state.bench.contacts_seen:
            await state.wiring.still_closed()
        elif may_drive and _driven(point) and self._proved_at == state.wiring.moves:
            why: str | None = await self._aside(point, another_one)
            if why is not None:
                state.hands.proved = None
                words = f"load_switch: load {point.load} after a point was measured: {why}: it is not kept"
                raise Trip(words, RESTARTED)

    def proof(self, point: AnyPoint) -> dict[str, str]:
        """For its row."""
        proof = self._state.hands.proof
        return {"load_proof": proof} if proof and _driven(point) and self._wants_proof(point) else {}

    def _wants_proof(self, point: AnyPoint) -> bool:
        bench = self._state.bench
        return bench.load[point.load].by_hand or not bench.contacts_seen


def _driven(point: AnyPoint) -> bool:
    return isinstance(point, Point) or point.measurement in DRIVEN - PROVES_ITSELF
