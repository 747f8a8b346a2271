"""Response, balance, crosstalk, output impedance and power bandwidth of units on paper, against closed forms."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from sequencer.measurements.channel_balance import channel_balance
from sequencer.measurements.crosstalk import crosstalk
from sequencer.measurements.frequency_response import frequency_response
from sequencer.measurements.requests import Fire, Inputs
from sequencer.measurements.values import Values
from sequencer.night.values import value_row
from sequencer.plan.expand import DISTORTION_FREQUENCIES_HZ, OCTAVES_HZ, THIRDS_HZ
from sequencer.report import response_sections
from sequencer.safety.rules import Rules
from tests.sequencer.paper_tones import PaperTones, apart_bench, job, named, unit
from tests.sequencer.paper_values import drive
from tests.sequencer.test_gain import DIFFERENCE_DB, flat, high_passed, peaked
from tests.sequencer.test_response_loads import bandwidth, rising

Gain = Callable[[float], float]
LOW_HZ, HIGH_HZ = 60.0, 9000.0


def banded(db: float) -> Gain:
    """First-order high-pass at 60 Hz and low-pass at 9 kHz: 1/sqrt((1 + (fl/f)^2)(1 + (f/fh)^2)), textbook."""
    return lambda hz: high_passed(db, LOW_HZ)(hz) / math.hypot(1.0, hz / HIGH_HZ)


def db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


def corner_hz(gain: Gain, inside_hz: float, outside_hz: float) -> float:
    """Where the closed form is 3 dB below 1 kHz, by halving."""
    for _ in range(60):
        middle = math.sqrt(inside_hz * outside_hz)
        inside = db(gain(middle) / gain(1000.0)) > -3.0
        inside_hz, outside_hz = (middle, outside_hz) if inside else (inside_hz, middle)
    return inside_hz


# --- response


def response(*gains: Gain, tones_hz: tuple[float, ...] = THIRDS_HZ) -> tuple[Values, PaperTones]:
    bench = PaperTones(gain={f"ch{n}": one for n, one in enumerate(gains, start=1)})
    return drive(frequency_response(job("frequency_response", tones_hz, "AB"[: len(gains)])), bench), bench


@pytest.fixture(scope="module")
def banded_response() -> Values:
    return response(banded(26.0), banded(25.8))[0]


def test_the_curve_of_a_band_pass(banded_response: Values) -> None:
    """Every tone against the closed form, to the noise of a 12 bit converter."""
    curve = banded_response.extra["response"]["channels"]["A"]
    assert [one["frequency_hz"] for one in curve] == list(THIRDS_HZ)
    for one in curve:
        assert one["db"] == pytest.approx(db(banded(0.0)(one["frequency_hz"]) / banded(0.0)(1000.0)), abs=0.01)


@pytest.mark.parametrize(("name", "outside_hz"), [("lower", 10.0), ("upper", 40000.0)])
def test_the_3_db_points_of_a_band_pass(banded_response: Values, name: str, outside_hz: float) -> None:
    """The closed form's own, found by halving: within 0.2 %, and within the uncertainty stated."""
    seen = named(banded_response, f"-3 dB re 1 kHz, {name}")
    due_hz = corner_hz(banded(0.0), 1000.0, outside_hz)
    assert seen.value == pytest.approx(due_hz, rel=0.002)
    assert seen.expanded_uncertainty is not None
    assert abs(seen.value - due_hz) <= seen.expanded_uncertainty


def test_the_largest_departure_has_its_tone(banded_response: Values) -> None:
    """At 20 Hz the closed form is 10 dB down, at 20 kHz 7.7 dB."""
    worst = named(banded_response, "largest departure")
    assert worst.frequency_hz == 20.0
    assert worst.value == pytest.approx(db(banded(0.0)(20.0) / banded(0.0)(1000.0)), abs=0.01)
    assert [f.kind for f in banded_response.findings] == ["response", "response"]


def test_a_3_db_point_that_no_tone_reaches_is_beyond_the_tones() -> None:
    """A first-order high-pass at 8 Hz: -0.64 dB at 20 Hz (closed form)."""
    found, _ = response(high_passed(26.0, 8.0))
    tones = {"lower": "(below 20 Hz): -0.64 dB there, the lowest", "upper": "(above 20 kHz): "}
    for side, tone in tones.items():
        seen = named(found, f"-3 dB re 1 kHz, {side}")
        assert seen.value is None
        assert str(seen.reason).startswith("beyond the tones")
        assert tone in str(seen.reason)
    assert found.findings == ()


def test_channels_that_differ_in_the_treble_only() -> None:
    """Low-passes at 9 and at 18 kHz, first order: at 20 kHz sqrt((1 + (20/18)^2) / (1 + (20/9)^2)) = -4.25 dB apart."""

    def treble(corner: float) -> Gain:
        return lambda hz: 20.0 / math.hypot(1.0, hz / corner)

    found, _ = response(treble(9000.0), treble(18000.0))
    apart = named(found, "asymmetry", None)
    due_db = db(treble(9000.0)(20000.0) / treble(18000.0)(20000.0)) - db(
        treble(9000.0)(1000.0) / treble(18000.0)(1000.0)
    )
    assert apart.value == pytest.approx(due_db, abs=0.01)
    assert apart.frequency_hz == 20000.0
    assert "channels unlike" in [f.kind for f in found.findings]


def test_a_boost_never_makes_a_tone_much_louder_than_stated() -> None:
    """12 dB at 40 Hz, third by third of an octave: at most twice the 1 W (3 dB between neighbours)."""
    boosted = peaked(26.0206, 12.0, 40.0, 1.0)
    found, bench = response(boosted)
    assert max((f.level_vrms * boosted(f.frequency_hz)) ** 2 / 8.0 for f in bench.fired) <= 2.0
    due_db = db(boosted(40.0) / boosted(1000.0))
    assert [f.sentence for f in found.findings] == [f"{due_db:+.1f} dB at 40 Hz: boost is on"]


def test_an_eighth_of_the_rating_is_the_most() -> None:
    """60 W by the file: 20 W asked for, 7.5 W given (into 8 ohm, plain arithmetic)."""
    bench = PaperTones()
    drive(frequency_response(job("frequency_response", (1000.0,), "A", small_power_w=20.0)), bench)
    assert max(f.level_vrms * 20.0 for f in bench.fired) ** 2 / 8.0 == pytest.approx(7.5, rel=0.001)


# --- balance


def test_balance_over_frequency() -> None:
    """B is 0.2 dB above A, and has a coupling of 20 Hz of its own: at 31.5 Hz 1.27 dB less (closed form)."""
    bench = PaperTones(gain={"ch1": flat(26.0), "ch2": high_passed(26.2, 20.0)})
    found = drive(channel_balance(job("channel_balance", OCTAVES_HZ)), bench)
    for one in found.extra["balance"]["channels"]["B"]:
        due_db = 0.2 - db(math.hypot(1.0, 20.0 / one["frequency_hz"]))
        assert one["db"] == pytest.approx(due_db, abs=0.01)
        assert one["expanded_db"] == pytest.approx(DIFFERENCE_DB, rel=0.02)  # of two rectangular ranges of 1 %
    worst = named(found, "gain less that of A, largest", "B")
    assert (worst.frequency_hz, worst.judgement) == (31.5, "outside")
    assert [f.kind for f in found.findings] == ["channel mismatch"]


def test_one_channel_has_no_balance() -> None:
    found = drive(channel_balance(job("channel_balance", (1000.0,), "A")), PaperTones())
    assert (found.values, found.reason) == ((), "a balance needs two channels")


# --- crosstalk

CROSS_HZ = (100.0, 1000.0, 10000.0)


def coupled(ratio: float, corner: float) -> Callable[[str, str, float], float]:
    """From B to A only: a part of the volts, and a capacity: |1 + jf/fc| times the ratio."""
    return lambda driven, other, hz: ratio * math.hypot(1.0, hz / corner) if driven == "B" else 0.0


def test_crosstalk_rises_with_frequency() -> None:
    """0.1 % from B to A, 3 dB more at 2 kHz, then 6 dB an octave; nothing the other way."""
    paper = coupled(0.001, 2000.0)
    bench = PaperTones(gain={"ch1": flat(26.0), "ch2": flat(26.0)}, over=paper)
    found = drive(crosstalk(job("crosstalk", CROSS_HZ)), bench)
    seen = {v.frequency_hz: v for v in found.values if v.channel == "A"}
    for hz in CROSS_HZ:
        assert seen[hz].value == pytest.approx(db(paper("B", "A", hz)), abs=0.02)
        assert "600 ohm to its own ground" in str(seen[hz].reason)
    back = [v for v in found.values if v.channel == "B"]
    assert [(v.value, v.judgement) for v in back] == [(None, "below floor")] * 3
    assert all(str(v.reason).startswith("less than -") for v in back)


def test_each_channel_is_driven_alone_and_all_are_at_the_end() -> None:
    bench = PaperTones(gain={"ch1": flat(26.0), "ch2": flat(26.0)}, over=coupled(0.001, 2000.0))
    drive(crosstalk(job("crosstalk", CROSS_HZ)), bench)
    switched = [one.channels for one in bench.asked if isinstance(one, Inputs)]
    assert switched == [("A",), ("B",), None]


def test_much_crosstalk_is_told_and_an_input_that_stays_driven() -> None:
    """-30 dB is told; -0 dB is no crosstalk but a contact that did not open."""
    for ratio, words in ((0.0316, "Look at input leads"), (0.99, "Look first whether the contact")):
        bench = PaperTones(
            gain={"ch1": flat(26.0), "ch2": flat(26.0)}, over=lambda d, o, hz, r=ratio: r if d == "A" else 0.0
        )
        found = drive(crosstalk(job("crosstalk", (1000.0,))), bench)
        (told,) = found.findings
        assert (told.kind, told.channel) == ("crosstalk", "B")
        assert told.next_action.startswith(words)


def test_without_a_contact_for_each_input_nothing_is_fired() -> None:
    bay = apart_bench().bay[0].model_copy(update={"input_contacts": {"A": "205"}})
    bench = PaperTones()
    found = drive(crosstalk(job("crosstalk", CROSS_HZ, bench=apart_bench(bay=(bay,)))), bench)
    assert found.reason == "the bay has no contact for the input of each channel: none can be driven alone"
    assert bench.fired == []


def test_an_output_whose_input_is_not_driven_is_not_gone() -> None:
    """The rule "output gone" at 2.8 Vrms (above the 1 V it begins at), twice in a row: for the driven one only."""
    rules = Rules(unit(), apart_bench(), apart_bench().bay[0], "crosstalk")
    bench = PaperTones(gain={"ch1": flat(26.0), "ch2": flat(26.0)})
    scales = {"ch1": 20.0, "ch2": 20.0}
    rules.hear(proof := Fire(0.015, 1000.0, 20, scales, "gain proof"), bench.answer(proof))
    loud = Fire(0.14, 1000.0, 20, scales, "response")
    for request in (Inputs(("A",)), loud, loud):
        assert rules.hear(request, bench.answer(request)) is None
    rules.hear(Inputs(None), None)  # as the night says it; the paper contact sticks
    found = [rules.hear(loud, bench.answer(loud)) for _ in range(2)]
    assert [one.name if one else None for one in found] == [None, "output gone"]


# --- the sheet


def test_the_sheet_tells_band_limit_and_reference(banded_response: Values) -> None:
    """What must stand with every figure: reference and power of a curve, limit and band of a bandwidth."""
    width, _ = bandwidth(rising, flat(26.0))
    rows = [
        value_row(job("frequency_response", THIRDS_HZ).point, banded_response),
        value_row(job("power_bandwidth", DISTORTION_FREQUENCIES_HZ, "A").point, width),
    ]
    curve, tones = response_sections.tables({"points": rows})
    assert [row[0] for row in curve.rows][::10] == ["20 Hz", "200 Hz", "2 kHz", "20 kHz"]
    assert "re 1 kHz" in curve.note
    assert "30 W; the limit is 1 % THD" in tones.note
    assert "20 Hz to 80 kHz" in tones.note
    curves, widths = response_sections.drawings({"points": rows})
    assert "gain re 1 kHz, at 1 W or less" in curves.note
    assert "THD at half the rated power, 30 W" in widths.note
