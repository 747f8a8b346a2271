"""More broken places: keys that came after the first ones (inputs apart, barriers, options of a stage, methods)."""

from __future__ import annotations

from tests.sequencer.broken_inputs import BROKEN, Broken

STAGE = 'thermal = ["any"]\n'
BAY = 'supply_contact = "201"\n'
HARDWARE = "[hardware]\n"
RANGE = "full_scale_v = 4.0"
LOAD = "B = 3.99 }\n"


def plan_with(measurement: str, options: str, key: str, value: str, remedy: str, **more: str) -> Broken:
    """A second stage of this measurement beside the sound one."""
    stage = f'[[stage]]\nname = "more"\nmeasurement = "{measurement}"\n{more.get("keys", "")}'
    new = f"{STAGE}{stage}" + (f"options = {{ {options} }}\n" if options else "")
    return Broken("plan", STAGE, new, f"stage[1].{key}", value, remedy)


def bench_with(old: str, more: str, key: str, value: str, remedy: str) -> Broken:
    """The sound bench with some lines more."""
    return Broken("bench", old, old + more, key, value, remedy)


def role(name: str, dialect: str, port: int = 5031) -> str:
    address = f"TCPIP::127.0.0.1::{port}::SOCKET"
    return f'[role.{name}]\naddress = "{address}"\ndialect = "{dialect}"\n'


CONTACT = '[[interlock]]\nname = "cover"\ncontact = "401"\n'

OPTIONS = [
    plan_with("soak", "minutes = 0.0", "options.minutes", "0.0", "above 0"),
    plan_with("precondition", "minutes = 500.0", "options.minutes", "500.0", "240 or less"),
    plan_with("steady_efficiency", "power_parts = []", "options.power_parts", "[]", "at least 1"),
    plan_with("intermodulation", "power_parts = [1.5]", "options.power_parts[0]", "1.5", "1 or less"),
    plan_with("intermodulation", 'tone_pairs = ["sum"]', "options.tone_pairs[0]", "sum", "modulation"),
    plan_with("intermodulation", "tone_pairs = []", "options.tone_pairs", "[]", "at least 1"),
    plan_with("intermodulation", "", "frequencies_hz", "[1000.0]", "says nothing", keys="frequencies_hz = [1000.0]\n"),
    plan_with("thd_by_level", "levels_db = [-6.0, 3.0]", "options.levels_db[1]", "3.0", "below 0"),
    plan_with("thd_by_level", "levels_db = [-6.0]", "options.levels_db", "[-6.0]", "at least 2"),
    plan_with("thd_by_frequency", "powers_w = [500.0]", "options.powers_w[0]", "500.0", "less"),
    plan_with("thd_by_frequency", "", "frequencies_hz", "40000.0", "passband", keys="frequencies_hz = [40000.0]\n"),
    plan_with("noise", "mains_hz = 400.0", "options.mains_hz", "400.0", "65 or less"),
    plan_with("stability", "capacitors_nf = [0.0]", "options.capacitors_nf[0]", "0.0", "above 0"),
    plan_with("turn_on", "power_cycles = 0", "options.power_cycles", "0", "1 or more"),
    plan_with("turn_on", "power_cycles = 2.5", "options.power_cycles", "2.5", "whole number"),
    plan_with("frequency_response", "small_power_w = -1.0", "options.small_power_w", "-1.0", "above 0"),
    plan_with("frequency_response", "", "frequencies_hz", "5.0", "passband", keys="frequencies_hz = [5.0]\n"),
    plan_with("channel_balance", "", "drives", "20 cycles", "says nothing", keys='drives = ["20 cycles"]\n'),
    plan_with("output_impedance", 'second_load = "2R"', "options.second_load", "2R", "8R, 4R"),
    plan_with("output_impedance", 'second_load = "8R"', "options.second_load", "8R", "lower ohms"),
    plan_with("crosstalk", 'second_load = "4R"', "options.second_load", "4R", "leave it out"),
    plan_with("dynamic_headroom", "loudness_db = 3.0", "options.loudness_db", "3.0", "unknown key"),
]

METHODS = [
    Broken("plan", 'rest = "normal"', 'rest = "normal"\nmethod = "loud_like"', "method", "loud_like", "no shipped"),
    Broken("plan", 'rest = "normal"', 'rest = "normal"\nmethod = "../far.toml"', "method", "far.toml", "folder"),
    Broken("plan", 'rest = "normal"', 'rest = "normal"\nmethod = 60268', "method", "60268", "text in quotes"),
    Broken("plan", 'rest = "normal"', 'rest = "normal"\nreference = "last"', "reference", "last", "first and last"),
]

INPUTS = [
    bench_with(BAY, 'input_contacts = { A = "201" }\n', "bay[0].input_contacts.A", "201", "already"),
    bench_with(BAY, 'input_contacts = { a = "210" }\n', "bay[0].input_contacts.a", "a", "capital letter"),
    bench_with(BAY, "input_contacts = { A = 210 }\n", "bay[0].input_contacts.A", "210", "text in quotes"),
    bench_with(BAY, "undriven_input = 600\n", "bay[0].undriven_input", "600", "text in quotes"),
    bench_with(LOAD, "contact_ohm = -0.01\n", "load.4R.contact_ohm", "-0.01", "0 or more"),
    bench_with(LOAD, 'measured = "May"\n', "load.4R.measured", "May", "date"),
    Broken("bench", RANGE, f'{RANGE}\ncorrected_on = "spring"', "range[0].corrected_on", "spring", "date"),
    Broken("bench", RANGE, f'{RANGE}\nkind = "even"', "range[0].kind", "even", "rectangular"),
]

METER = "[meter]\nclose = {{ {} }}\n"
METERS = [
    Broken("bench", "[wiring]", role("meter", "meter-a") + "[wiring]", "meter", "(nothing)", "add [meter]"),
    Broken("bench", HARDWARE, METER.format('A = ["109"]') + HARDWARE, "role.meter", "(nothing)", "add this role"),
    *(
        Broken("bench", HARDWARE, role("meter", "meter-a") + METER.format(close) + more + HARDWARE, key, value, remedy)
        for close, more, key, value, remedy in (
            ('A = ["101"]', "", "meter.close.A", "101", "load 8R"),
            ('A = ["109"], B = ["109"]', "", "meter.close.B", "109", "the meter's channel A"),
            ('A = ["109"], B = []', "", "meter.close.B", "[]", "two outputs"),
            ('C = ["109"]', "", "meter.close.C", "109", "output C"),
            ("", "", "meter.close", "{  }", "at least 1"),
            ('A = ["109"]', "accuracy_pct = 0.0\n", "meter.accuracy_pct", "0.0", "above 0"),
            ('A = ["109"]', "reading_s = 20.0\n", "meter.reading_s", "20.0", "5 or less"),
        )
    ),
    plan_with("range_transfer", "", "drives", "20 cycles", "says nothing", keys='drives = ["20 cycles"]\n'),
    Broken(
        "plan",
        STAGE,
        f'{STAGE}[[stage]]\nname = "more"\nmeasurement = "range_transfer"\n',
        "role.meter",
        "(nothing)",
        "needs a meter",
        "bench",
    ),
]

BARRIERS = [
    Broken("bench", HARDWARE, CONTACT + HARDWARE, "role.interlock", "(nothing)", "add this role"),
    Broken(
        "bench", "[wiring]", role("interlock", "interlock-a") + "[wiring]", "interlock", "(nothing)", "[[interlock]]"
    ),
    Broken(
        "bench",
        HARDWARE,
        role("interlock", "interlock-a") + CONTACT + CONTACT.replace("401", "402") + HARDWARE,
        "interlock[1].name",
        "cover",
        "twice",
    ),
    Broken(
        "bench",
        HARDWARE,
        role("interlock", "interlock-a") + CONTACT + CONTACT.replace("cover", "stop") + HARDWARE,
        "interlock[1].contact",
        "401",
        "twice",
    ),
    Broken("bench", HARDWARE, f"[cut_off]\nhold_s = 2.0\n{HARDWARE}", "role.cut_off", "(nothing)", "add this role"),
    Broken(
        "bench",
        HARDWARE,
        f"{role('cut_off', 'cut-off-a')}[cut_off]\nhold_s = 0.5\n{HARDWARE}",
        "cut_off.hold_s",
        "0.5",
        "at least",
    ),
    Broken(
        "bench",
        HARDWARE,
        f"{role('cut_off', 'cut-off-a')}[cut_off]\nhold_s = 60.0\n{HARDWARE}",
        "cut_off.hold_s",
        "60.0",
        "30 or less",
    ),
    Broken(
        "bench",
        HARDWARE,
        role("cut_off", "cut-off-a", 5027) + HARDWARE,
        "role.cut_off.address",
        "5027",
        "role.supply",
    ),
]

ALL = [*BROKEN, *OPTIONS, *METHODS, *INPUTS, *METERS, *BARRIERS]
