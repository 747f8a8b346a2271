"""The digitiser: a record that overloads is void; on the same range twice in a row nobody looks any more. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from sequencer.measurements.requests import Shot
from sequencer.safety.rules_model import Breach


@dataclass
class CaptureRules:
    """overloaded: per input, the volts that should have fitted its last record, where they did not."""

    overloaded: dict[str, float] = field(default_factory=dict)

    def begin(self) -> None:
        self.overloaded.clear()

    def hear(self, shot: Shot) -> Breach | None:
        return next(self._twice(shot), None)

    def _twice(self, shot: Shot) -> Iterator[Breach]:
        for wire, record in shot.records.items():
            before_v = self.overloaded.pop(wire, None)
            if not record.overloaded:
                continue
            scale_v = self.overloaded[wire] = shot.request.full_scale_v[wire]
            if scale_v == before_v:
                words = f"input {wire} of the digitiser overloads twice on the range for {scale_v:.3g} V"
                yield Breach("digitiser overload", words, "range, V", None, scale_v)
