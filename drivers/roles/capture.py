"""What a capture is asked to be, what it became, and the samples it gave. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from drivers.conversions import Line
from drivers.dialect_model import Trace
from drivers.errors import GarbledReply, SettingRefused
from drivers.reply_text import WORD_BITS, CodeSpan, Preamble

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Codes = NDArray[np.int32]

_HALF_WORD = 32768  # codes from the centre to the end of a 16-bit word
_ENOUGH_CODES = 32  # different codes in a trace before their spacing says anything about the converter


@dataclass(frozen=True)
class DigitiserSettings:
    """bits: of the converter, by the order number; the word is wider and does not tell. probe_factors: input
    number -> attenuation of what is connected (10.0 for a 10:1 probe)."""

    bits: int
    probe_factors: Mapping[int, float]

    def __post_init__(self) -> None:
        if not 6 <= self.bits <= 16:
            raise ValueError(f"{self.bits} bits: 6 to 16 are understood")
        if not self.probe_factors or not all(math.isfinite(f) and f > 0 for f in self.probe_factors.values()):
            raise ValueError(f"each input needs a positive probe factor: {dict(self.probe_factors)}")


@dataclass(frozen=True)
class Capture:
    """full_scale_v: input number -> volts on the unit's side of the probe that must fit, both signs.
    sample_rate_hz, samples: asked; before_s: silence captured before the trigger. delay_s: from the trigger to the
    first sample that follows that part: the record begins delay_s - before_s after the trigger."""

    full_scale_v: Mapping[int, float]
    sample_rate_hz: float
    samples: int
    before_s: float
    delay_s: float = 0.0


@dataclass(frozen=True)
class CaptureSet:
    """As the instrument reads back: it may round rates and ranges.

    sample_interval_s, before_s, delay_s in s; full_scale_v: input number -> V on the unit's side of the probe.
    """

    sample_interval_s: float
    samples: int
    before_s: float
    full_scale_v: Mapping[int, float]
    delay_s: float = 0.0

    @property
    def start_s(self) -> float:
        """Time of the first sample, s, trigger at 0."""
        return self.delay_s - self.before_s

    @property
    def end_s(self) -> float:
        """Time at which the record is full, s, trigger at 0."""
        return self.start_s + self.record_s

    @property
    def record_s(self) -> float:
        """Length of the record, s."""
        return self.samples * self.sample_interval_s


@dataclass(frozen=True, eq=False)
class RawTrace:
    """Samples of one input as fetched: volts = volts_at_zero + codes x volts_per_code, at the probe's tip.

    codes: int32, shape (n,). sample_interval_s, start_s: s, trigger at 0. converter_step_codes: codes per step of
    the converter. low_code, high_code: the end codes.
    """

    codes: Codes
    volts_per_code: float
    volts_at_zero: float
    sample_interval_s: float
    start_s: float
    converter_step_codes: int
    low_code: int
    high_code: int

    @property
    def overloaded(self) -> bool:
        """A sample lies at or beyond an end code: the capture is void. It is never called clipping."""
        return bool(self.codes.min() <= self.low_code or self.codes.max() >= self.high_code)


def sample_bytes(table: Trace) -> int:
    """Bytes of one sample in the block."""
    return 4 if table.element == "f32" else WORD_BITS[table.element] // 8


def volts_as_codes(table: Trace, read: Preamble, full_scale_v: float) -> Preamble:
    """Samples that come as volts are kept as codes of 16 bits over plus and minus full_scale_v; others as they are."""
    if table.element != "f32":
        return read
    return replace(read, line=Line(full_scale_v / _HALF_WORD, 0.0), half_codes=_HALF_WORD)


def codes_from(table: Trace, payload: bytes, read: Preamble, instrument: str) -> Codes:
    """The block's samples as int32, shape (read.samples,). Volts beyond the range, infinity (9.9E37) too, are at the
    end codes. Raises GarbledReply if the block has another length, or a hole (9.91E37, NaN)."""
    import numpy as np

    size = sample_bytes(table)
    if len(payload) != size * read.samples:
        raise GarbledReply(
            instrument, f"a block of {len(payload)} bytes came for {read.samples} samples of {size} bytes"
        )
    kind = ("<" if table.order == "little" else ">") + f"{table.element[0]}{size}"
    came = np.frombuffer(payload, dtype=kind)
    if table.element != "f32":
        return came.astype(np.int32)
    volts = came.astype(np.float64)
    if bool(np.any(np.isnan(volts) | (np.abs(volts - 9.91e37) < 1e34))):
        raise GarbledReply(instrument, "samples that are no numbers: a hole in the record")
    return np.clip(np.rint(volts / read.line.per_code_v), -_HALF_WORD, _HALF_WORD - 1).astype(np.int32)


def within_one_sample(time_s: float, wanted_s: float, sample_interval_s: float) -> bool:
    """Instruments place records in whole samples; a thousandth is for the digits of their replies."""
    return abs(time_s - wanted_s) <= sample_interval_s * 1.001


def check_preamble(read: Preamble, wanted: CaptureSet, input_number: int, instrument: str) -> None:
    """Raises SettingRefused if the record is not the one that was set."""
    if read.samples != wanted.samples:
        raise SettingRefused(instrument, f"the record has {read.samples} samples, {wanted.samples} were set")
    if not math.isclose(read.interval_s, wanted.sample_interval_s, rel_tol=1e-4):
        sentence = f"samples lie {read.interval_s:g} s apart, {wanted.sample_interval_s:g} s were set"
        raise SettingRefused(instrument, sentence)
    if not within_one_sample(read.start_s, wanted.start_s, wanted.sample_interval_s):
        sentence = f"the record begins {read.start_s:.9g} s after the trigger, {wanted.start_s:.9g} s was set"
        raise SettingRefused(instrument, sentence)
    half_v = read.line.per_code_v * read.half_codes
    full_scale_v = wanted.full_scale_v[input_number]
    if not math.isclose(half_v, full_scale_v, rel_tol=0.01):
        sentence = f"input {input_number} reaches {half_v:g} V, {full_scale_v:g} V were set"
        raise SettingRefused(instrument, sentence)


def check_step(codes: Codes, span: CodeSpan, instrument: str) -> None:
    """Raises SettingRefused if the codes are spaced otherwise than the declared bits space them.

    With too many bits declared the true end code lies below the one looked for: overload would go unseen.
    """
    import numpy as np

    met = np.bitwise_or.reduce(codes - span.low)
    if int(met) % span.step:
        raise SettingRefused(instrument, f"codes closer than {span.step}: it has more bits than the bench file says")
    if int(met) % (2 * span.step) == 0 and np.unique(codes).size >= _ENOUGH_CODES:
        raise SettingRefused(instrument, f"no codes {span.step} apart: it has fewer bits than the bench file says")
