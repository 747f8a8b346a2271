"""A quick look at one shot for a person who watches: outputs and THD, not what is judged or kept. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.analysis.cycles import fit_window
from sequencer.analysis.locate import locate_burst
from sequencer.analysis.records import Record
from sequencer.measurements.requests import Fire, Shot
from sequencer.plan.window import RESIDUAL_UP_TO, TRIGGER_PAST_S

LONG = 100_000  # samples: looking for the burst in more takes over 5 ms
FEW = 3  # harmonics that a tone of gain is fitted with: its rate allows no more


@dataclass(frozen=True)
class Seen:
    """One channel. volts: Vrms of the fundamental in the last cycle, or V of DC in a silence; None: nothing there.

    thd: ratio, raw; None where a burst is too short to tell. overloaded: the digitiser's range was too small.
    """

    channel: str
    volts: float | None
    thd: float | None = None
    overloaded: bool = False


def glance(shot: Shot, channels: Sequence[str], harmonics: int) -> tuple[Seen, ...]:
    """Every channel of a shot. A measurement asks for its channels' inputs first, in the channels' order."""
    inputs = [name for name in shot.request.full_scale_v if name in shot.records]
    return tuple(
        _seen(channel, shot.records[name], shot.request, harmonics)
        for channel, name in zip(channels, inputs, strict=False)
    )


def _seen(channel: str, record: Record, request: Fire, harmonics: int) -> Seen:
    if record.overloaded:
        return Seen(channel, None, overloaded=True)
    return _silence(channel, record) if request.purpose == "quiet" else _burst(channel, record, request, harmonics)


def _silence(channel: str, record: Record) -> Seen:
    """After the burst that triggered it has died away."""
    quiet = record.volts[max(0, math.ceil((TRIGGER_PAST_S - record.start_s) / record.sample_interval_s)) :]
    return Seen(channel, float(quiet.mean()) if quiet.size else None)


def _burst(channel: str, record: Record, request: Fire, harmonics: int) -> Seen:
    hz, told = request.frequency_hz, request.purpose != "gain" and request.cycles > RESIDUAL_UP_TO
    try:
        end_s = _end_s(record, request)
        fit = fit_window(record, end_s - 1.0 / hz, end_s, hz, harmonics if told else min(harmonics, FEW))
    except ValueError:  # no burst in it: a dead channel, a protection, a gate
        return Seen(channel, None)
    return Seen(channel, fit.fundamental_rms_v, fit.thd_f if told else None)


def _end_s(record: Record, request: Fire) -> float:
    """Of the last cycle looked at, s after the trigger; ValueError where there is no burst.

    Of a tone longer than its record the end alone is captured, and a long record would hold up the night's loop:
    there it is the last cycle but one, by the trigger, so that a burst that comes late still fills it.
    """
    burst_s = request.cycles / request.frequency_hz
    if record.volts.size > LONG or record.volts.size * record.sample_interval_s < burst_s:
        return burst_s - 1.0 / request.frequency_hz
    return locate_burst(record, request.frequency_hz, request.cycles) + burst_s
