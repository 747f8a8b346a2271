"""What a rule of safety knows, and what it says when a limit is passed. Pure data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sequencer.measurements.requests import Fire, Shot
from sequencer.plan.models import Bay, Bench, Unit

HARMLESS_VRMS = 1.0  # at the output: below it no rule takes a channel for driven (our own choice)


@dataclass(frozen=True)
class Breach:
    """A trip limit was passed. name: of the rule, as in the table. value and limit: in the unit that `quantity`
    names; value is None where nothing could be read."""

    name: str
    sentence: str
    quantity: str
    value: float | None
    limit: float | None
    channel: str | None = None

    def row(self) -> dict[str, Any]:
        """As the results keep it beside the sentence."""
        return {
            "rule": self.name,
            "quantity": self.quantity,
            "value": self.value,
            "limit": self.limit,
            "channel": self.channel,
        }


@dataclass(frozen=True)
class Scope:
    """What the rules are held against."""

    unit: Unit
    bench: Bench
    bay: Bay
    measurement: str

    @property
    def thermometers(self) -> tuple[str, ...]:
        """Channels of the unit whose heat sink is seen: a bay may have more thermometers than the unit channels."""
        return tuple(name for name in self.unit.channel_names() if name in self.bay.thermometer)

    def inputs(self, shot: Shot) -> dict[str, str]:
        """Channel -> digitiser input, for the channels whose output is in this shot's records.

        The legs of a bridged output stand at half the rail by design, and are left out.
        """
        wired = {name: self.bench.input_for(f"output {name}") for name in self.unit.channel_names()}
        return {name: wire for name, wire in wired.items() if wire is not None and wire in shot.records}


def burst_s(fire: Fire) -> float:
    """Seconds of tone."""
    return fire.cycles / fire.frequency_hz


def burst_end_ns(shot: Shot) -> int:
    """Bench clock when its tone was over."""
    return shot.fired_at_ns + round(burst_s(shot.request) * 1e9)


def is_quiet(shot: Shot) -> bool:
    """Taken for its silence: the burst in it only triggers the digitiser."""
    return shot.request.purpose == "quiet"
