"""The outputs without signal: noise in the audio band, hum by its lines, the offset as seen beside them. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from scipy import fft

from sequencer.analysis.records import Record, Volts
from sequencer.measurements.bench_check_model import Checked, Looked
from sequencer.measurements.output_offset import silent_part
from sequencer.measurements.values import Finding, Value

LINES_HZ = (50.0, 100.0, 150.0)  # 0.2 s hold whole cycles of each: a bin of its own
BAND_HZ = (20.0, 20000.0)
TOO_MUCH_VRMS = 0.005  # of one line, and of the rest (common practice, no source)
ALIKE_DB = 3.0
OPEN_INPUTS = "Look at the shields and the earth of both inputs: one earth point, no open shield, no loop"
HUM_100 = "Look at the reservoir capacitors and at where the charging current returns"
HUM_50 = "Look at this channel's own leads: ground clip of its probe, shield of its input"
NOISE = "Terminate the input; look for a noisy stage, a dry joint, an oscillation"
OWN_NOISE = "the digitiser's own noise is in it"
TERMINATION = "input on the generator, 50 ohm, its output at the least level"


def silent_rms(record: Record) -> float:
    """All of it about its mean, V."""
    return float(silent_part(record).std())


def silence(looked: Looked) -> Checked:
    if looked.quiet is None:
        return Checked()
    lines = {one.name: _lines(silent_part(looked.quiet.records[one.job.input]), looked) for one in looked.channels}
    values = [v for one in looked.channels for v in _values(one.name, lines[one.name])]
    return Checked(tuple(values), (*_hum(lines), *_noise(lines)))


def _lines(volts: Volts, looked: Looked) -> dict[str, float]:
    """Rms by name, V: the lines, the rest of the band, the mean. The record is cut to whole cycles of 10 Hz."""
    assert looked.quiet is not None
    dt = next(iter(looked.quiet.records.values())).sample_interval_s
    size = round(math.floor(volts.size * dt * 10.0 + 1e-3) / 10.0 / dt)
    power = np.abs(fft.rfft(volts[:size] - volts[:size].mean())) ** 2 * (2.0 / size**2)
    hz = np.arange(power.size) / (size * dt)
    found = {f"hum {line:g} Hz": 0.0 for line in LINES_HZ}
    in_lines = np.zeros(power.size, dtype=bool)
    for line in LINES_HZ:
        at = int(np.argmin(np.abs(hz - line)))
        found[f"hum {line:g} Hz"] = math.sqrt(float(power[at]))
        in_lines[at] = True
    band = (hz >= BAND_HZ[0]) & (hz <= BAND_HZ[1]) & ~in_lines
    found["noise 20 Hz to 20 kHz"] = math.sqrt(float(power[band].sum()))
    return found | {"offset as seen": float(volts.mean())}


def _values(channel: str, lines: dict[str, float]) -> Iterator[Value]:
    for name, volts in lines.items():
        reason = OWN_NOISE if name.startswith("noise") else None
        if name == "offset as seen":
            reason = "not judged here: beside the hum; the point output_offset judges it"
        yield Value(name, volts, "V" if name.startswith("offset") else "Vrms", channel, reason=reason)


def _hum(lines: dict[str, dict[str, float]]) -> Iterator[Finding]:
    """One finding for what all channels share, one for each that stands alone."""
    at_50 = {name: one["hum 50 Hz"] for name, one in lines.items()}
    shared = len(at_50) > 1 and min(at_50.values()) > TOO_MUCH_VRMS and _alike(list(at_50.values()))
    if shared:
        sizes = ", ".join(f"{name} {_mv(volts)}" for name, volts in at_50.items())
        yield Finding(
            "input ground", f"hum of 50 Hz on all channels alike ({sizes}): input ground open, or a loop", OPEN_INPUTS
        )
    for name, one in lines.items():
        own = {line: one[f"hum {line:g} Hz"] for line in LINES_HZ if not (shared and line != 100.0)}
        line, volts = max(own.items(), key=lambda item: item[1])
        if volts > TOO_MUCH_VRMS:
            sentence = f"hum of {line:g} Hz, {_mv(volts)}, above {_mv(TOO_MUCH_VRMS)}"
            yield Finding("hum", sentence, HUM_100 if line == 100.0 else HUM_50, name)


def _alike(volts: list[float]) -> bool:
    return 20.0 * math.log10(max(volts) / min(volts)) < ALIKE_DB


def _noise(lines: dict[str, dict[str, float]]) -> Iterator[Finding]:
    for name, one in lines.items():
        if (volts := one["noise 20 Hz to 20 kHz"]) > TOO_MUCH_VRMS:
            sentence = f"noise {_mv(volts)} between 20 Hz and 20 kHz, above {_mv(TOO_MUCH_VRMS)}"
            yield Finding("noise", sentence, NOISE, name)


def _mv(volts: float) -> str:
    return f"{1000.0 * volts:.2g} mV"
