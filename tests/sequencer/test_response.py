"""Response, balance, crosstalk, output impedance and power bandwidth of units on paper, against closed forms."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from sequencer.measurements.channel_balance import channel_balance
from sequencer.measurements.crosstalk import crosstalk
from sequencer.measurements.frequency_response import frequency_response
from sequencer.measurements.output_impedance import output_impedance, source_ohm
from sequencer.measurements.power_bandwidth import power_bandwidth
from sequencer.measurements.requests import Connect, Fire, Inputs
from sequencer.measurements.values import Context, Value, Values
from sequencer.night.values import value_row
from sequencer.plan.expand import DISTORTION_FREQUENCIES_HZ, OCTAVES_HZ, THIRDS_HZ
from sequencer.report import response_sections
from sequencer.safety.rules import Rules
from tests.sequencer.paper_tones import PaperTones, apart_bench, job, unit
from tests.sequencer.paper_values import drive
from tests.sequencer.test_gain import DIFFERENCE_DB, flat, high_passed, peaked

Gain = Callable[[float], float]
LOW_HZ, HIGH_HZ = 60.0, 9000.0


def banded(db: float) -> Gain:
    """First-order high-pass at 60 Hz and low-pass at 9 kHz: 1/sqrt((1 + (fl/f)^2)(1 + (f/fh)^2)), textbook."""
    return lambda hz: high_passed(db, LOW_HZ)(hz) / math.hypot(1.0, hz / HIGH_HZ)


def db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)


def named(found: Values, begins: str, channel: str | None = "A") -> Value:
    (one,) = [v for v in found.values if v.name.startswith(begins) and v.channel == channel]
    return one


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


# --- output impedance

LOADS = {"8R": 8.0, "4R": 4.0}


def two_loads(uncertainty_ohm: float = 0.01, henry: float = 0.0) -> Any:
    declared = {
        name: one.model_copy(
            update={
                "ohm": {"A": LOADS[name], "B": LOADS[name]}, "uncertainty_ohm": uncertainty_ohm, "inductance_h": henry,
            }
        )
        for name, one in apart_bench().load.items()
    }  # fmt: skip
    return apart_bench(load=declared)


def impedance(behind_ohm: float, bench: Any = None, **paper: Any) -> tuple[Values, PaperTones]:
    known = bench or two_loads()
    tones = PaperTones(gain={"ch1": flat(26.0)}, source_ohm=behind_ohm, loads=LOADS, **paper)
    asked = job("output_impedance", (100.0, 1000.0), "A", known, second_load="4R")
    return drive(output_impedance(asked), tones), tones


@pytest.mark.parametrize("behind_ohm", [0.03, 0.2, 1.0])
def test_the_resistance_behind_an_output(behind_ohm: float) -> None:
    """R/(R + Rs) into 8 and into 4 ohm: Rs within its uncertainty, and the damping factor 8 / Rs."""
    found, bench = impedance(behind_ohm)
    for hz in ("100 Hz", "1 kHz"):
        seen, damping = named(found, f"output impedance at {hz}"), named(found, f"damping factor re 8 ohm at {hz}")
        assert seen.value is not None
        assert seen.expanded_uncertainty is not None
        assert abs(seen.value - behind_ohm) <= 1.5 * seen.expanded_uncertainty
        assert seen.expanded_uncertainty < 0.02 * behind_ohm + 0.001
        assert damping.value == pytest.approx(8.0 / seen.value)
    assert [one.load for one in bench.asked if isinstance(one, Connect)] == ["8R", "4R"] * 4 + ["8R"]


def test_the_formula_for_two_loads_is_the_textbook_s_for_none_and_one() -> None:
    """Rs = RL (U0/UL - 1): a first load without end."""
    for ratio in (1.01, 1.2, 2.0):
        assert source_ohm(ratio, 1e12, 4.0) == pytest.approx(4.0 * (ratio - 1.0))


def test_loads_count_by_their_share() -> None:
    """0.1 ohm of doubt in 4 ohm: Rs by d(ln Rs) = 2.5 % x R1/(R1 - R2) = 5 % for small Rs, and half of it by R1."""
    found, _ = impedance(0.2, two_loads(0.1))
    parts = found.extra["output_impedance"]["tones"][0]["uncertainty_parts_ohm"]
    assert parts["load:4R:A"] == pytest.approx(0.2 * 0.05, rel=0.06)
    assert -parts["load:8R:A"] == pytest.approx(0.2 * 0.0125, rel=0.06)


def test_a_resistance_below_its_uncertainty_is_told_as_below() -> None:
    """None in truth: less than a few milliohm, never a figure."""
    found, _ = impedance(0.0, noise_steps=3.0)
    for v in (v for v in found.values if v.name.startswith("output impedance")):
        if v.judgement == "below floor":
            assert v.value is None
            assert float(str(v.reason).split()[1]) < 0.01
        else:  # one in twenty may lie above its own 95 %
            assert abs(v.value or 0.0) < 0.005
    assert found.findings == ()


def test_a_damping_factor_of_an_uncertain_resistance_is_an_interval() -> None:
    """8 over 0.2 ohm with some 11 % of doubt (0.2 ohm in 4 and in 8): 1/x is monotone, so its ends are 8 over the ends
    of 95 % of Rs (closed form); and with a tenth of that doubt it is even, 5 % of u being left (JCGM 100, note to
    5.1.2: the mean lies r^2 away)."""
    found, _ = impedance(0.2, two_loads(0.2))
    seen, damping = (named(found, f"{what} at 1 kHz") for what in ("output impedance", "damping factor re 8 ohm"))
    assert seen.value is not None
    assert seen.expanded_uncertainty is not None
    assert damping.expanded_uncertainty is None
    ends = [8.0 / (seen.value + way * seen.expanded_uncertainty) for way in (1.0, -1.0)]
    assert str(damping.reason).startswith(f"{ends[0]:.3g} to {ends[1]:.3g} at 95 %")
    even = named(impedance(0.2, two_loads(0.02))[0], "damping factor re 8 ohm at 1 kHz")
    assert even.expanded_uncertainty is not None


def test_an_inductive_load_is_no_resistance() -> None:
    """20 uH: 0.13 ohm at 1 kHz, below a tenth; 1 mH: 6.3 ohm."""
    found, _ = impedance(0.2, two_loads(henry=1e-3))
    seen = named(found, "output impedance at 1 kHz")
    assert (seen.value, seen.judgement) == (None, "not measured")
    assert "no resistance" in str(seen.reason)
    assert named(impedance(0.2, two_loads(henry=2e-5))[0], "output impedance at 1 kHz").value is not None


def test_more_volts_into_fewer_ohms_put_the_loads_in_doubt() -> None:
    """-0.1 ohm behind the output is none: the bench's ohms are wrong."""
    found, _ = impedance(-0.1)
    assert [(f.kind, f.channel) for f in found.findings] == [("load resistance", "A")]


def test_one_load_alone_says_nothing() -> None:
    bench = PaperTones()
    found = drive(output_impedance(job("output_impedance", (1000.0,), "A")), bench)
    assert "two loads are needed" in str(found.reason)
    assert bench.fired == []


# --- power bandwidth


def bandwidth(third: Callable[[float], float], *gains: Gain, **other: Any) -> tuple[Values, PaperTones]:
    asked = {"band_hz": (20.0, 80000.0)} | other
    made = job("power_bandwidth", DISTORTION_FREQUENCIES_HZ, "AB"[: len(gains)], **asked)
    bench = PaperTones(gain={f"ch{n}": one for n, one in enumerate(gains, start=1)}, third=third)
    return drive(power_bandwidth(made), bench), bench


def rising(hz: float) -> float:
    """THD of 0.3 % up to 2 kHz, then as the frequency: 0.75 % at 5 kHz, 1.5 % at 10 kHz."""
    return 0.003 * max(hz / 2000.0, 1.0)


def test_the_band_ends_where_distortion_passes_the_rating() -> None:
    """The 3rd harmonic alone is the THD: 1 % is rated, so 5 kHz is the last tone and its 0.75 % the band's figure. THD
    rises as the frequency, a straight line over both logarithms: 1 % lies at 2 kHz x 1 / 0.3 = 6.667 kHz."""
    found, _ = bandwidth(rising, flat(26.0))
    lower, upper = (named(found, f"power bandwidth, {side} edge", None) for side in ("lower", "upper"))
    assert (lower.value, lower.judgement) == (20.0, "within")
    assert upper.judgement == "outside"
    assert upper.value == pytest.approx(2000.0 / 0.3, rel=0.005)
    assert str(upper.reason).startswith("between the tones of 5 kHz and 10 kHz")
    assert "10 kHz: channel A shows 1.5 % where 1 % is the limit" in str(upper.reason)
    assert "20 Hz to 80 kHz" in str(upper.reason)
    worst = named(found, "worst THD")
    assert worst.frequency_hz == 5000.0
    assert worst.value == pytest.approx(0.75, abs=0.01)
    assert [f.sentence for f in found.findings] == ["at 10 kHz it shows 1.5 % where 1 % is the limit"]


def test_the_weakest_channel_gives_half_the_rated_power_at_every_tone() -> None:
    """30 W of 60, B 0.4 dB weaker and with a coupling of 20 Hz: its level follows, to 0.1 %; A gives more."""
    found, _ = bandwidth(lambda hz: 0.002, flat(26.2), high_passed(25.8, 20.0))
    rows = [one for one in found.extra["power_bandwidth"]["tones"] if one["channel"] == "B"]
    assert len(rows) == len(DISTORTION_FREQUENCIES_HZ)
    assert all(30.0 <= one["power_w"] <= 30.2 for one in rows)
    assert all(one["misses"] is None for one in rows)


def test_a_tone_without_a_harmonic_in_the_band_is_not_judged() -> None:
    """Up to 20 kHz: 10 kHz has one (20 kHz itself), 20 kHz has none."""
    found, _ = bandwidth(lambda hz: 0.001, flat(26.0), band_hz=(20.0, 20000.0))
    upper = named(found, "power bandwidth, upper edge", None)
    assert (upper.value, upper.judgement) == (10000.0, "within")
    assert "20 kHz: no harmonic lies within the band" in str(upper.reason)


def test_without_a_rating_there_is_no_half_of_it() -> None:
    made = job("power_bandwidth", (1000.0,), "A")
    bare = replace(made, context=Context(unit(rating=()), apart_bench(), apart_bench().bay[0]))
    bench = PaperTones()
    assert "no rating" in str(drive(power_bandwidth(bare), bench).reason)
    assert bench.fired == []


def test_a_limit_that_is_found_below_half_the_rating_ends_it() -> None:
    """Earlier points found 20 W: no burst of 30 W is fired."""
    made = job("power_bandwidth", (1000.0,), "A")
    row = {
        "id": "p001", "measurement": "output_power", "outcome": "measured", "level_vrms": 0.63, "load": "8R",
        "supply_nominal_v": 24.0, "frequency_hz": 1000.0, "channels_driven": ["A"], "steady": False, "cycles": 20,
        "stop_limit": 1.0, "stopped_by": "thd", "channels": [{"channel": "A", "output_vrms": math.sqrt(160.0)}],
    }  # fmt: skip
    around = replace(made.around, earlier=(row,))
    bench = PaperTones()
    found = drive(power_bandwidth(replace(made, context=around)), bench)
    assert "above the 20 W" in str(found.reason)
    assert max((f.level_vrms * 20.0) ** 2 / 8.0 for f in bench.fired) < 0.1


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
