"""What the whole analysis of one burst costs, in units of one rfft of its samples: both on one thread, allocator warm.

`python -m tests.benchmarks.speed` prints the ratios as JSON. Processor time of the thread, so that other work on the
machine counts less; what is left of it (caches, clock rates) is met by medians of interleaved runs, in several rounds.
"""

from __future__ import annotations

import json
import os
import resource
import statistics
import sys
import time
from collections.abc import Callable
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does, before numpy comes in

import numpy as np

from sequencer.analysis.burst import BurstReading, read_burst
from sequencer.analysis.clipping import crest_flatness
from sequencer.analysis.cycles import span
from sequencer.analysis.noise import thd_n_reading
from sequencer.analysis.records import Record

CLOCK = time.thread_time
HZ, CYCLES, K, BAND_HZ = 1000.0, 20, 20, (20.0, 20e3)
STEP_V = 0.02
RECORDS = 12  # each on a clock of its own: nothing that is kept from one record serves the next


def burst_record(samples: int, seed: int) -> Record:
    """20 cycles of 1 kHz in the time of 21, clipped, with noise, 12 bits, a clock up to 100 ppm off."""
    random = np.random.default_rng(seed)
    dt = (CYCLES + 1) / HZ / samples
    times = -0.5 / HZ + dt * np.arange(samples)
    hz = HZ * (1.0 + 1e-4 * random.uniform(-1.0, 1.0))
    wave = np.clip(31.0 * np.sin(2 * np.pi * hz * times), -30, 30)
    wave[(times < 0.0) | (times >= CYCLES / hz)] = 0.0
    codes = np.rint(wave / STEP_V + 0.3 * random.standard_normal(samples))
    return Record(codes * STEP_V, dt, float(times[0]), STEP_V, 2048 * STEP_V, False, 12)


def whole_analysis(record: Record) -> BurstReading:
    """Start, clock, every cycle with its harmonics and crests, the last one with its floor; distortion with noise in a
    band; flatness of the last crests."""
    reading = read_burst(record, HZ, CYCLES, K)
    thd_n_reading(record, reading.start_s, reading.frequency_hz, CYCLES, K, BAND_HZ)
    last = reading.last.row
    part = span(record, last.start_s, last.start_s + 1.0 / reading.frequency_hz)
    times_s = record.start_s + record.sample_interval_s * np.arange(part.start, part.stop)
    crest_flatness(record.volts[part], times_s, last.fit, record.step_v)
    return reading


def warm() -> None:
    """A large free first: from then on the allocator keeps its buffers, and an rfft takes half to two thirds of the
    time it takes in a fresh process."""
    np.ones(3_000_000)


def round_of(records: list[Record], repeats: int) -> dict[str, float]:
    """Medians of interleaved runs; page faults of one rfft, of which a warm allocator has none."""
    ours, floor, faults = [], [], 0
    for _ in range(repeats):
        for record in records:
            before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
            floor.append(_seconds(lambda volts=record.volts: np.fft.rfft(volts)))
            faults += resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before
            ours.append(_seconds(lambda record=record: whole_analysis(record)))
    one, other = statistics.median(ours), statistics.median(floor)
    return {"rfft us": other * 1e6, "us": one * 1e6, "ratio": one / other, "faults": faults / len(floor)}


def _seconds(act: Callable[[], Any]) -> float:
    begun = CLOCK()
    act()
    return CLOCK() - begun


def rounds(samples: int = 100_000, count: int = 5, repeats: int = 4) -> list[dict[str, float]]:
    records = [burst_record(samples, seed) for seed in range(RECORDS)]
    warm()
    round_of(records[:2], 1)
    return [round_of(records, repeats) for _ in range(count)]


if __name__ == "__main__":
    json.dump(rounds(), sys.stdout)
