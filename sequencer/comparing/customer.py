"""A page for the owner of a unit: what was tested, whether it is healthy, how many watts it gives, what the repair has
changed. One A4 in plain words; figures for a technician stay on the sheet. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sequencer.comparing import words_of
from sequencer.comparing.differences import Difference, pair
from sequencer.comparing.figures import measured, power_words
from sequencer.measurements.gravity import Gravity, gravity, weighed
from sequencer.measurements.rated import Standing, at_own_limit, standing
from sequencer.report import words
from sequencer.report.attention import Rank, concerns
from sequencer.report.judged import judgements, load_ohms, ratings_of, same_conditions
from sequencer.report.power_sections import powered
from sequencer.report.shots import longest

Row = Mapping[str, Any]

ROWS_AT_MOST, FAULTS_AT_MOST, VALUES_AT_MOST, LONGEST_TEXT = 8, 5, 4, 160
OWNERS = ("idle_current", "output_offset", "gain", "noise", "steady_efficiency")
OPEN_RANKS = (Rank.NOT_SAFE, Rank.TRIP, Rank.NO_END)
# What a kind of finding means to whoever owns the unit; a kind that is not here keeps its own sentence.
PLAINLY: Mapping[str, str] = {
    "do not power": "It must not be switched on: it could do harm.",
    "no drive": "It draws far too much current at rest; it must not be used before it is repaired.",
    "shorted output": "An output is shorted inside.",
    "no output": "A channel gives no sound.",
    "weak rail": "Its inner supply gives way at full load, so that it loses power.",
    "protection early": "Its protection switches off too early.",
    "protection": "Its protection switched off while it was within what it is rated for.",
    "crossover": "It distorts quiet sounds.",
    "distortion": "It distorts more than it should.",
    "distorted at every level": "It distorts at every volume.",
    "distortion at low level": "It distorts quiet sounds.",
    "mounting": "One side gets hotter than it should: its devices do not pass their heat on well.",
    "cooling": "It gets hotter than it should.",
    "idle current high": "It draws too much current at rest.",
    "idle current low": "It draws too little current at rest; quiet sounds suffer.",
    "offset outside": "There is a direct voltage at its output, which does loudspeakers no good.",
    "offset warm": "Once warm there is a direct voltage at its output, which does loudspeakers no good.",
    "power low": "It gives less power than it is rated for.",
    "gain depends on level": "Quiet sounds come out weaker than they should.",
    "channel mismatch": "Its channels are not equally loud.",
    "channel power mismatch": "Its channels do not give the same power.",
    "hum": "It hums.",
    "noise": "It hisses more than it should.",
    "thump": "It thumps when it is switched on.",
    "one side clips first": "It distorts loud sounds earlier than it should.",
    "limiter": "A limiter in it acts earlier than expected.",
}


@dataclass(frozen=True)
class Power:
    """One load: watts of each channel as texts. rated: empty without a rating. told: how it stands to that."""

    load: str
    how: str
    watts: tuple[str, ...]
    rated: str
    told: str


@dataclass(frozen=True)
class Change:
    """One figure before and after. told: what it comes to."""

    what: str
    before: str
    after: str
    change: str
    told: str


@dataclass(frozen=True)
class CustomerPage:
    """faults: what was found, in plain words; left_out: how many more. before: of the earlier run, empty without."""

    title: str
    lines: tuple[str, ...]
    warnings: tuple[str, ...]
    tested: tuple[str, ...]
    answer: str
    faults: tuple[str, ...]
    left_out: int
    powers: tuple[Power, ...]
    before: str
    changes: tuple[Change, ...]
    unchanged: str


def customer_page(run: Row, before: Row | None = None, suspect: str | None = None) -> CustomerPage:
    """before: an earlier run of the same unit. suspect: why the numbers of the night are in doubt."""
    unit = run["unit"]
    faults = _faults(run)
    changes, unchanged = _changes(before, run) if before is not None else ((), "")
    doubt = ("The bench itself was in doubt that night: these numbers must be measured again.",) if suspect else ()
    simulated = (words.SIMULATED,) if run.get("seed") is not None else ()
    label = f", {words.short(run['label'], 60)}" if run.get("label") else ""
    return CustomerPage(
        title=f"Test of unit {words.short(unit['serial'], 60)}",
        lines=(f"{words.short(unit['model'], 80)}{label}; tested {words.stamp(run['begun'])[:10]}",),
        warnings=doubt + simulated,
        tested=tuple(_tested(run)),
        answer=_answer(run, faults, suspect),
        faults=tuple(faults[:FAULTS_AT_MOST]),
        left_out=max(0, len(faults) - FAULTS_AT_MOST),
        powers=tuple(_powers(run))[:ROWS_AT_MOST],
        before=_before(before),
        changes=changes,
        unchanged=unchanged,
    )


def _tested(run: Row) -> Iterator[str]:
    done = {point["measurement"] for point in run["points"] if point["outcome"] == "measured"}
    supplies = sorted({v for p in run["points"] if (v := p.get("supply_nominal_v")) is not None})
    volts = f", fed with {words.listed([f'{v:g} V' for v in supplies])}" if supplies else ""
    measured = sum(point["outcome"] == "measured" for point in run["points"])
    yield f"On a test bench{volts}, into load resistors in the place of loudspeakers: {measured} of " \
        f"{len(run['points'])} planned measurements could be made."  # fmt: skip
    asked = (
        ("how much power it gives before it distorts", {"output_power"}),
        ("what it draws at rest", {"idle_current"}),
        ("whether its outputs are free of direct voltage", {"output_offset"}),
        ("how evenly it amplifies low and high tones", {"gain", "frequency_response"}),
        ("how much it distorts", {"thd_by_level", "thd_by_frequency", "intermodulation"}),
        ("hum and noise", {"noise"}),
        ("how warm it gets in long use", {"soak", "endurance"}),
        ("how much of what it draws becomes sound", {"steady_efficiency"}),
        ("whether its protection acts and lets go again", {"protection"}),
    )
    told = [question for question, names in asked if done & names]
    if told:
        yield f"Measured: {words.listed(told)}."


def _answer(run: Row, faults: Sequence[str], suspect: str | None) -> str:
    found = concerns(run)
    if any(one.rank in OPEN_RANKS for one in found):
        return "The test did not run to its end: the technician has to look at the unit."
    if suspect:
        return "Not known: the bench was in doubt that night."
    if faults:
        return "Not healthy: it needs repair." if _grave(run) else "In use it works; small things were found."
    judged = judgements(run)
    if not judged:
        return "Nothing was found wrong. No limits are declared for this unit that it could be held against."
    missed = sum(one.judgement == "not measured" for one in judged)
    within = sum(one.judgement == "within" for one in judged)
    if missed:
        return f"Nothing was found wrong: {within} of {len(judged)} readings within, {missed} could not be measured."
    near = any(one.near for one in judged if one.judgement == "within")
    but = "; some only just" if near else ""
    return f"Healthy: {words.of(within, len(judged), f'readings lie within their limits{but}')}."


def _grave(run: Row) -> bool:
    outside = any(one.judgement == "outside" and not one.near for one in judgements(run))
    return outside or any(gravity(one["kind"]) < Gravity.SLIGHT for one in run.get("findings") or ())


def _faults(run: Row) -> list[str]:
    """The gravest first, each once, with the channels that show it; then readings outside that no finding tells of."""
    told: dict[str, list[str]] = {}
    for grave, _, finding in weighed(run.get("findings") or ()):
        if grave < Gravity.NOTED:
            plain = PLAINLY.get(finding["kind"]) or words.told(words.short(finding["sentence"], LONGEST_TEXT))
            channels = told.setdefault(plain, [])
            if finding.get("channel"):
                channels.append(words.short(finding["channel"], 20))
    lines = [_with_channels(plain, channels) for plain, channels in told.items()]
    outside = [one for one in judgements(run) if one.judgement == "outside"]
    if outside and not lines:
        few = [f"{words.short(one.where, 40)}{f', channel {words.short(one.channel, 20)}' if one.channel else ''}: "
               f"{one.reading}, {words.short(one.limit, 40)}" for one in outside]  # fmt: skip
        lines = [words.told(one) for one in few]
    return lines


def _with_channels(plain: str, channels: Sequence[str]) -> str:
    named = list(dict.fromkeys(channels))
    if not named:
        return plain
    return f"{plain.rstrip('.')} (channel{'s' if len(named) > 1 else ''} {words_of.left_out(named, 4)})."


def _powers(run: Row) -> Iterator[Power]:
    ohms, ratings = load_ohms(run), run.get("ratings") or ()
    for point in longest(powered(run)):
        rated = [
            r["power_w"] for r in ratings_of(ohms.get(point.get("load") or ""), ratings) if same_conditions(point, r)
        ]
        channels = point["channels"]
        some = [f"{words.short(c['channel'], 20)}: {_watts(point, c)} W" for c in channels]
        ohm = sum(c["load_ohm"] for c in channels) / len(channels) if channels else None
        driven = len(point.get("channels_driven") or channels)
        yield Power(
            load=f"{words.number(ohm, 2)} ohm",
            how=f"{_how(point)}{', channels driven together' if driven > 1 else ''}",
            watts=(*some[:4], *((f"and {len(some) - 4} more",) if len(some) > 4 else ())),
            rated=f"{rated[0]:g} W" if rated else words.NONE,
            told=_against([(c, standing(point, c, rated[0])) for c in channels]) if rated else "",
        )


def _how(point: Row) -> str:
    """ "bursts of 20 cycles at 1 kHz, up to 1 % distortion"."""
    burst = words.burst(point)
    what = burst if point.get("steady") else f"bursts of {burst}"
    limit = point.get("stop_limit")
    return f"{what} at {words.frequency(point['frequency_hz'])}" + (f", up to {limit:g} % distortion" if limit else "")


def _watts(point: Row, channel: Row) -> str:
    """Of a channel that did not end the test only what it gives at least."""
    told = words.accepted(channel) if channel.get("power_at_limit_w") is None else words.at_limit(channel)
    return told if at_own_limit(point, channel) else f"at least {told}"


def _against(channels: Sequence[tuple[Row, Standing]]) -> str:
    told = []
    for judgement, said in (("outside", "less than rated"), ("not measured", "not known whether as rated")):
        names = [words.short(c["channel"], 20) for c, stands in channels if stands.judgement == judgement]
        told += [f"{said}: {words_of.left_out(names, 4)}"] if names else []
    return "; ".join(told) or "as rated or more"


def _before(before: Row | None) -> str:
    if before is None:
        return ""
    label = words.short(before.get("label") or "an earlier test", 60)
    return f"{label}, {words.stamp(before['begun'])[:10]}"


def _changes(before: Row, run: Row) -> tuple[tuple[Change, ...], str]:
    """Powers at each load, then single values that have changed; what has not is counted."""
    both = pair(measured(before), measured(run))
    by_what = {power_words(run, point): point for point in longest(powered(run))}
    powers = [(one, point) for one in both.differences if (point := by_what.get(one.second.what)) is not None]
    chosen = [_change(one, _power_name(one, point)) for one, point in powers[:ROWS_AT_MOST]]
    chosen += [_change(one, one.second.name) for one in _most_changed(both.differing)]
    if not both.differences:
        return (), "Nothing was measured alike in both tests."
    rest = len(both.differences) - len(chosen)
    return tuple(chosen), f"{rest} further readings were compared; the technician has them." if rest else ""


def _most_changed(differing: Sequence[Difference]) -> list[Difference]:
    """Of each measurement that an owner understands and each channel the value that has moved furthest."""
    most: dict[tuple[str, str], Difference] = {}
    for one in differing:
        measurement = one.second.key.split("|")[1]
        if one.second.is_power or measurement not in OWNERS or "dB re" in one.second.unit:
            continue
        before = most.get((measurement, one.second.channel))
        if before is None or _times(one) > _times(before):
            most[measurement, one.second.channel] = one
    return sorted(most.values(), key=lambda one: -_times(one))[:VALUES_AT_MOST]


def _times(one: Difference) -> float:
    """How many times its uncertainty a difference is."""
    return abs(one.value) / one.expanded if one.expanded else 0.0


def _power_name(one: Difference, point: Row) -> str:
    ohms = [c["load_ohm"] for c in point["channels"] if words.clean(c["channel"]) == one.second.channel]
    return f"power into {words.number(ohms[0], 2)} ohm, channel {one.second.channel}" if ohms else one.second.name


def _change(one: Difference, name: str) -> Change:
    better = "more" if one.value > 0.0 else "less"
    told = {"differs": better, "no difference seen": "the same, as far as can be measured", "not known": "not known"}
    unit = f" {one.second.unit}" if one.second.unit else ""
    change = f"{words_of.pct(one)} %" if one.pct is not None else f"{words_of.difference(one)}{unit}"
    return Change(
        words.short(name, 60),
        words_of.figure(one.first) + unit,
        words_of.figure(one.second) + unit,
        change,
        told[one.means],
    )
