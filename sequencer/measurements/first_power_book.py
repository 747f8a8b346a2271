"""What has come of a first power so far, whoever works the supply. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field

from sequencer.measurements.values import Finding, Value, ValueJob, Values


@dataclass
class Book:
    """shorted: the remedy beside a refusal to power the unit."""

    job: ValueJob
    shorted: str
    values: list[Value] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    shots: int = 0
    no_drive: str | None = None
    no_power: str | None = None

    def refuse(self, sentence: str) -> None:
        """It is switched off for good."""
        self.findings.append(Finding("do not power", f"{sentence}: switched off", self.shorted))
        self.no_power = f"not powered: {sentence}"

    def closed(self, reason: str | None = None) -> Values:
        """reason: why it was not measured."""
        return Values(
            tuple(self.values), tuple(self.findings), self.shots, reason, no_drive=self.no_drive, no_power=self.no_power
        )
