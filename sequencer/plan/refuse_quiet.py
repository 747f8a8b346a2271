"""What a measurement of noise or of coming on cannot have from this unit on this bench. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.errors import Problem
from sequencer.plan.estimate_checks import check_tone_hz, tone_cycles
from sequencer.plan.estimate_endurance import ENDURANCE
from sequencer.plan.estimate_quiet import NOISE, NOISE_RATE_LEAST_HZ, TURN_ON, quiet_window
from sequencer.plan.expand import expand
from sequencer.plan.inputs import Files
from sequencer.plan.models import Bench, Plan, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.window import NoWindow
from sequencer.plan.wording import shown

MAINS = "it is switched off and on: mains-fed units are left to a person"


def quiet_refusals(plan: Plan, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    """Of each point of `noise`, `turn_on` and `endurance`: they switch the unit off and on."""
    for point in expand(plan, unit, bench):
        if not isinstance(point, ValuePoint) or point.measurement not in (NOISE, TURN_ON, ENDURANCE):
            continue
        what = f"{point.measurement} in stage {point.stage}"
        if unit.front_end == "mains":
            yield Problem(files.unit, "front_end", "mains", f"{what}: {MAINS}")
        if point.measurement == NOISE:
            yield from _rate(point, bench, files, what)
        elif point.measurement == TURN_ON:
            yield from _tone(point, unit, bench, files, what)


def _rate(point: ValuePoint, bench: Bench, files: Files, what: str) -> Iterator[Problem]:
    try:
        window = quiet_window(bench, point)
    except NoWindow:
        return  # said by the record's own refusal
    if window.sample_rate_hz <= NOISE_RATE_LEAST_HZ:
        rate = f"{window.sample_rate_hz:g} samples/s is the most that its records of 0.2 s leave"
        words = f"{what}: a band up to 20 kHz needs more than {NOISE_RATE_LEAST_HZ:g}, and {rate}: more depth"
        yield Problem(files.bench, "digitiser.samples_max", shown(bench.digitiser.samples_max), words)


def _tone(point: ValuePoint, unit: Unit, bench: Bench, files: Files, what: str) -> Iterator[Problem]:
    hz = check_tone_hz(point, unit)
    tone_s, most_s = tone_cycles(hz) / hz, bench.ceiling.burst_s
    if tone_s > most_s:
        yield Problem(files.bench, "ceiling.burst_s", shown(most_s), f"{what} needs tones of {tone_s:.3g} s")
