"""Traces: what goes in comes back, the bytes depend on nothing else, and names stay in their folder."""

from __future__ import annotations

import dataclasses
import os
import time
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sequencer.analysis.records import Record
from sequencer.errors import InputRefused
from sequencer.ledger.names import LONGEST, safe_name
from sequencer.ledger.traces import read_trace, trace_name, write_trace
from sequencer.measurements.requests import Fire, SecondTone, Shot

RATE_HZ = 100_000.0


def record(codes: NDArray[np.int32], rate_hz: float = RATE_HZ, **more: Any) -> Record:
    volts_per_code, volts_at_zero = 0.025, -0.4
    made = Record(
        volts=volts_at_zero + codes.astype(np.float64) * volts_per_code,
        sample_interval_s=1.0 / rate_hz,
        start_s=-0.0005,
        step_v=0.025,
        full_scale_v=51.2,
        overloaded=False,
        bits=12,
        codes=codes,
        volts_per_code=volts_per_code,
        volts_at_zero=volts_at_zero,
    )
    return dataclasses.replace(made, **more)


def sine_codes(
    n: int, frequency_hz: float = 1000.0, peak: float = 1000.0, rate_hz: float = RATE_HZ
) -> NDArray[np.int32]:
    sine = np.sin(2 * np.pi * frequency_hz * np.arange(n) / rate_hz)
    codes: NDArray[np.int32] = np.rint(peak * sine).astype(np.int32)
    return codes


def shot(records: dict[str, Record], frequency_hz: float = 1000.0, **more: Any) -> Shot:
    request = Fire(1.2701, frequency_hz, 20, dict.fromkeys(records, 40.0), "confirm", 0.001, 0.002)
    made = Shot(7, request, 1.27, records, 123_456_789, False, None, 24.02, 11.5)
    return dataclasses.replace(made, **more)


def same(one: Shot, two: Shot) -> bool:
    plain = dataclasses.replace(one, records={}) == dataclasses.replace(two, records={})
    return (
        plain
        and list(one.records) == list(two.records)
        and all(_same(one.records[n], two.records[n]) for n in one.records)
    )


def _same(one: Record, two: Record) -> bool:
    arrays = np.array_equal(one.volts, two.volts) and np.array_equal(one.codes, two.codes)  # type: ignore[arg-type]
    empty = np.zeros(0)
    return arrays and dataclasses.replace(one, volts=empty, codes=None) == dataclasses.replace(
        two, volts=empty, codes=None
    )


def test_a_shot_comes_back_to_the_last_bit(tmp_path: Path) -> None:
    """Records, level, frequency, cycles, purpose: equal, not near."""
    made = shot({"ch1": record(sine_codes(2100)), "ch3": record(sine_codes(900, peak=40_000.0), overloaded=True)})
    write_trace(tmp_path / "a.npz", made)
    assert same(read_trace(tmp_path / "a.npz"), made)
    tripped = dataclasses.replace(made, supply_tripped="over_voltage", supply_limited=True)
    write_trace(tmp_path / "a.npz", tripped)
    assert same(read_trace(tmp_path / "a.npz"), tripped)


@given(st.lists(st.integers(-(2**31), 2**31 - 1), max_size=50), st.floats(1e-9, 1e3), st.floats(-1e3, 1e3))
def test_any_codes_and_scale_come_back(
    tmp_path_factory: pytest.TempPathFactory, codes: list[int], volts_per_code: float, volts_at_zero: float
) -> None:
    """32-bit words at their ends included; the volts are those of the definition, operation by operation."""
    array = np.asarray(codes, dtype=np.int32)
    volts = volts_at_zero + array.astype(np.float64) * volts_per_code
    made = shot({"ch1": record(array, volts=volts, volts_per_code=volts_per_code, volts_at_zero=volts_at_zero)})
    path = tmp_path_factory.mktemp("trace") / "a.npz"
    write_trace(path, made)
    assert same(read_trace(path), made)


def test_one_line_of_numpy_reads_the_volts(tmp_path: Path) -> None:
    """The line in README and in the module's text, run as it stands there, by numpy alone."""
    made = record(sine_codes(2100))
    write_trace(tmp_path / "NAME.npz", shot({"ch1": made}))
    t = np.load(tmp_path / "NAME.npz")
    volts = t["ch1_volts_at_zero"] + t["ch1_codes"] * t["ch1_volts_per_code"]
    assert np.array_equal(volts, made.volts)
    assert (float(t["level_vrms"]), float(t["frequency_hz"]), int(t["cycles"])) == (1.27, 1000.0, 20)
    assert [str(name) for name in t["inputs"]] == ["ch1"]
    assert t["ch1_codes"].dtype == np.int16
    t.close()


def test_wide_codes_are_kept_wide(tmp_path: Path) -> None:
    """A 16-bit unsigned word does not fit 16 bits signed."""
    write_trace(tmp_path / "a.npz", shot({"ch1": record(np.asarray([0, 65535], dtype=np.int32))}))
    with np.load(tmp_path / "a.npz") as stored:
        assert stored["ch1_codes"].tolist() == [0, 65535]


def test_same_shot_same_bytes(tmp_path: Path) -> None:
    """Not the time of day, not the order of inputs, not the folder, not the umask."""
    one, two = record(sine_codes(2100)), record(sine_codes(2100, peak=500.0))
    write_trace(tmp_path / "a.npz", shot({"ch1": one, "ch2": two}))
    old = os.umask(0o077)
    try:
        time.sleep(0.01)
        write_trace(tmp_path / "deeper" / "b.npz", shot({"ch2": two, "ch1": one}))
    finally:
        os.umask(old)
    assert (tmp_path / "a.npz").read_bytes() == (tmp_path / "deeper" / "b.npz").read_bytes()
    with zipfile.ZipFile(tmp_path / "a.npz") as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_a_long_record_is_thinned_while_its_harmonics_survive(tmp_path: Path) -> None:
    """50 Hz at 100 kS/s: every second sample leaves 1000 a cycle; times and volts are of the kept samples."""
    codes = sine_codes(40_000, 50.0)
    write_trace(tmp_path / "a.npz", shot({"ch1": record(codes)}, frequency_hz=50.0))
    kept = read_trace(tmp_path / "a.npz").records["ch1"]
    assert np.array_equal(kept.volts, record(codes).volts[::2])
    assert np.allclose(kept.times_s, record(codes).times_s[::2], rtol=0, atol=1e-12)


def test_a_fast_long_record_keeps_its_end_with_every_sample(tmp_path: Path) -> None:
    """1 kHz at 100 kS/s has 100 samples a cycle: a third of them would fold the 20th harmonic (Nyquist)."""
    codes = sine_codes(50_000, 1000.0)
    write_trace(tmp_path / "a.npz", shot({"ch1": record(codes)}))
    kept = read_trace(tmp_path / "a.npz").records["ch1"]
    assert np.array_equal(kept.volts, record(codes).volts[-20_000:])
    assert np.allclose(kept.times_s, record(codes).times_s[-20_000:], rtol=0, atol=1e-12)


def test_all_samples_where_asked(tmp_path: Path) -> None:
    """The plan asked for all of them."""
    made = shot({"ch1": record(sine_codes(50_000))})
    write_trace(tmp_path / "a.npz", made, samples_at_most=None)
    assert same(read_trace(tmp_path / "a.npz"), made)


def test_samples_that_never_were_codes_lose_a_part_in_a_billion_at_most(tmp_path: Path) -> None:
    """Half a code of 31 bits of the peak: closed form."""
    volts = 30.0 * np.sin(np.arange(1000) / 7.0)
    made = dataclasses.replace(record(sine_codes(1000)), volts=volts, codes=None)
    write_trace(tmp_path / "a.npz", shot({"ch1": made}))
    back = read_trace(tmp_path / "a.npz").records["ch1"].volts
    assert np.max(np.abs(back - volts)) <= 0.5001 * 30.0 / (2**31 - 1)
    write_trace(tmp_path / "b.npz", shot({"ch1": dataclasses.replace(made, volts=np.zeros(5))}))
    assert read_trace(tmp_path / "b.npz").records["ch1"].volts.tolist() == [0.0] * 5


def test_what_is_no_trace_is_refused_and_not_run(tmp_path: Path) -> None:
    """A text, half a file, another program's .npz, one with pickled objects in it."""
    whole = tmp_path / "whole.npz"
    write_trace(whole, shot({"ch1": record(sine_codes(2100))}))
    text, half, other, objects = (tmp_path / f"{name}.npz" for name in ("text", "half", "other", "objects"))
    text.write_text("no zip")
    half.write_bytes(whole.read_bytes()[:900])
    np.savez(other, x=np.zeros(3))
    np.savez(objects, format=np.asarray({"a": 1}, dtype=object))
    for path in (text, half, other, objects, tmp_path / "nowhere.npz"):
        with pytest.raises(InputRefused, match="not a trace"):
            read_trace(path)


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_damage_anywhere_is_refused_or_harmless(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    """Any byte changed: the checksums of the zip format refuse it, or what is read is a shot all the same."""
    path = tmp_path_factory.mktemp("damage") / "a.npz"
    write_trace(path, shot({"ch1": record(sine_codes(50))}))
    damaged = bytearray(path.read_bytes())
    at = data.draw(st.integers(0, len(damaged) - 1))
    damaged[at] ^= data.draw(st.integers(1, 255))
    path.write_bytes(bytes(damaged))
    try:
        assert np.array_equal(read_trace(path).records["ch1"].volts, record(sine_codes(50)).volts)
    except InputRefused:
        return


HOSTILE = [
    "../../etc/passwd", "..", ".", "", "/", "a/b", "a\\b", "C:\\x", "~root", "-rf", "nul\x00byte",
    "line\nend", "a+b", "#", "+",
    "møre på ås", "Ω", "日本", "\ud800", "x" * 500, " ", ".hidden", "a b", "a-b", "A/B", "a:b", "%2e%2e",
    "$(reboot)",
]  # fmt: skip


def test_hostile_names_stay_in_the_folder_and_apart(tmp_path: Path) -> None:
    """POSIX: a file name has no slash and no NUL; each name gets a file of its own, and a real one."""
    names = [trace_name(serial, "p001", "accepted") for serial in HOSTILE]
    assert len(set(names)) == len(HOSTILE)
    for name in names:
        path = tmp_path / name
        assert path.resolve().parent == tmp_path.resolve()
        path.write_bytes(b"")
    assert len(list(tmp_path.iterdir())) == len(HOSTILE)


@given(st.text(), st.text())
def test_safe_names_are_safe_and_different_for_different_names(one: str, two: str) -> None:
    """POSIX portable file name characters (IEEE 1003.1, 3.265), no leading dot or dash, bounded."""
    allowed = set("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789._-")
    for text in (one, two):
        name = safe_name(text)
        assert set(name) <= allowed
        assert name[0] not in ".-"
        assert len(name) <= LONGEST + 9
    assert (safe_name(one) == safe_name(two)) == (one == two)


def test_ordinary_serials_are_left_as_they_are() -> None:
    """A person looks for the serial in the folder."""
    assert trace_name("FPA-0117", "p017", "accepted") == "FPA-0117+p017+accepted.npz"


def test_parts_cannot_pass_for_one_another() -> None:
    """a-b, c is not a, b-c."""
    assert trace_name("a-b", "c") != trace_name("a", "b-c")


def test_both_tones_of_a_pair_come_back(tmp_path: Path) -> None:
    """60 Hz and 7 kHz, 4 to 1 (the pair of IEC 60268-3, from memory): what is read again must know the second one. A
    trace of one tone tells of none, and so does one written before there was a place for it.
    """
    pair = Fire(0.5, 60.0, 20, {"ch1": 40.0}, "distortion", second=SecondTone(7000.0, 4.0))
    write_trace(tmp_path / "pair.npz", shot({"ch1": record(sine_codes(2100))}, request=pair))
    assert read_trace(tmp_path / "pair.npz").request.second == SecondTone(7000.0, 4.0)
    write_trace(tmp_path / "one.npz", shot({"ch1": record(sine_codes(2100))}))
    assert read_trace(tmp_path / "one.npz").request.second is None
    with zipfile.ZipFile(tmp_path / "one.npz") as full, zipfile.ZipFile(tmp_path / "old.npz", "w") as old:
        for name in full.namelist():
            if not name.startswith("second_"):
                old.writestr(name, full.read(name))
    assert read_trace(tmp_path / "old.npz").request.second is None
