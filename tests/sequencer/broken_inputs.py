"""What goes wrong when one place of one of the three sound files is changed."""

from __future__ import annotations

from dataclasses import dataclass

from tests.sequencer.sound_inputs import Kind


@dataclass(frozen=True)
class Broken:
    """In file `kind` `old` becomes `new`; then `key` of file `named` is refused with `value` and `remedy`."""

    kind: Kind
    old: str
    new: str
    key: str
    value: str
    remedy: str
    named: Kind | None = None

    @property
    def file(self) -> Kind:
        return self.named or self.kind


PLANS = [
    Broken("plan", "format = 1", "format = 2", "format", "2", "format = 1"),
    Broken("plan", "format = 1", "format = true", "format", "true", "format = 1"),
    Broken("plan", "format = 1\n", "", "format", "(nothing)", "format = 1"),
    Broken("plan", 'name = "evening"\n', "", "name", "(nothing)", "needed"),
    Broken("plan", 'name = "evening"', 'nmae = "evening"\nname = "x"', "nmae", "evening", "did you mean name"),
    Broken("plan", 'name = "evening"', "name = 2026-03-01", "name", "2026-03-01", "text in quotes"),
    Broken("plan", 'rest = "normal"', 'rest = "long"', "rest", "long", "quick"),
    Broken("plan", "shots_per_point = 60", "shots_per_point = 2", "budget.shots_per_point", "2", "3 or more"),
    Broken(
        "plan",
        "shots_per_point = 60",
        "shots_per_point = 9.0",
        "budget.shots_per_point",
        "9.0",
        "whole number",
    ),
    Broken("plan", "shots_per_point = 60", "time_s = 10.0", "budget.time_s", "10.0", "raise the budget"),
    Broken("plan", "shots_per_point = 60", "energy_load_j = 1.0", "budget.energy_load_j", "1.0", "J in the loads"),
    Broken("plan", "shots_per_point = 60", "energy_unit_j = 1.0", "budget.energy_unit_j", "1.0", "J of heat"),
    Broken("plan", "[budget]", "[limits]\nheat_c = 80.0\n[budget]", "limits.heat_c", "80.0", "no such limits"),
    Broken("plan", '"output_power"', '"loudness"', "stage[0].measurement", "loudness", "output_power"),
    Broken("plan", '["8R", "4R"]', '["8R", "2R"]', "stage[0].loads[1]", "2R", "8R, 4R"),
    Broken("plan", '["8R", "4R"]', '["8R", 4]', "stage[0].loads[1]", "4", "text in quotes"),
    Broken("plan", '["8R", "4R"]', '["8R", "8R"]', "stage[0].loads[1]", "8R", "twice"),
    Broken("plan", '["8R", "4R"]', "[]", "stage[0].loads", "[]", "at least 1"),
    Broken("plan", '["8R", "4R"]', '"8R"', "stage[0].loads", "8R", "square brackets"),
    Broken("plan", "[1000.0]", "[10.0]", "stage[0].frequencies_hz[0]", "10.0", "20 to 20000"),
    Broken("plan", "[1000.0]", "[15000.0]", "stage[0].frequencies_hz[0]", "15000.0", "no harmonic"),
    Broken("plan", "[1000.0]", "[inf]", "stage[0].frequencies_hz[0]", "inf", "finite"),
    Broken("plan", "[1000.0]", "[nan]", "stage[0].frequencies_hz[0]", "nan", "finite"),
    Broken("plan", "[1000.0]", "[-50.0]", "stage[0].frequencies_hz[0]", "-50.0", "above 0"),
    Broken("plan", '"1 cycle"', '"steady 0.4 s"', "stage[0].drives[1]", "steady 0.4 s", "at least 0.5 s"),
    Broken("plan", '"1 cycle"', '"steady 2.5 s"', "stage[0].drives[1]", "steady 2.5 s", "ceiling.burst_s"),
    Broken("plan", '"1 cycle"', '"1 cycles"', "stage[0].drives[1]", "1 cycles", "1 cycle"),
    Broken("plan", '"1 cycle"', '"1.5 cycles"', "stage[0].drives[1]", "1.5 cycles", "20 cycles"),
    Broken("plan", '"1 cycle"', '"steady 60 s"', "stage[0].drives[1]", "steady 60 s", "at most 10 s"),
    Broken("plan", '"1 cycle"', '"3000 cycles"', "stage[0].drives[1]", "3000 cycles", "ceiling.burst_s"),
    Broken("plan", "[24.0]", "[33.0]", "stage[0].supply_v[0]", "33.0", "21.6 to 31.2"),
    Broken("plan", "[24.0]", '["24 V"]', "stage[0].supply_v[0]", "24 V", "without quotes"),
    Broken("plan", "[24.0]", "[]", "stage[0].supply_v", "[]", "leave the key out"),
    Broken("plan", 'channels = "all"', 'channels = ["A", "C"]', "stage[0].channels[1]", "C", "A, B"),
    Broken("plan", 'channels = "all"', 'channels = ["A", "A"]', "stage[0].channels[1]", "A", "twice"),
    Broken("plan", 'channels = "all"', 'channels = "both"', "stage[0].channels", "both", "each"),
    Broken("plan", "thd_pct = 1.0", "thd_pct = 0.01", "stage[0].stop_limit.thd_pct", "0.01", "3 x the floor"),
    Broken("plan", "thd_pct = 1.0", "thd_pct = 50.0", "stage[0].stop_limit.thd_pct", "50.0", "at most 30"),
    Broken("plan", "thd_pct = 1.0", "thd_pct = [1.0, 1.0]", "stage[0].stop_limit.thd_pct", "1.0", "twice"),
    Broken(
        "plan",
        "thd_pct = 1.0",
        'thd_pct = [1.0, "x"]',
        "stage[0].stop_limit.thd_pct[1]",
        "x",
        "without quotes",
    ),
    Broken("plan", "thd_pct = 1.0", 'thd_pct = "low"', "stage[0].stop_limit.thd_pct", "low", "number"),
    Broken("plan", "thd_pct = 1.0", "thd_n_pct = 1.0", "stage[0].drives[1]", "1 cycle", "THD+N"),
    Broken("plan", "thd_pct = 1.0", "harmonics = 9", "stage[0].stop_limit", "neither", "thd_pct or thd_n_pct"),
    Broken("plan", '["any"]', '["hot"]', "stage[0].thermal[0]", "hot", "any"),
    Broken("plan", "[[stage]]", "[stage]", "stage", "{ name", "square brackets"),
]

UNITS = [
    Broken("unit", 'front_end = "converter"', 'front_end = "battery"', "front_end", "battery", "mains"),
    Broken("unit", "gain_db = 26.0\n", "", "gain_db", "(nothing)", "needed"),
    Broken("unit", "gain_db = 26.0", "gain_db = inf", "gain_db", "inf", "finite"),
    Broken("unit", "gain_db = 26.0", "gain_db = 400.0", "gain_db", "400.0", "dB"),
    Broken("unit", "gain_db = 26.0", "gain_db = 1e200", "gain_db", "1e+200", "no such number"),
    Broken("unit", "gain_db = 26.0", "gain_db = 6.0", "input_max_vrms", "4.0", "gain_db"),
    Broken("unit", "min = 21.6", "min = 28.0", "supply_v", "28.0", "rise"),
    Broken(
        "unit",
        "minimum_load_ohm = 4.0",
        "minimum_load_ohm = 8.0",
        "stage[0].loads[1]",
        "4R",
        "minimum",
        "plan",
    ),
    Broken("unit", "bursts = []", "bursts = [6.0]", "lower_loads_ohm_for_bursts[0]", "6.0", "leave it out"),
    Broken("unit", "bridged = false", "bridged = true", "bridged", "true", "leg A plus"),
    Broken("unit", "[20.0, 20000.0]", "[20000.0, 20.0]", "passband_hz", "[20000.0, 20.0]", "lower edge"),
    Broken("unit", "supply_fuse_a = 30.0", "supply_fuse_a = 15.0", "supply_fuse_a", "15.0", "75 %"),
    Broken("unit", "supply_a_max = 30.0", "supply_a_max = 10.0", "supply_a_max", "10.0", "draw"),
    Broken("unit", "output_rail_v = 30.0\n", "", "channel[0].output_rail_v", "(nothing)", "rating"),
    Broken(
        "unit",
        "output_rail_v = 30.0",
        "output_rail_v = 60.0",
        "input.ch1.factor",
        "10.0",
        "higher probe",
        "bench",
    ),
    Broken("unit", 'name = "B"', 'name = "A"', "channel[1].name", "A", "twice"),
    Broken("unit", 'name = "B"', 'name = "left"', "channel[1].name", "left", "capital letter"),
    Broken("unit", 'name = "B"', 'name = "C"', "wiring", "output C", "digitiser input", "bench"),
    Broken(
        "unit",
        'name = "B"',
        'name = "B"\nlive_terminal = "both"',
        "channel[1].live_terminal",
        "both",
        "bridged",
    ),
    Broken("unit", "[0.3, 1.2]", "[1.2, 0.3]", "idle_current.window_a", "1.2", "lower current"),
    Broken("unit", "[0.3, 1.2]", "[0.3]", "idle_current.window_a[1]", "(nothing)", "one value more"),
    Broken("unit", "stop_c = 75.0", "stop_c = 90.0", "heat", "90.0", "below trip_c"),
    Broken("unit", "[heat]", "[heet]", "heet", "stop_c", "did you mean heat"),
    Broken("unit", 'serial = "MV-0117"', 'serial = ""', "serial", '""', "empty"),
]

BENCHES = [
    Broken(
        "bench",
        "generator_vrms = 4.0",
        "generator_vrms = 0.5",
        "ceiling.generator_vrms",
        "0.5",
        "expected at",
    ),
    Broken("bench", "supply_a = 40.0", "supply_a = 12.0", "ceiling.supply_a", "12.0", "above this ceiling"),
    Broken(
        "bench",
        "supply_v = 31.2",
        "supply_v = 20.0",
        "stage[0].supply_v[0]",
        "24.0",
        "ceiling.supply_v",
        "plan",
    ),
    Broken("bench", "burst_s = 2.0", "output_w = 50.0", "ceiling.output_w", "50.0", "W a channel"),
    Broken("bench", "burst_s = 2.0", "energy_load_j = 5.0", "ceiling.energy_load_j", "5.0", "J in the loads"),
    Broken("bench", "burst_s = 2.0", "energy_unit_j = 5.0", "ceiling.energy_unit_j", "5.0", "J of heat"),
    Broken("bench", "::5025::", "::70000::", "role.generator.address", "70000", "VISA address"),
    Broken(
        "bench",
        '"TCPIP::127.0.0.1::5025::SOCKET"',
        '"bench-generator"',
        "role.generator.address",
        "bench-gen",
        "VISA",
    ),
    Broken("bench", "::5026::", "::5025::", "role.digitiser.address", "5025", "role.generator"),
    Broken("bench", '"generator-a"', '"generator-z"', "role.generator.dialect", "generator-z", "generator-a"),
    Broken("bench", '"generator-a"', '"../mine.toml"', "role.generator.dialect", "mine.toml", "folder"),
    Broken("bench", '"generator-a"', '"mine.toml"', "role.generator.dialect", "mine.toml", "no such file"),
    Broken("bench", '"mv-0117"', '"/etc/passwd"', "simulated.truth.MV-0117", "/etc/passwd", "folder"),
    Broken(
        "bench",
        "calibrated = 2026-03-01",
        'calibrated = "spring"',
        "role.generator.calibrated",
        "spring",
        "date",
    ),
    Broken("bench", "[role.thermometer]", "[role.kettle]", "role.kettle", "kettle", "thermometer"),
    Broken(
        "bench",
        '[role.supply]\naddress = "TCPIP::127.0.0.1::5027::SOCKET"\ndialect = "supply-a"\n',
        '[role.cut_off]\naddress = "TCPIP::127.0.0.1::5027::SOCKET"\ndialect = "cut-off-a"\n',
        "role.cut_off",
        "(table)",
        "no [role.supply]",
    ),
    Broken("bench", 'ch2 = "output B"', 'ch2 = "output A"', "wiring.ch2", "output A", "already"),
    Broken("bench", 'ch2 = "output B"', 'ch2 = "loudspeaker"', "wiring.ch2", "loudspeaker", "output B"),
    Broken("bench", 'ch2 = "output B"', 'ch9 = "output B"', "wiring.ch9", "ch9", "ch1"),
    Broken("bench", "[input.ch3]", "[input.ch4]", "input.ch4", "(table)", "not wired"),
    Broken(
        "bench",
        "full_scale_v = 4.0",
        'input = "ch7"\nfull_scale_v = 4.0',
        "range[0].input",
        "ch7",
        "not wired",
    ),
    Broken("bench", "full_scale_v = 4.0", "full_scale_v = 0.0", "range[0].full_scale_v", "0.0", "above 0"),
    Broken("bench", "full_scale_v = 4.0", "full_scale_v = 2.0", "input.ch2.factor", "10.0", "output B"),
    Broken("bench", "samples_max = 100000", "samples_max = 1500", "digitiser.samples_max", "1500", "lowest rate"),
    Broken("bench", "[1e5, 1e6]", "[2e4, 4e4]", "digitiser.rates_hz", "40000.0", "highest rate"),
    Broken("bench", "[1e5, 1e6]", "[]", "digitiser.rates_hz", "[]", "sample rate"),
    Broken("bench", "bits = 12", "bits = 6", "stage[0].stop_limit.thd_pct", "1.0", "floor", "plan"),
    Broken("bench", "ohm = { A = 7.98, B = 8.02 }", "ohm = { A = 7.98 }", "load.8R.ohm", "7.98", "channel B"),
    Broken("bench", "A = 4.01", "A = 3.5", "load.4R.ohm.A", "3.5", "5 % below"),
    Broken("bench", '{ A = ["103"], B = ["104"] }', '{ A = ["103"] }', "load.4R.close", "103", "channel B"),
    Broken("bench", '{ A = ["103"], B = ["104"] }', "[]", "load.4R.close", "[]", "contacts"),
    Broken("bench", 'B = ["104"] }', 'B = ["104"] }\nby_hand = true', "load.4R.by_hand", "true", "contacts switch it"),
    Broken("bench", "nominal_ohm = 4.0\n", "", "load.4R.nominal_ohm", "(nothing)", "needed"),
    Broken(
        "bench",
        "B = 3.99 }\ncontinuous_w = 200.0",
        "B = 3.99 }\ncontinuous_w = 5.0",
        "load.4R.continuous_w",
        "5.0",
        "10 x",
    ),
    Broken(
        "bench",
        "B = 3.99 }\ncontinuous_w = 200.0\nburst_j = 150.0",
        "B = 3.99 }\ncontinuous_w = 200.0\nburst_j = 1.0",
        "load.4R.burst_j",
        "1.0",
        "J in one burst",
    ),
    Broken(
        "bench",
        "B = 3.99 }\n",
        "B = 3.99 }\nburst_max_s = 0.01\n",
        "load.4R.burst_max_s",
        "0.01",
        "s in one burst",
    ),
    Broken(
        "bench",
        "B = 3.99 }\ncontinuous_w = 200.0",
        'B = 3.99 }\nkind = "film"\ncontinuous_w = 50.0',
        "load.4R.continuous_w",
        "50.0",
        "1.5 x",
    ),
    Broken("bench", 'name = "2"', 'name = "1"', "bay[1].name", "1", "twice"),
    Broken("bench", '"205"', '"201"', "bay[1].supply_contact", "201", "bay 1"),
    Broken("bench", '"204"', '"101"', "bay[0].output_contacts[1]", "101", "load 8R"),
    Broken("bench", "[lead.supply]", "[lead.output]", "lead.output", "(table)", "lead.supply"),
    Broken("bench", "ohm = 0.01\n", "ohm = 0.2\n", "lead.supply.ohm", "0.2", "3 %"),
    Broken("bench", "\nfuse_a = 40.0", "\nfuse_a = 15.0", "lead.supply.fuse_a", "15.0", "75 %"),
    Broken("bench", "supply_fuse_a = 40.0", "supply_fuse_a = 15.0", "hardware.supply_fuse_a", "15.0", "75 %"),
    Broken("bench", "supply_fuse_a = 40.0", 'cut_off = "no"', "hardware.cut_off", "no", "true or false"),
]

BROKEN = [*PLANS, *UNITS, *BENCHES]
