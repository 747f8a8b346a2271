"""Steps of the thermometer: each input that a place has."""

from __future__ import annotations

from drivers.errors import NotANumber
from sequencer.measurements.requests import Ask
from sequencer.proving.desk import Desk
from sequencer.proving.record import ProofValue
from sequencer.proving.thermometer_seen import implausible, stands_still, warmed_fault
from sequencer.proving.words import Failed, NotSeen

READINGS, PAUSE_S, WARM_S = 5, 0.5, 20.0
WARM, NOT = "warm", "no"
LOOK = "Look at sensor kind, unit and place of that input: at the instrument, in its dialect file, in [[bay]]"


async def plausible(desk: Desk, name: str) -> tuple[str, list[ProofValue]]:
    """One input: a plausible value, which moves, and rises when a person warms its sensor."""
    before = await _read(desk, name)
    values = [ProofValue(name=f"input {name}", value=before[-1], unit="degC")]
    if (fault := implausible(name, before[-1])) is not None:
        raise Failed(fault, LOOK, values)
    question = f"Warm the sensor of input {name} with a hand for {WARM_S:g} s, then say so."
    answer = await desk.asking(Ask(question, (WARM, NOT), NOT))
    if answer.choice != WARM:
        still = stands_still(before)
        word = f"{READINGS} times to the last digit" if still else f"within {max(before) - min(before):.2f} K"
        raise NotSeen(f"reads {before[-1]:.2f} degC, {word}; nobody warmed its sensor: whether it answers is not seen")
    after = await _read(desk, name)
    values.append(ProofValue(name=f"input {name} warmed", value=after[-1], unit="degC"))
    if (fault := warmed_fault(name, before, after)) is not None:
        raise Failed(fault, LOOK, values)
    return f"reads {before[-1]:.2f} degC, and {max(after):.2f} degC once it was warmed by a hand", values


async def _read(desk: Desk, name: str) -> list[float]:
    found = []
    for _ in range(READINGS):
        try:
            found.append((await desk.hands.thermometer.read([name]))[name])
        except NotANumber as error:
            raise NotSeen(f"{error.sentence}: no sensor there while the bench is proved") from error
        await desk.clock.sleep(PAUSE_S)
    return found
