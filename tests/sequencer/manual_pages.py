"""Generator, supply and load switch as their programming pages print them (simulators/panels/MANUALS.md), and what of
what they are told lies beyond the ceilings. No text of a dialect and no code of a panel stands behind this.

A level is kept as the e.m.f.: what an amplifier's input (10 kohm and more) sees of a 50 ohm source.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random

from tests.drivers.scripted import CountedClock

SOURCE_OHM = 50.0
VPP_PER_VRMS = 2.0 * math.sqrt(2.0)  # of a sine: textbook
HAIR = 1.0 + 1e-9
OVER_VOLTAGE_MOST = 1.1 * HAIR  # trip over ceiling: the project's own promise


@dataclass(frozen=True)
class Most:
    """Nothing may be told to be more. Levels Vrms, volts V, amps A, bursts s."""

    level_vrms: float
    burst_s: float
    volts: float
    amps: float
    trip_v: float


def printed(pattern: str) -> re.Pattern[str]:
    """A header as the pages print it, by SCPI-1999 vol. 1, 6.2.1: capitals or the whole word; `[x]` may be left out."""
    text = pattern.replace("*", r"\*").replace("<n>", r"\d+")
    text = re.sub(r"([A-Z]+)([a-z]+)", lambda m: f"{m[1]}(?:{m[2].upper()})?", text)
    return re.compile(text.replace("[", "(?:").replace("]", ")?") + r"$")


@dataclass
class Page:
    """hears: one message of a log or of a driver; its reply, if it asks. beyond: what lay above `most`, in words."""

    most: Most
    beyond: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._table = [(printed(header), do) for header, do in self.commands().items()]

    def commands(self) -> dict[str, Callable[[str | None], str | None]]:
        raise NotImplementedError

    def hears(self, message: str) -> str | None:
        self.told.append(message)
        replies = [self._one(part.strip()) for part in message.split(";") if part.strip()]
        return ";".join(r for r in replies if r is not None) or None

    def _one(self, part: str) -> str | None:
        header, _, argument = part.lstrip(":").partition(" ")
        asks, header = header.endswith("?"), header.rstrip("?").upper()
        if re.fullmatch(r"SYST(EM)?:ERR(OR)?(:NEXT)?", header):
            return self.errors.pop(0) if self.errors else '0,"No error"'
        if header in ("*IDN", "*CLS", "*ESR", "*OPC"):
            return "1" if asks else None
        for pattern, do in self._table:
            if pattern.match(header):
                reply = do(None if asks and not argument else argument.strip() + ("?" if asks else ""))
                self.look(part)
                return reply if asks else None
        raise AssertionError(f"no page prints {part!r}")

    def look(self, part: str) -> None:
        """After each command: what stands now that may not."""

    def refuse(self, part: str, why: bool) -> None:
        if why:
            self.beyond.append(part)


def _flag(argument: str) -> bool:
    return argument.upper() in ("ON", "1")


@dataclass
class GeneratorPage(Page):
    """fired: (e.m.f. Vrms, Hz, cycles) of each burst."""

    emf_vrms: float = 0.1
    in_vrms: bool = False
    load_ohm: float = 50.0
    offset_v: float = 0.0
    hz: float = 1000.0
    cycles: float = 1.0
    phase_deg: float = 0.0
    function: str = "SIN"
    second_hz: float = 1000.0
    ratio: float = 1.0
    burst: bool = False
    source: str = "IMM"
    output: bool = False
    fired: list[tuple[float, float, float]] = field(default_factory=list)

    def left_over(self, rng: Random) -> None:
        """Whatever somebody left there: loud, in the other unit, at the other load, even playing."""
        self.emf_vrms, self.in_vrms = rng.choice((0.1, 3.0, 7.0)), rng.random() < 0.5
        self.load_ohm, self.offset_v = rng.choice((50.0, math.inf, 600.0)), rng.choice((0.0, 0.1))
        self.cycles, self.source = rng.choice((1.0, 50000.0, math.inf)), rng.choice(("IMM", "EXT", "BUS"))
        self.burst, self.output, self.phase_deg = rng.random() < 0.5, rng.random() < 0.5, rng.choice((0.0, 90.0))

    def commands(self) -> dict[str, Callable[[str | None], str | None]]:
        return {
            "SOURce<n>:FUNCtion": self._function,
            "SOURce<n>:DUALtone:FREQuency": lambda a: self._number("second_hz", a, "+.10E"),
            "SOURce<n>:DUALtone:RATio": lambda a: self._number("ratio", a, "+.7E"),
            "SOURce<n>:FREQuency": lambda a: self._number("hz", a, "+.10E"),
            "SOURce<n>:VOLTage:UNIT": self._unit,
            "SOURce<n>:VOLTage:OFFSet": lambda a: self._number("offset_v", a, "+.7E"),
            "SOURce<n>:VOLTage": self._level,
            "OUTPut<n>:LOAD": lambda a: self._number("load_ohm", a, "+.7E"),
            "OUTPut<n>[:STATe]": lambda a: self._switch("output", a),
            "SOURce<n>:BURSt:MODE": lambda a: "TRIG" if a is None else None,
            "SOURce<n>:BURSt:NCYCles": lambda a: self._number("cycles", a, "+.0f"),
            "SOURce<n>:BURSt:PHASe": lambda a: self._number("phase_deg", a, "+.7E"),
            "SOURce<n>:BURSt:STATe": lambda a: self._switch("burst", a),
            "TRIGger<n>:SOURce": self._source_of,
            "*TRG": self._trigger,
        }

    @property
    def shown_per_emf(self) -> float:
        part = 1.0 if math.isinf(self.load_ohm) else self.load_ohm / (self.load_ohm + SOURCE_OHM)
        return part * (1.0 if self.in_vrms else VPP_PER_VRMS)

    def _number(self, name: str, argument: str | None, form: str) -> str | None:
        if argument is None:
            value = getattr(self, name)
            return "9.9E+37" if math.isinf(value) else format(value, form)
        setattr(self, name, math.inf if argument.upper().startswith("INF") else float(argument))
        return None

    def _function(self, argument: str | None) -> str | None:
        """Two tones leave the crest as the level says it."""
        if argument is None:
            return self.function
        self.function = "DUAL" if argument.upper().startswith("DUAL") else "SIN"
        return None

    def _unit(self, argument: str | None) -> str | None:
        if argument is None:
            return "VRMS" if self.in_vrms else "VPP"
        self.in_vrms = argument.upper() == "VRMS"
        return None

    def _level(self, argument: str | None) -> str | None:
        if argument is None:
            return f"{self.emf_vrms * self.shown_per_emf:+.7E}"
        self.emf_vrms = round(float(argument) / self.shown_per_emf, 7)
        self.refuse(f"level {argument}: {self.emf_vrms} Vrms", self.emf_vrms > self.most.level_vrms * HAIR)
        return None

    def _switch(self, name: str, argument: str | None) -> str | None:
        if argument is None:
            return "1" if getattr(self, name) else "0"
        setattr(self, name, _flag(argument))
        return None

    def _source_of(self, argument: str | None) -> str | None:
        if argument is None:
            return self.source
        self.source = argument.upper()[:3]
        return None

    def _trigger(self, argument: str | None) -> str | None:
        if not (self.output and self.burst and self.source == "BUS"):
            self.errors.append('-211,"Trigger ignored"')
            return None
        burst_s, burst = self.cycles / self.hz, (self.emf_vrms, self.hz, self.cycles)
        self.fired.append(burst)
        self.refuse(f"fired {burst}", self.emf_vrms > self.most.level_vrms * HAIR)
        self.refuse(f"fired for {burst_s} s", burst_s > self.most.burst_s * HAIR)
        silent = self.offset_v == 0.0 and self.phase_deg == 0.0
        self.refuse(f"fired with offset {self.offset_v}, phase {self.phase_deg}", not silent)
        return None

    def look(self, part: str) -> None:
        """A tone that nobody counts, or a level that stands at an output that is on."""
        if self.output and self.told and not part.endswith("?") and not self._is_off(part):
            self.refuse(f"{part}: a tone without end", not self.burst or self.source == "IMM")
            self.refuse(f"{part}: {self.emf_vrms} Vrms with output on", self.emf_vrms > self.most.level_vrms * HAIR)

    @staticmethod
    def _is_off(part: str) -> bool:
        return part.upper().endswith((" OFF", " 0"))


@dataclass
class SupplyPage(Page):
    """Of supply-a and supply-b: they print other words for the same things. amps: drawn while it is on."""

    letter: str = "a"
    volts: float = 0.0
    limit_a: float = 0.0
    trip_v: float = 66.0
    output: bool = False
    drawn_a: float = 0.0
    trip_told: bool = False

    def left_over(self, rng: Random) -> None:
        self.volts, self.limit_a = rng.choice((0.0, 12.0, 40.0)), rng.choice((0.0, 80.0))
        self.trip_v, self.output = rng.choice((44.0, 66.0)), rng.random() < 0.5

    def commands(self) -> dict[str, Callable[[str | None], str | None]]:
        if self.letter == "a":
            return {
                "VOLTage:PROTection": lambda a: self._number("trip_v", a),
                "VOLTage": lambda a: self._number("volts", a),
                "CURRent": lambda a: self._number("limit_a", a),
                "OUTPut": self._output,
                "MEASure:ALL": lambda a: f"{self.shown_v:+.5E},{self.shown_a:+.5E}",
                "OUTPut:PROTection:CLEar": lambda a: None,
                "STATus:QUEStionable:CONDition": lambda a: "2" if self.output else "0",
                "STATus:QUEStionable[:EVENt]": lambda a: "0",
            }
        return {
            "SOURce:VOLTage:LEVel": lambda a: self._number("volts", a),
            "SOURce:CURRent:LEVel": lambda a: self._number("limit_a", a),
            "SOURce:VOLTage:PROTection:HIGH": lambda a: self._number("trip_v", a),
            "CONFigure:OUTPut": self._output,
            "FETCh:VOLTage": lambda a: f"VOLT {self.shown_v:.3f}",
            "FETCh:CURRent": lambda a: f"CURR {self.shown_a:.3f}",
            "SYSTem:PROTection:CLEar": lambda a: None,
            "STATus:QUEStionable:CONDition": lambda a: "0",
            "STATus:OPERation:CONDition": lambda a: "256" if self.output else "0",
            "STATus:OPERation[:EVENt]": lambda a: "0",
            "STATus:QUEStionable[:EVENt]": lambda a: "0",
        }

    @property
    def shown_v(self) -> float:
        return self.volts if self.output else 0.0

    @property
    def shown_a(self) -> float:
        return min(self.drawn_a, self.limit_a) if self.output else 0.0

    def _number(self, name: str, argument: str | None) -> str | None:
        if argument is None:
            return format(getattr(self, name), ".5E" if self.letter == "a" else ".3f")
        if name == "trip_v" and float(argument) < self.volts:
            self.errors.append('-221,"Settings conflict"')
            return None
        setattr(self, name, float(argument))
        self.trip_told |= name == "trip_v"
        return None

    def _output(self, argument: str | None) -> str | None:
        if argument is None:
            on = {"a": ("0", "1"), "b": ("OFF", "ON")}[self.letter]
            return on[self.output]
        self.output = _flag(argument)
        self.refuse("on before its over-voltage trip was set", self.output and not self.trip_told)
        return None

    def look(self, part: str) -> None:
        """While it is on, everything counts; what was left from before is switched off before anything else."""
        if not self.output or not self.trip_told or part.endswith("?"):
            return
        self.refuse(f"{part}: {self.volts} V, {self.most.volts} at most", self.volts > self.most.volts * HAIR)
        self.refuse(f"{part}: {self.limit_a} A, {self.most.amps} at most", self.limit_a > self.most.amps * HAIR)
        self.refuse(f"{part}: trips at {self.trip_v} V", not self.volts < self.trip_v <= self.most.trip_v * HAIR)


@dataclass
class SwitchPage(Page):
    closed: set[str] = field(default_factory=set)

    def commands(self) -> dict[str, Callable[[str | None], str | None]]:
        return {"ROUTe:CLOSe": self._close, "ROUTe:OPEN:ALL": self._open_all, "ROUTe:OPEN": self._open}

    def _close(self, argument: str | None) -> str | None:
        names = re.findall(r"\d+", argument or "")
        if argument and argument.endswith("?"):
            return ",".join("1" if name in self.closed else "0" for name in names)
        self.closed |= set(names)
        return None

    def _open(self, argument: str | None) -> str | None:
        self.closed -= set(re.findall(r"\d+", argument or ""))
        return None

    def _open_all(self, argument: str | None) -> str | None:
        self.closed.clear()
        return None


@dataclass
class PageSpeaker:
    """A link to a page."""

    name: str
    page: Page
    clock: CountedClock
    openings: int = 1

    async def tell(self, *messages: str, urgent: bool = False, within_s: float | None = None) -> None:
        for message in messages:
            self.page.hears(message)

    async def ask(self, message: str, *, urgent: bool = False, within_s: float | None = None) -> str:
        reply = self.page.hears(message)
        assert reply is not None, f"{message!r} has no reply"
        return reply

    async def ask_block(self, message: str, *, most_bytes: int, within_s: float | None = None) -> bytes:
        raise AssertionError("none of these has a block")
