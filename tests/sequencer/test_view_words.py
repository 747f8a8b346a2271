"""The words of the live view, without a terminal."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from rich.cells import cell_len

from sequencer.measurements.requests import Fire, ReadBench, Rest
from sequencer.plan.points import ValuePoint
from sequencer.view import now as state
from sequencer.view.glance import glance
from sequencer.view.words import block, both_times, cut, folded, lasted
from tests.sequencer.view_night import a_reading, a_run, a_shot, powered

WIDTHS = [1, 7, 20, 60, 80, 200]
AT = "2026-01-05T22:00:00.156+00:00"


def a_moment(serial: str = "MV-0117") -> state.Now:
    run = a_run(serial=serial)
    point = powered(run)
    shot = a_shot(point, 22.6)
    now = state.at_point(state.begun(state.Now(), run, 1, 2, AT), run, point)
    now = state.heard(now, ReadBench(), replace(a_reading(), at_ns=750_000_000_000))
    return state.heard(now, shot.request, shot)


def test_each_line_says_what_was_heard() -> None:
    """The values are those the invented night was made of; bench time 754 s is 12 min 34 s."""
    whose, which, level, read, slow = block(a_moment(), 200)
    assert whose == "bench time 0:12:34; unit MV-0117 in bay 1, run 1 of 2"
    assert which == "points 1 to 2 of 4: 20 cycles, 1 kHz, into 8R, A and B, to 10 % and 1 % THD"
    assert level == "shot 12, ramping at 1.116 Vrms"
    assert read == "outputs A 22.6 Vrms, B 22.6 Vrms; THD 1.0 % in A"
    assert slow == "supply 23.96 V, 3.41 A; heat sinks A 31.2 °C, B 30.8 °C"


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("serial", ["MV-0117", "船舶拡声器船舶拡声器船舶拡声器船舶拡声器-7", "MV\x1b[2J\n0117"])
def test_nothing_is_wider_than_the_terminal(width: int, serial: str) -> None:
    """Width in cells as rich counts them (Unicode TR 11: wide characters take two); no control code comes through."""
    for now in (state.Now(), a_moment(serial)):
        lines = block(now, width)
        assert len(lines) == 5
        assert all(cell_len(line) <= width for line in lines), lines
        assert all(line.isprintable() for line in lines), lines


def test_at_sixty_columns_only_the_second_line_is_cut() -> None:
    """Sixty columns are what an old terminal beside a bench shows; what is left out is told by an ellipsis."""
    narrow, wide = block(a_moment(), 60), block(a_moment(), 200)
    assert [n for n, (a, b) in enumerate(zip(narrow, wide, strict=True)) if a != b] == [1]
    assert narrow[1].endswith("…")
    assert wide[1].startswith(narrow[1].removesuffix("…"))


def test_a_wide_character_is_never_halved() -> None:
    """Four cells hold one wide character, its neighbour of one cell and the ellipsis, or less: never a half."""
    assert cut("船舶拡声", 8) == "船舶拡声"
    assert cut("船舶拡声", 7) == "船舶拡…"
    assert cut("船舶拡声", 6) == "船舶…"


@pytest.mark.parametrize("width", [20, 60, 80])
def test_a_sentence_is_folded_and_loses_no_word(width: int) -> None:
    sentence = "broker harbour:1883: waiting up to 10 s; Ctrl-C leaves the rest in the outbox"
    lines = folded(sentence, width)
    assert all(cell_len(line) <= width for line in lines)
    assert re.sub(r"\s+", "", "".join(lines)) == re.sub(r"\s+", "", sentence)


@pytest.mark.parametrize("delay_s", [0.0, 0.0011])
def test_a_glance_sees_volts_and_thd_wherever_the_burst_lies(delay_s: float) -> None:
    """1 % of third harmonic beside the fundamental: THD(F) 1 % by definition; delayed as behind a converter."""
    point = powered(a_run())
    for seen in glance(a_shot(point, 22.6, delay_s), point.channels, 20):
        assert seen.volts == pytest.approx(22.6, rel=1e-3)
        assert seen.thd == pytest.approx(0.01, rel=0.02)


@pytest.mark.parametrize("cycles", [20, 200])
def test_a_silence_tells_dc_and_a_long_burst_is_seen_without_a_search(cycles: int) -> None:
    """DC is the mean of the record after its trigger's burst; 200 cycles are 203,000 samples."""
    point = replace(powered(a_run()), cycles=cycles)
    shot = a_shot(point, 22.6, 0.0004)
    assert [seen.thd for seen in glance(shot, point.channels, 20)] == [pytest.approx(0.01, rel=0.02)] * 2
    level = {name: replace(r, volts=np.full(9000, -0.0125)) for name, r in shot.records.items()}
    quiet = replace(shot, records=level, request=replace(shot.request, purpose="quiet"))
    assert [seen.volts for seen in glance(quiet, point.channels, 20)] == [pytest.approx(-0.0125)] * 2


def test_an_overloaded_record_tells_no_volts() -> None:
    """What a digitiser shows beyond its range is not the output (common practice, no source)."""
    point = powered(a_run())
    shot = a_shot(point, 22.6)
    shot = replace(shot, records={name: replace(r, overloaded=True) for name, r in shot.records.items()})
    now = state.heard(state.at_point(a_moment(), a_run(), point), shot.request, shot)
    assert block(now, 200)[3] == "outputs A overload of the digitiser, B overload of the digitiser"


def test_a_burst_too_short_for_thd_tells_none() -> None:
    """Up to three cycles are judged against a twin: their plain THD would mislead whoever watches."""
    point = replace(powered(a_run()), cycles=2)
    shot = a_shot(point, 22.6)
    assert isinstance(shot.request, Fire)
    assert [seen.thd for seen in glance(shot, point.channels, 20)] == [None, None]


def test_time_goes_on_in_a_rest_and_never_back() -> None:
    now = a_moment()
    rested = state.heard(now, Rest(60.0), None)
    assert rested.bench_s == now.bench_s + 60.0
    shot = a_shot(powered(a_run()), 22.6)  # fired before the rest
    assert state.heard(rested, shot.request, shot).bench_s == rested.bench_s


def test_another_unit_begins_with_nothing_read() -> None:
    """Twenty minutes lie between both stamps."""
    at = "2026-01-05T22:20:00.156+00:00"
    lines = block(state.begun(a_moment(), a_run(serial="MV-0122"), 2, 2, at), 200)
    assert lines == [
        "bench time 0:20:00; unit MV-0122 in bay 1, run 2 of 2",
        "between points",
        "no shot yet",
        "outputs not read yet",
        "supply not read yet",
    ]


def test_single_values_are_named() -> None:
    run = a_run("first_look_bench")
    now = state.begun(state.Now(), run, 1, 1, AT)
    told = [block(state.at_point(now, run, p), 200)[1] for p in run.points if isinstance(p, ValuePoint)]
    assert told == [
        "point 1 of 4: output offset, into 8R, A and B",
        "point 2 of 4: idle current, into 8R, A and B",
        "point 3 of 4: gain, 20 Hz to 20 kHz, into 8R, A and B",
    ]


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(52.64, "52.6 s"), (59.96, "1 min 00 s"), (88, "1 min 28 s"), (3599.6, "1 h 00 min"), (22320, "6 h 12 min")],
)
def test_how_long_it_lasted(seconds: float, text: str) -> None:
    """Sixty seconds a minute, sixty minutes an hour, rounded to the last place shown."""
    assert lasted(seconds) == text
    assert both_times(seconds, 2.1) == f"bench time {text}, run through in 2.1 s"
