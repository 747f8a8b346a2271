"""What each role needs of its instrument: the list a dialect file is checked against. Pure.

The order of the settings is the order in which the roles send them; a file that says setting X changes setting Y
is refused unless Y comes later here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Kind = Literal["number", "boolean", "word"]
RoleName = Literal["generator", "digitiser", "supply", "load_switch", "thermometer", "meter", "interlock", "cut_off"]


@dataclass(frozen=True)
class Wanted:
    """One setting. place: its placeholder. same: what is read back must equal what was sent.

    words: those the role may send (one_of: any one of them will do); may_words: those it may do without. may_lack: the
    file may say it is absent, and means by it that the instrument always is as the role would set it.
    came_later: files written before it was known say nothing of it, and count as if they said it is absent.
    rounds_down: a ceiling stands above it, so it may never be rounded up, and its least value must be known.
    at_terminal: the instrument may count it at its own terminal, behind the probe.
    """

    kind: Kind
    place: str
    words: tuple[str, ...] = ()
    may_words: tuple[str, ...] = ()
    one_of: bool = False
    may_lack: bool = False
    came_later: bool = False
    per_input: bool = False
    same: bool = True
    may_be_infinite: bool = False
    rounds_down: bool = False
    at_terminal: bool = False
    conversions: tuple[str, ...] = ()


@dataclass(frozen=True)
class RoleNeeds:
    """acts: name -> placeholder it takes ("" none). each: name -> kind of one value per named channel.

    readings: name -> quantities. tables: further tables that must be there. facts: numbers to be declared.
    make_safe: whether the role has lines that make it harmless. acts_may_lack: acts the file may say are absent.
    facts_may_lack: those the file may leave out. each_may_lack: as acts_may_lack. readings_may_lack,
    acts_came_later: those the file may leave out.
    """

    settings: Mapping[str, Wanted] = field(default_factory=dict)
    acts: Mapping[str, str] = field(default_factory=dict)
    each: Mapping[str, Kind] = field(default_factory=dict)
    readings: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    tables: tuple[str, ...] = ()
    facts: tuple[str, ...] = ()
    make_safe: bool = False
    acts_may_lack: tuple[str, ...] = ()
    facts_may_lack: tuple[str, ...] = ()
    each_may_lack: tuple[str, ...] = ()
    readings_may_lack: tuple[str, ...] = ()
    acts_came_later: tuple[str, ...] = ()


# Live bits a supply must name, and those of which the latched sign is needed: a short limit between two
# readings is gone from the live register.
LIVE_BITS = ("in_current_limit", "over_voltage", "over_current", "too_hot")
LATCHED_BITS = ("in_current_limit",)
BIT_MEANINGS = (*LIVE_BITS, "constant_voltage", "unregulated")

STATES = ("rest", "filling", "ready", "recording", "free_running", "done")
PREAMBLE_TERMS = ("samples", "interval_s", "start_s")

# Of the level: peak to peak, peak or rms, of the e.m.f. or across the 50 ohm that an amplifier's input is not.
LEVELS = ("vrms_to_vpp", "vrms_to_peak", "emf_to_vrms_at_50_ohm", "emf_to_vpp_at_50_ohm", "emf_to_dbm_at_50_ohm")

_GENERATOR = RoleNeeds(
    settings={
        "output": Wanted("boolean", "state"),
        "shape": Wanted("word", "shape", words=("sine",), may_words=("two_tones",)),
        "load": Wanted("number", "load_ohm", may_be_infinite=True, may_lack=True),
        "level_unit": Wanted("word", "unit", words=("vrms", "vpp"), one_of=True, may_lack=True),
        "level": Wanted("number", "level_vrms", rounds_down=True, conversions=LEVELS),
        "offset": Wanted("number", "offset_v", may_lack=True),
        "phase": Wanted("number", "phase_deg", may_lack=True),
        "frequency": Wanted("number", "frequency_hz"),
        "second_frequency": Wanted("number", "frequency_hz", may_lack=True, came_later=True),
        "second_ratio": Wanted("number", "ratio", may_lack=True, came_later=True),
        "burst_mode": Wanted("word", "mode", words=("triggered",), may_lack=True),
        "cycles": Wanted("number", "cycles"),
        "trigger_source": Wanted("word", "source", words=("bus",)),
        "burst": Wanted("boolean", "state"),
    },
    acts={"fire": ""},
    make_safe=True,
)

_DIGITISER = RoleNeeds(
    settings={
        "input_on": Wanted("boolean", "state", per_input=True),
        "probe": Wanted("number", "attenuation", per_input=True, conversions=("attenuation_to_gain",)),
        "coupling": Wanted("word", "coupling", words=("dc",), per_input=True, may_lack=True),
        "impedance": Wanted("word", "impedance", words=("one_megohm",), per_input=True, may_lack=True),
        "centre": Wanted("number", "centre", per_input=True, may_lack=True),
        "sampling": Wanted("word", "sampling", words=("plain",), may_lack=True),
        "captures": Wanted("word", "captures", words=("one",), may_lack=True),
        "trigger_source": Wanted("word", "source", words=("external",)),
        "trigger_mode": Wanted("word", "mode", words=("normal",), may_words=("by_itself",), may_lack=True),
        "sample_rate": Wanted("number", "sample_rate_hz", same=False, conversions=("rate_to_interval",)),
        "samples": Wanted("number", "samples", same=False),
        "before": Wanted("number", "before_s", conversions=("seconds_to_percent_of_record", "seconds_to_samples")),
        "delay": Wanted("number", "delay_s", may_lack=True, came_later=True, same=False),
        "full_scale": Wanted(
            "number",
            "full_scale_v",
            per_input=True,
            same=False,
            at_terminal=True,
            conversions=("full_scale_to_volts_per_division", "full_scale_to_span"),
        ),
    },
    acts={"arm": "", "halt": "", "arm_by_itself": ""},
    acts_came_later=("arm_by_itself",),
    tables=("completion", "trace"),
    facts=("inputs",),
    facts_may_lack=("rates_hz", "shared_rate", "ranges_v", "input_names"),
)

_SUPPLY = RoleNeeds(
    settings={
        "output": Wanted("boolean", "state"),
        "over_voltage_trip": Wanted("number", "trip_v", rounds_down=True),
        "limit": Wanted("number", "limit_a", rounds_down=True),
        "volts": Wanted("number", "volts", rounds_down=True),
    },
    acts={"clear_trip": ""},
    acts_may_lack=("clear_trip",),
    readings={"measured": ("volts", "amps")},
    tables=("status",),
    make_safe=True,
)

_LOAD_SWITCH = RoleNeeds(
    acts={"close": "contacts", "open": "contacts", "open_all": ""},
    each={"states": "boolean"},
    each_may_lack=("states",),
    facts=("settle_s",),
)

_THERMOMETER = RoleNeeds(
    settings={
        "sensor": Wanted("word", "sensor", words=("thermocouple_k",), may_lack=True),
        "unit": Wanted("word", "unit", words=("celsius",), may_lack=True),
    },
    each={"temperatures": "number"},
)

_METER = RoleNeeds(
    settings={
        "function": Wanted("word", "function", words=("ac_volts",), may_words=("ohms",)),
        "lowest_frequency": Wanted("number", "frequency_hz", may_lack=True),
        "average": Wanted("number", "mains_cycles", may_lack=True),
        "range": Wanted("number", "range_vrms", same=False),
    },
    readings={"measured": ("volts",), "resistance": ("ohms",)},
    readings_may_lack=("resistance",),
)

_INTERLOCK = RoleNeeds(each={"contacts": "boolean"})

_CUT_OFF = RoleNeeds(
    settings={"relay": Wanted("boolean", "state"), "hold": Wanted("number", "hold_s")},
    acts={"feed": ""},
    make_safe=True,
)

NEEDS: Mapping[RoleName, RoleNeeds] = {
    "generator": _GENERATOR,
    "digitiser": _DIGITISER,
    "supply": _SUPPLY,
    "load_switch": _LOAD_SWITCH,
    "thermometer": _THERMOMETER,
    "meter": _METER,
    "interlock": _INTERLOCK,
    "cut_off": _CUT_OFF,
}
