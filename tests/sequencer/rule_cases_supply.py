"""Paper cases of the supply and of what a unit draws without signal. Figures: common practice, no source, or our own
judgement, as the table of rules says; the unit's and the bench's from their files."""

from __future__ import annotations

import numpy as np

from sequencer.measurements.requests import Connect, Remote, SetSupply
from sequencer.plan.models import Bench, IdleCurrent
from tests.sequencer.rule_paper import BENCH, UNIT, Begin, Case, Drive, Heard, look, read, silence

ON = (SetSupply(24.0, 20.0), None)
OFF = (SetSupply(24.0, 20.0, on=False), None)
RAMP = Drive(1.0)
SHORT = RAMP.at(100.0)  # over at 100.02 s
BATTERY = BENCH.model_copy(update={"supply_kind": "battery"})
NO_WINDOW = UNIT.model_copy(update={"idle_current": IdleCurrent()})
HIGH_A = 1.5 * 1.45  # the unit's file: window up to 1.45 A
LEAST_A = 18.75  # 0.75 x the unit's fuse of 25 A; its supply_a_max is 25, the bench's ceiling 35, its fuses 40


def bench(**changed: object) -> Bench:
    return BENCH.model_copy(update=changed)


FUSED = bench(hardware=BENCH.hardware.model_copy(update={"supply_fuse_a": 8.0}))
LED = bench(lead={"supply": BENCH.lead["supply"].model_copy(update={"fuse_a": 6.0})})
BY_HAND = bench(role={name: role for name, role in BENCH.role.items() if name != "supply"})
NAN = float("nan")
LOW = bench(ceiling=BENCH.ceiling.model_copy(update={"supply_a": 5.0}))
MODEST = UNIT.model_copy(update={"supply_a_max": 4.0})


def idle(*at: tuple[float, float]) -> tuple[Heard, ...]:
    """(s, A)"""
    return tuple(read(at_s, amps=amps) for at_s, amps in at)


def three(at_s: float, amps: float) -> tuple[Heard, ...]:
    return idle((at_s, amps), (at_s + 0.2, amps), (at_s + 0.4, amps))


def rail(volts: float, spiked: int = 0, **other: object) -> Heard:
    """A thousand samples of the rail, so many of them at 40 V."""
    seen = np.full(1000, volts)
    seen[:spiked] = 40.0
    return Drive(0.02, "gain proof", rail=seen, **other).at(5.0)  # type: ignore[arg-type]


AWAY = ("supply current running away",)
HIGH = ("supply volts high",)
LIMIT = ("current limit without signal",)

CASES: tuple[Case, ...] = (
    # --- amps
    Case("below every limit", (read(amps=18.7),)),
    Case("above 0.75 x the unit's fuse", (read(amps=18.8),), ("supply current",), (18.8, LEAST_A)),
    Case("above 0.75 x the bench's fuse", (read(amps=6.1),), ("supply current",), (6.1, 6.0), bench=FUSED),
    Case("below 0.75 x the lead's fuse", (read(amps=4.4),), bench=LED),
    Case("above 0.75 x the lead's fuse", (read(amps=4.6),), ("supply current",), (4.6, 4.5), bench=LED),
    Case("above the ceiling", (read(amps=5.1),), ("supply current",), (5.1, 5.0), bench=LOW),
    Case("above the unit's most", (read(amps=4.1),), ("supply current",), (4.1, 4.0), unit=MODEST),
    Case("in a shot", (Drive(1.0, amps=18.8).at(1.0),), ("supply current",)),
    Case("under the watch, driven", (look(driven=True, amps=18.8),), ("supply current",)),
    Case("at first power too", (read(amps=18.8),), ("supply current",), measurement="first_power"),
    # --- no remote supply: what nothing reads trips nothing, what the digitiser sees does
    Case("unread", (ON, read(1.0, NAN, NAN), read(1.6, NAN, NAN), read(2.2, NAN, NAN)), bench=BY_HAND),
    Case("no number of a supply that is read", (ON, read(1.0, NAN), read(1.6, NAN)), ("supply volts",)),
    Case("seen low", (ON, read(10.0), read(11.0, 22.7), read(12.0, 22.7)), ("supply volts",), bench=BY_HAND),
    Case("seen running away", (*three(1.0, 1.3), *three(10.0, 1.573)), AWAY, bench=BY_HAND),
    # --- its own protection
    Case("tripped", (read(tripped="over_voltage"),), ("supply tripped",), (24.0, None)),
    Case("first power says so itself", (read(tripped="over_voltage"),), measurement="first_power"),
    Case("so does idle current", (look(driven=False, tripped="over_current"),), measurement="idle_current"),
    # --- volts away from what is set: 5 %, for 0.5 s without signal; half of them at once
    Case("4.6 % low", (ON, read(10.0), read(11.0, 22.9), read(12.0, 22.9))),
    Case("5.4 % low", (ON, read(10.0), read(11.0, 22.7), read(12.0, 22.7)), ("supply volts",), (22.7, 22.8)),
    Case("5.4 % low for 0.45 s", (ON, read(10.0), read(11.0, 22.7), read(11.45, 22.7))),
    Case("5.4 % low for 0.55 s", (ON, read(10.0), read(11.0, 22.7), read(11.55, 22.7)), ("supply volts",)),
    Case("5.4 % low, but back between", (ON, read(11.0, 22.7), read(11.3), read(11.6, 22.7))),
    Case("5.4 % low while driven", (ON, look(1.0, driven=True, volts=22.7), look(1.6, driven=True, volts=22.7))),
    Case("half while driven", (ON, look(1.0, driven=True), look(1.2, driven=True, volts=12.1))),
    Case(
        "less than half while driven",
        (ON, look(1.0, driven=True), look(1.2, driven=True, volts=11.9)),
        ("supply volts",),
    ),
    Case("not there yet", (ON, look(1.0, driven=True, volts=11.9), look(1.2, driven=True, volts=11.9))),
    Case("never there", (ON, read(1.0, 11.9), read(2.0, 11.9)), ("supply volts",)),
    Case("switched off", (ON, read(10.0), OFF, read(11.0, 0.1), read(12.0, 0.1))),
    Case("in current limit", (ON, read(10.0), read(11.0, 11.0, limited=True), read(11.2, 11.0, limited=True))),
    Case("a battery", (ON, read(10.0), read(11.0, 11.9), read(12.0, 22.0)), bench=BATTERY),
    Case("first power raises it", (ON, read(1.0, 12.0), read(2.0, 12.0)), measurement="first_power"),
    Case("nothing was set", (read(10.0), read(11.0, 12.0), read(12.0, 12.0))),
    # --- volts high: 5 % above what is set, 2 % above the unit's most of 31.2 V, at once
    Case("4.6 % high", (ON, read(10.0), read(11.0, 25.1), read(12.0, 25.1))),
    Case("5.4 % high", (ON, read(10.0), read(11.0, 25.3)), HIGH, (25.3, 25.2)),
    Case("5.4 % high while driven", (ON, read(10.0), look(11.0, driven=True, volts=25.3)), HIGH),
    Case("coming down to what is set", (ON, read(10.0, 28.0))),
    Case("too high for long", (ON, read(10.0, 28.0), read(11.0, 28.0)), ("supply volts",), (28.0, 25.2)),
    Case("1.6 % above its most", (read(10.0, 31.7),)),
    Case("2.2 % above its most", (read(10.0, 31.9),), HIGH, (31.9, 1.02 * 31.2)),
    Case("above its most at first power", (read(10.0, 31.9),), HIGH, measurement="first_power"),
    Case("a battery may stand higher", (ON, read(10.0), read(11.0, 25.3), read(12.0, 25.3)), bench=BATTERY),
    Case("switched off, still there", (ON, read(10.0), OFF, read(11.0, 25.3))),
    # --- the rail in a record: 5 % above what is set, and what range (2 %) and input (1 %) may err
    Case("rail at 25.9 V", (ON, read(1.0), rail(25.9))),
    Case("rail at 26.0 V", (ON, read(1.0), rail(26.0)), HIGH, (26.0, 25.2 * 1.03)),
    Case("rail ringing for 4 %", (ON, read(1.0), rail(24.0, 40))),
    Case("rail high for 6 %", (ON, read(1.0), rail(24.0, 60)), HIGH),
    Case("rail beyond its range", (ON, read(1.0), rail(26.0, over=("ch3",)))),
    Case("a probe that is being checked", (ON, read(1.0), rail(240.0)), measurement="bench_check"),
    Case("rail at the unit's most", (rail(32.7),), unit=UNIT),
    Case("rail above the unit's most", (rail(32.9),), HIGH),
    Case(
        "no word on the rail's input",
        (ON, read(1.0), rail(25.6), rail(25.8)),
        HIGH,
        (25.8, 25.2 * 1.02),
        bench=bench(input={}),
    ),
    Case("the rail is not wired", (rail(50.0),), bench=bench(wiring={"ch1": "output A", "ch2": "output B"})),
    # --- idle current: 1.5 x the window for 0.5 s, once driven
    Case("high, never driven", idle((99.0, HIGH_A * 1.01), (100.0, HIGH_A * 1.01))),
    Case("1.49 x", (SHORT, *idle((110.0, HIGH_A * 0.99), (111.0, HIGH_A * 0.99)))),
    Case(
        "1.51 x",
        (SHORT, *idle((110.0, HIGH_A * 1.01), (111.0, HIGH_A * 1.01))),
        ("supply current without signal",),
        (HIGH_A * 1.01, HIGH_A),
    ),
    Case("1.51 x, for a moment", (SHORT, *idle((110.0, HIGH_A * 1.01), (110.4, HIGH_A * 1.01)))),
    Case("1.51 x, in the next point", (SHORT, Begin("gain"), *idle((110.0, HIGH_A * 1.01), (111.0, HIGH_A * 1.01)))),
    Case("1.51 x, no window", (SHORT, *idle((110.0, 9.0), (111.0, 9.0))), unit=NO_WINDOW),
    Case("1.51 x, judged elsewhere", (SHORT, *idle((110.0, 9.0), (111.0, 9.0))), measurement="output_offset"),
    Case("only a silence was taken", (silence(at_s=100.0), *idle((110.0, 9.0), (111.0, 9.0)))),
    Case(
        "high in silences",
        (SHORT, silence(at_s=110.0, amps=9.0), silence(at_s=111.0, amps=9.0)),
        ("supply current without signal",),
    ),
    # --- running away: 20 % and 20 mA within 60 s, above the window
    Case("up by 19 %", (*three(1.0, 1.3), *three(10.0, 1.547))),
    Case("up by 21 %", (*three(1.0, 1.3), *three(10.0, 1.573)), AWAY, (1.573, 1.56)),
    Case("one odd reading", (*three(1.0, 1.3), *idle((2.0, 1.7), (3.0, 1.3), (4.0, 1.3)))),
    Case("up by 40 % within the window", (*three(1.0, 1.0), *three(10.0, 1.4))),
    Case("out of the window by 19 %", (*three(1.0, 1.23), *three(10.0, 1.46))),
    Case("within 59.6 s of it", (*three(1.0, 1.3), *three(60.6, 1.573)), AWAY),
    Case("within 61 s", (*three(1.0, 1.3), *three(62.4, 1.573))),
    Case("19 mA of 50", (*three(1.0, 0.05), *three(10.0, 0.069)), unit=NO_WINDOW),
    Case("21 mA of 50", (*three(1.0, 0.05), *three(10.0, 0.0711)), AWAY, (0.0711, 0.07), unit=NO_WINDOW),
    Case("a burst between", (*three(1.0, 1.3), RAMP.at(5.0), *three(10.0, 1.573))),
    Case("driven between", (*three(1.0, 1.3), look(5.0, driven=True), *three(10.0, 1.573))),
    Case(
        "a look without drive between", (*three(1.0, 1.3), look(5.0, driven=False, amps=1.3), *three(10.0, 1.58)), AWAY
    ),
    Case("its supply was set between", (*three(1.0, 1.3), ON, *three(10.0, 1.573))),
    Case("its remote line closed between", (*three(1.0, 1.3), (Remote(True), None), *three(10.0, 1.573))),
    Case("its load changed between", (*three(1.0, 1.3), (Connect("8R", ("A", "B")), None), *three(10.0, 1.573))),
    Case("another measurement between", (*three(1.0, 1.3), Begin("gain"), *three(10.0, 1.573))),
    Case("judged elsewhere", (*three(1.0, 1.3), *three(10.0, 1.8)), measurement="idle_current"),
    # --- current limit without signal, for 0.5 s, from 0.5 s after a burst on
    Case("limited for 0.45 s", (read(10.0, limited=True), read(10.45, limited=True))),
    Case("limited for 0.55 s", (read(10.0, limited=True), read(10.55, limited=True)), LIMIT, (1.1, None)),
    Case("limited, not, limited", (read(10.0, limited=True), read(10.3), read(10.6, limited=True))),
    Case("limited 0.45 s after a burst", (SHORT, read(100.47, limited=True), read(101.0, limited=True))),
    Case("limited 0.55 s after a burst", (SHORT, read(100.57, limited=True), read(101.12, limited=True)), LIMIT),
    Case("limited while driven", (look(1.0, driven=True, limited=True), look(1.6, driven=True, limited=True))),
    Case(
        "limited 0.45 s after it was seen driven",
        (look(1.0, driven=True), look(1.45, driven=False, limited=True), look(2.0, driven=False, limited=True)),
    ),
    Case(
        "limited 0.55 s after it was seen driven",
        (look(1.0, driven=True), look(1.55, driven=False, limited=True), look(2.1, driven=False, limited=True)),
        LIMIT,
    ),
    Case("limited in bursts", (Drive(1.0, limited=True).at(1.0), Drive(1.0, limited=True).at(3.0))),
    Case("limited in silences", (silence(at_s=1.0, limited=True), silence(at_s=2.0, limited=True)), LIMIT),
    Case("limited, judged elsewhere", (read(1.0, limited=True), read(2.0, limited=True)), measurement="bench_check"),
    Case("limited, another point", (read(1.0, limited=True), Begin("gain"), read(2.0, limited=True))),
)
