"""The outputs looked at once everything is off: evidence beside the supply's meter that nothing drives them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sequencer.analysis.records import Record
from sequencer.night.shot import Shooter
from sequencer.plan.models import Bench
from sequencer.plan.window import ShotWindow
from sequencer.safety.make_safe import OutputsHeard
from sequencer.safety.rules_output import FLOOR_STEPS

LOOK_S = 0.05  # two cycles and a half of 50 Hz
LOOK_FULL_SCALE_V = 10.0  # at the unit: three codes of it, 12 bit, lie above the hum of a healthy bench


@dataclass(frozen=True)
class OutputsLook:
    """Looks at every output that the bench wires to its digitiser. The floor is that of the rule "output without
    signal": a code of the converter as it came with the record."""

    shooter: Shooter
    bench: Bench

    async def __call__(self) -> str:
        """What was seen. Raises OutputsHeard; LookupError or an instrument's error where nothing could be seen."""
        seen = ("output A", "output B", "leg A plus")  # of two legs the difference comes under the plus leg
        wires = {name: wire for name, wire in self.bench.wiring.items() if wire in seen}
        if not wires:
            raise LookupError("no digitiser input is wired to an output")
        rate_hz = min(self.bench.digitiser.rates_hz)
        window = ShotWindow(rate_hz, round(LOOK_S * rate_hz), 0.0, 0.0)
        records = await self.shooter.look(dict.fromkeys(wires, LOOK_FULL_SCALE_V), window)
        return heard({wires[name]: record for name, record in records.items()})


def heard(records: Mapping[str, Record]) -> str:
    """What shows that these outputs are silent: each one's rms about its mean, V, below 3 x its digitiser's floor. The
    mean is left out: a digitiser's own offset is in it. Raises OutputsHeard naming those that are not. Pure."""
    rms_v = {name: float(record.volts.std()) for name, record in records.items()}
    limit_v = {name: FLOOR_STEPS * record.step_v for name, record in records.items()}
    words = {name: f"{name} {rms_v[name]:.2g} Vrms (limit {limit_v[name]:.2g} V)" for name in records}
    loud = [words[name] for name, record in records.items() if record.overloaded or rms_v[name] >= limit_v[name]]
    if loud:
        raise OutputsHeard(f"signal with all off: {', '.join(loud)}")
    return ", ".join(words.values())
