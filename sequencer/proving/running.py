"""One step of a proof done, and how it ended kept: held, failed with what to do next, or not seen."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field

from drivers.errors import InstrumentError
from sequencer.night.trips import Trip
from sequencer.proving.desk import Desk
from sequencer.proving.record import ProofStep, ProofValue
from sequencer.proving.words import Failed, NotSeen, broken, failed, held, not_seen

Told = str | tuple[str, list[ProofValue]]


@dataclass
class Running:
    """steps: as they ended, in order."""

    desk: Desk
    steps: list[ProofStep] = field(default_factory=list)

    async def step(self, name: str, about: str, work: Callable[..., Awaitable[Told]], *given: object) -> bool:
        """False where it failed."""
        self.desk.say(f"{name}: {about}")
        one = await self._done(name, about, work, given)
        self.steps.append(one)
        return one.outcome != "failed"

    async def ready(self, about: str, work: Callable[..., Awaitable[Told]], *given: object) -> bool:
        """As a step that is told only where it failed."""
        one = await self._done("made ready", about, work, given)
        self.steps += [one] if one.outcome == "failed" else []
        return one.outcome != "failed"

    def unseen(self, name: str, about: str, why: str) -> None:
        self.steps.append(not_seen(name, about, why))

    @staticmethod
    async def _done(
        name: str, about: str, work: Callable[..., Awaitable[Told]], given: tuple[object, ...]
    ) -> ProofStep:
        try:
            told = await work(*given)
        except NotSeen as why:
            return not_seen(name, about, str(why))
        except Failed as fault:
            return failed(name, about, str(fault), fault.next_action, fault.values)
        except InstrumentError as error:
            return broken(name, about, error)
        except Trip as trip:
            return failed(name, about, str(trip), "Look at it before anything is powered")
        sentence, values = (told, []) if isinstance(told, str) else told
        return held(name, about, sentence, values)
