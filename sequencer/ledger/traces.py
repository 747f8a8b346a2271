"""Traces: one shot's samples as the integer codes the digitiser sent, with their scale, in one .npz file.

Readable without us:

    t = numpy.load("NAME.npz"); volts = t["ch1_volts_at_zero"] + t["ch1_codes"] * t["ch1_volts_per_code"]

`second_frequency_hz` and `second_ratio` (the first tone's peak over the second's) tell of two tones; 0: one alone.
Times are `ch1_start_s + ch1_sample_interval_s * numpy.arange(len(volts))`, in s from the trigger. The same shot
gives the same bytes: entries in sorted order, one fixed date, no clock and no owner in the file.
"""

from __future__ import annotations

import io
import math
import zipfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.records import Record
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.names import safe_name
from sequencer.ledger.results import write_whole
from sequencer.measurements.requests import Fire, Metered, Purpose, SecondTone, Shot

FORMAT = 1
SAMPLES_AT_MOST = 20_000
SAMPLES_A_CYCLE = 50.0  # 2.5 samples for each cycle of the 20th harmonic: thinning never goes below
FIXED_DATE = (1980, 1, 1, 0, 0, 0)  # the earliest a zip file can say
COMPRESSION = 6
# What numpy and zipfile raise on damage, wherever it lies.
UNREADABLE = (
    OSError, ValueError, KeyError, TypeError, EOFError, MemoryError, RuntimeError,
    zipfile.BadZipFile, zlib.error,
)  # fmt: skip

Arrays = dict[str, NDArray[Any]]


def trace_name(*parts: str) -> str:
    """A file name from run, point and what the shot was; no part can leave the folder or pass for another."""
    return "+".join(safe_name(part) for part in parts) + ".npz"


def write_trace(path: Path, shot: Shot, samples_at_most: int | None = SAMPLES_AT_MOST) -> None:
    """Writes the shot whole or not at all; at most so many samples an input (None: all of them).

    A longer record keeps every n-th sample while 50 samples a cycle remain; otherwise its end, where the last
    cycle is. `chN_every_nth` and `chN_left_out_before` say what was done.
    """
    arrays: Arrays = {
        "format": np.asarray(FORMAT),
        "inputs": np.asarray(sorted(shot.records), dtype=np.str_),
        "number": np.asarray(shot.number),
        "purpose": np.asarray(shot.request.purpose),
        "level_vrms": np.asarray(shot.level_vrms),
        "asked_vrms": np.asarray(shot.request.level_vrms),
        "frequency_hz": np.asarray(shot.request.frequency_hz),
        "cycles": np.asarray(shot.request.cycles),
        "before_s": np.asarray(shot.request.before_s),
        "after_s": np.asarray(shot.request.after_s),
        **_second(shot.request.second),
        "fired_at_ns": np.asarray(shot.fired_at_ns),
        **_metered(shot.metered),
        "supply_v": np.asarray(shot.supply_v),
        "supply_a": np.asarray(shot.supply_a),
        "supply_limited": np.asarray(shot.supply_limited),
        "supply_tripped": np.asarray(shot.supply_tripped or ""),
    }
    for name, record in shot.records.items():
        kept = _kept(record, shot.request.frequency_hz, samples_at_most)
        asked_v = shot.request.full_scale_v.get(name, record.full_scale_v)
        arrays |= {f"{name}_{key}": value for key, value in _input(record, kept, asked_v).items()}
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, _zip(arrays))


def _second(tone: SecondTone | None) -> Arrays:
    """Hz of the second of two tones, and the first one's peak over its own; 0: one tone alone."""
    hz, ratio = (0.0, 0.0) if tone is None else (tone.frequency_hz, tone.ratio)
    return {"second_frequency_hz": np.asarray(hz), "second_ratio": np.asarray(ratio)}


def _metered(read: Metered | None) -> Arrays:
    """V rms by the bench's meter, and its range; 0: it was not asked."""
    vrms, range_vrms = (0.0, 0.0) if read is None else (read.vrms, read.range_vrms)
    return {"meter_vrms": np.asarray(vrms), "meter_range_vrms": np.asarray(range_vrms)}


@dataclass(frozen=True)
class _Kept:
    first: int
    every: int


def _kept(record: Record, frequency_hz: float, at_most: int | None) -> _Kept:
    n = record.volts.size
    if at_most is None or n <= at_most:
        return _Kept(0, 1)
    every = math.ceil(n / at_most)
    if frequency_hz > 0 and 1.0 / (record.sample_interval_s * every * frequency_hz) >= SAMPLES_A_CYCLE:
        return _Kept(0, every)
    return _Kept(n - at_most, 1)


def _input(record: Record, kept: _Kept, asked_v: float) -> Arrays:
    codes, volts_per_code, volts_at_zero = _codes(record)
    codes = codes[kept.first :: kept.every]
    small = codes.size == 0 or (codes.min() >= -32768 and codes.max() <= 32767)
    return {
        "codes": codes.astype("<i2" if small else "<i4"),
        "volts_per_code": np.asarray(volts_per_code),
        "volts_at_zero": np.asarray(volts_at_zero),
        "sample_interval_s": np.asarray(record.sample_interval_s * kept.every),
        "start_s": np.asarray(record.start_s + record.sample_interval_s * kept.first),
        "every_nth": np.asarray(kept.every),
        "left_out_before": np.asarray(kept.first),
        "step_v": np.asarray(record.step_v),
        "full_scale_v": np.asarray(record.full_scale_v),
        "asked_full_scale_v": np.asarray(asked_v),
        "overloaded": np.asarray(record.overloaded),
        "bits": np.asarray(record.bits),
    }


def _codes(record: Record) -> tuple[NDArray[np.int32], float, float]:
    """The codes as fetched. Samples that never were codes get 32 bits of their own peak: 1 part in 2e9."""
    if record.codes is not None:
        return record.codes, record.volts_per_code, record.volts_at_zero
    peak_v = float(np.max(np.abs(record.volts), initial=0.0)) or 1.0
    volts_per_code = peak_v / (2**31 - 1)
    return np.rint(record.volts / volts_per_code).astype(np.int32), volts_per_code, 0.0


def _zip(arrays: Mapping[str, NDArray[Any]]) -> bytes:
    """numpy.savez stamps the time of day into each entry; this does not."""
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED, compresslevel=COMPRESSION) as archive:
        for name in sorted(arrays):
            entry = io.BytesIO()
            np.lib.format.write_array(entry, arrays[name], version=(1, 0), allow_pickle=False)
            info = zipfile.ZipInfo(f"{name}.npy", FIXED_DATE)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.create_system = 3
            info.external_attr = 0o644 << 16
            archive.writestr(info, entry.getvalue())
    return whole.getvalue()


def read_trace(path: Path) -> Shot:
    """The shot as stored: its records by input name, with level, frequency, cycles and purpose.

    Raises InputRefused for a file that is no trace of ours. Nothing in the file is ever executed.
    """
    try:
        # numpy leaves a file it opened itself open where it is no zip
        with open(path, "rb") as file, np.load(file, allow_pickle=False) as archive:
            return _shot({name: archive[name] for name in archive.files})
    except UNREADABLE as error:
        raise InputRefused(
            [Problem(str(path), "trace", "unreadable", f"not a trace of format {FORMAT}: {error}")]
        ) from None


def _shot(stored: Arrays) -> Shot:
    if int(stored["format"]) != FORMAT:
        raise ValueError(f"format {int(stored['format'])}")
    names = [str(name) for name in stored["inputs"]]
    return Shot(
        number=int(stored["number"]),
        request=_fire(stored, names),
        level_vrms=float(stored["level_vrms"]),
        records={name: _record(stored, name) for name in names},
        fired_at_ns=int(stored["fired_at_ns"]),
        supply_limited=bool(stored["supply_limited"]),
        supply_tripped=str(stored["supply_tripped"]) or None,
        supply_v=float(stored["supply_v"]),
        supply_a=float(stored["supply_a"]),
        metered=_metered_stored(stored),
    )


def _fire(stored: Arrays, names: list[str]) -> Fire:
    return Fire(
        level_vrms=float(stored["asked_vrms"]),
        frequency_hz=float(stored["frequency_hz"]),
        cycles=int(stored["cycles"]),
        full_scale_v={name: float(stored[f"{name}_asked_full_scale_v"]) for name in names},
        purpose=_purpose(str(stored["purpose"])),
        before_s=float(stored["before_s"]),
        after_s=float(stored["after_s"]),
        second=_second_stored(stored),
    )


def _metered_stored(stored: Arrays) -> Metered | None:
    range_vrms = float(stored.get("meter_range_vrms", 0.0))
    return Metered(float(stored["meter_vrms"]), range_vrms) if range_vrms > 0.0 else None


def _second_stored(stored: Arrays) -> SecondTone | None:
    """Traces written before two tones were known say nothing of a second one: they have none."""
    hz = float(stored.get("second_frequency_hz", 0.0))
    return SecondTone(hz, float(stored["second_ratio"])) if hz > 0.0 else None


def _purpose(word: str) -> Purpose:
    known: dict[str, Purpose] = {name: name for name in get_args(Purpose)}
    if word not in known:
        raise ValueError(f"purpose {word!r}")
    return known[word]


def _record(stored: Arrays, name: str) -> Record:
    codes = stored[f"{name}_codes"].astype(np.int32)
    volts_per_code = float(stored[f"{name}_volts_per_code"])
    volts_at_zero = float(stored[f"{name}_volts_at_zero"])
    return Record(
        volts=volts_at_zero + codes.astype(np.float64) * volts_per_code,
        sample_interval_s=float(stored[f"{name}_sample_interval_s"]),
        start_s=float(stored[f"{name}_start_s"]),
        step_v=float(stored[f"{name}_step_v"]),
        full_scale_v=float(stored[f"{name}_full_scale_v"]),
        overloaded=bool(stored[f"{name}_overloaded"]),
        bits=int(stored[f"{name}_bits"]),
        codes=codes,
        volts_per_code=volts_per_code,
        volts_at_zero=volts_at_zero,
    )
