"""A comparison as sections of sentences and tables: the same for the page and for a terminal. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from sequencer.analysis.many import FEWEST_FOR_OUTLIERS, Z_OUTLYING
from sequencer.comparing import words_of
from sequencer.comparing.batches import Usual
from sequencer.comparing.differences import NO_UNCERTAINTY, SUM_ONLY, Difference, Pair, Unlike
from sequencer.comparing.drawn import drawing
from sequencer.comparing.figures import Measured
from sequencer.comparing.history import FEWEST_FOR_A_LINE, History, changed_things
from sequencer.report import words
from sequencer.report.blocks import Drawing, Page, Section, Table, heads

DRAWN_AT_MOST = 6
CHANGES_AT_MOST = 8
STAYS = (
    "What is the same thing in both runs is taken to have kept its error between them. A drift of the bench itself "
    "shows in the history of its reference unit, and nowhere else."
)
NOT_THE_UNIT = (
    "± covers what the bench may add. How much the unit itself changes from one night to the next is not in it: "
    "the history of a unit shows that."
)


def page_of_pairs(pairs: Sequence[Pair]) -> Page:
    title = "Compared: " + words.listed(list(dict.fromkeys(words.short(one.second.serial, 40) for one in pairs)))
    lines = (
        f"{len(pairs)} pair{'' if len(pairs) == 1 else 's'} of runs; second minus first, ± at 95 %.",
        f"{STAYS} {NOT_THE_UNIT}",
    )
    return Page(title, lines, _simulated([run for one in pairs for run in (one.first, one.second)]),
                tuple(section for one in pairs for section in _of_pair(one)))  # fmt: skip


def _of_pair(one: Pair) -> Iterator[Section]:
    serials = dict.fromkeys(words.short(run.serial, 40) for run in (one.first, one.second))
    terms = (("First", _whose(one.first)), ("Second", _whose(one.second)))
    says = tuple(words_of.summary(one))
    told = sorted(one.differences, key=lambda each: each.means != "differs")
    powers = [each for each in told if each.second.is_power]
    values = [each for each in told if not each.second.is_power and each.means != "not known"]
    unknown = [each for each in told if not each.second.is_power and each.means == "not known"]
    answer = _answer(one)
    yield Section(" and ".join(serials), answer=answer, says=says, terms=terms, front=True)
    if powers:
        yield Section("Powers", tables=(_differences(powers),), front=True)
    if values:
        yield Section("Single values", tables=(_differences(values, note=words.told(f"±: {SUM_ONLY}")),))
    if unknown:
        note = words.told(f"{NO_UNCERTAINTY}: whether the difference means anything cannot be said")
        yield Section("Values whose uncertainty is not known", tables=(_differences(unknown, note, bare=True),))
    if one.left_out:
        yield Section("Not compared", empty=f"only one of the two runs has {words_of.left_out(one.left_out)}")


def _answer(one: Pair) -> str:
    """In a few plain words, for whoever reads no table."""
    powers = [each for each in one.differences if each.second.is_power]
    if not one.differences:
        return "Nothing was measured alike in both runs: they can't be compared."
    differing = [each for each in powers if each.means == "differs"]
    if not powers:
        return "No power was measured alike in both runs."
    if not differing:
        return "No difference of power was seen that is larger than its uncertainty."
    most = max(differing, key=lambda each: abs(each.pct or 0.0))
    up = [each for each in differing if each.value > 0.0]
    way = "more" if len(up) == len(differing) else "less" if not up else "differently"
    told = f"It gives {way} power: {words.of(len(differing), len(powers), 'powers differ')}"
    return f"{told}, at most by {words_of.pct(most)} % ({most.second.name.removeprefix('W, ')})."


def _whose(run: Measured) -> str:
    return f"{words.short(run.serial, 40)}, {words.clean(run.model)}: {run.told}, run {words.clean(run.id)}"


def _differences(found: Sequence[Difference], note: str = "", *, bare: bool = False) -> Table:
    """bare: of those without an uncertainty there is nothing to say of what they mean."""
    columns = ("what", "unit", ">first", ">second", ">difference", ">%")
    rows = tuple(
        (
            one.second.name.removeprefix("W, "), one.second.unit, words_of.figure(one.first),
            words_of.figure(one.second), words_of.difference(one), words_of.pct(one),
            *(() if bare else (words_of.meaning(one),)),
        )
        for one in found
    )  # fmt: skip
    return Table(heads(*columns, *(() if bare else ("",))), rows, note=note, wide=True)


def page_of_model(unit: Measured, found: Sequence[Unlike], others: int) -> Page:
    title = f"Unit {words.short(unit.serial, 40)} against its model"
    lines = (f"{words.clean(unit.model)}; {unit.told}, run {words.clean(unit.id)}",)
    far = [one for one in found if one.unlike]
    judged = [one for one in found if one.z is not None]
    says = (
        f"Held against {others} other unit{'' if others == 1 else 's'} of the model: the newest healthy run of each.",
        f"Unlike: further from the median than {Z_OUTLYING:g} times what is usual (modified z-score; NIST/SEMATECH "
        f"e-Handbook 1.3.5.17); of fewer than {FEWEST_FOR_OUTLIERS} units that is not known. apart: this unit less "
        "the one in the middle, with the uncertainty of that difference.",
    )
    if not found:
        answer = "No healthy run of another unit of this model is kept there: it can't be compared."
    elif not judged:
        answer = "Too few units of its model are kept there to say what is usual."
    elif far:
        most = max(far, key=lambda one: abs(one.z or 0.0))
        answer = f"{words.of(len(far), len(judged), 'figures are unlike its model')}; most of all {most.figure.name}."
    else:
        answer = f"Like its model in all {len(judged)} figures that could be judged."
    ordered = sorted(found, key=lambda one: (not one.unlike, not one.figure.is_power))
    rows = tuple(
        (
            one.figure.name, one.figure.unit, words_of.figure(one.figure), words.number(one.among.median),
            f"{words.number(one.among.lowest)} to {words.number(one.among.highest)}", str(one.among.count),
            words.NONE if one.z is None else words_of.signed(one.z, words.fixed(one.z, 1)),
            words_of.difference(one.apart),
            "unlike" if one.unlike else words.NONE if one.z is None else "like",
        )
        for one in ordered
    )  # fmt: skip
    table = Table(
        heads("what", "unit", ">this unit", ">median", ">from, to", ">units", ">z", ">apart", ""), rows, wide=True
    )
    sections = [Section("Against its model", answer=answer, says=says, front=True)]
    sections += [Section("Figure by figure", tables=(table,), front=True)] if rows else []
    return Page(title, lines, _simulated([unit]), tuple(sections))


def page_of_history(runs: Sequence[Measured], found: Sequence[History]) -> Page:
    unit = runs[-1]
    title = f"Unit {words.short(unit.serial, 40)} over {len(runs)} runs"
    span = f"{words.stamp(runs[0].begun)} to {words.stamp(unit.begun)}"
    reference = " It is a reference unit: what drifts here is the bench." if any(run.reference for run in runs) else ""
    judged = [one for one in found if one.drift is not None]
    drifting = [one for one in judged if one.drift is not None and one.drift.drifts]
    if not judged:
        answer = f"Too few runs for a line: {FEWEST_FOR_A_LINE} at least, not all of one moment."
    elif not drifting:
        answer = f"No drift was seen: none of {len(judged)} slopes is larger than its uncertainty."
    else:
        answer = words.told(words.of(len(drifting), len(judged), "figures drift by more than their uncertainty"))
    says: tuple[str, ...] = (
        "Per year: the slope of a straight line by least squares, ± at 95 % from the scatter of the readings about it. "
        f"By chance alone about one slope in twenty is larger than its ±.{reference}",
    )
    says += tuple(
        words.told(f"from {words.clean(date)} on another thing: {words_of.left_out([words.source(id) for id in ids])}")
        for date, ids in changed_things(runs)[:CHANGES_AT_MOST]
    )
    ordered = sorted(found, key=lambda one: (not (one.drift and one.drift.drifts), not one.key.startswith("power|")))
    drawings = tuple(
        Drawing(drawing(one), words.told(f"{_name(one.what, one.channel)}{one.unit and f', {one.unit}'}"))
        for one in ordered[:DRAWN_AT_MOST]
    )
    sections = [Section("Over the years", answer=answer, says=says, drawings=drawings, front=True)]
    if found:
        sections.append(Section("Figure by figure", tables=(_histories(ordered),), front=True))
    benches = words.listed(sorted({words.clean(run.bench) for run in runs}))
    return Page(title, (f"{words.clean(unit.model)}; bench {benches}; {span}",), _simulated(runs), tuple(sections))


def _histories(found: Sequence[History]) -> Table:
    rows = []
    for one in found:
        drift, name = one.drift, _name(one.what, one.channel)
        slope = words.NONE
        if drift is not None:
            slope = words_of.signed(drift.slope, words.measured(drift.slope, drift.expanded))
        said = "too few" if drift is None else "drifts" if drift.drifts else "no drift seen"
        if drift is not None and drift.chained:
            said += "; neighbours go together: the ± is on the small side"
        rows.append(
            (
                name, one.unit, str(len(one.readings)), words_of.figure(one.last.first),
                words_of.figure(one.last.second), words_of.difference(one.last), slope, said,
            )
        )  # fmt: skip
    columns = heads("what", "unit", ">runs", ">first", ">last", ">last less first", ">a year", "")
    return Table(columns, tuple(rows), wide=True)


def page_of_batch(runs: Sequence[Measured], found: Sequence[Usual]) -> Page:
    units = len({run.serial for run in runs})
    models = list(dict.fromkeys(words.clean(run.model) for run in runs))
    span = f"{words.stamp(runs[0].begun)} to {words.stamp(runs[-1].begun)}" if runs else "none"
    lines = (f"{words_of.left_out(models)}; the newest run of each unit, {span}",)
    sections = [_apart(found)]
    rated = [one for one in found if one.low is not None or one.high is not None]
    if rated:
        sections.append(_kept(rated))
    powers = [one for one in found if one.key.startswith("power|")]
    values = [one for one in found if not one.key.startswith("power|")]
    for title, some in (("Powers", powers), ("Single values", values)):
        if some:
            sections.append(Section(title, tables=(_usual(some, len(models) > 1),), front=title == "Powers"))
    return Page(f"Statistics of {units} unit{'' if units == 1 else 's'}", lines, _simulated(runs), tuple(sections))


def _apart(found: Sequence[Usual]) -> Section:
    by_unit: dict[str, list[tuple[float, str]]] = {}
    for one in found:
        for each in one.apart:
            furthest = f"{each.figure.name} {words_of.figure(each.figure)}"
            by_unit.setdefault(each.run.serial, []).append((each.z, furthest))
    judged = sum(one.among.z(one.among.median) is not None for one in found)
    title = "Who stands apart"
    told = (
        f"Further from the median than {Z_OUTLYING:g} times what is usual: modified z-score by median and median "
        "absolute deviation (NIST/SEMATECH e-Handbook 1.3.5.17), which a few bad units do not move.",
    )
    if not judged:
        why = f"nobody can be said to: fewer than {FEWEST_FOR_OUTLIERS} units have a figure in common"
        return Section(title, empty=why, front=True)
    if not by_unit:
        return Section(title, answer=f"No unit stands apart in any of {judged} figures.", says=told, front=True)
    rows = []
    for serial, some in sorted(by_unit.items(), key=lambda one: (-len(one[1]), one[0])):
        z, worst = max(some, key=lambda one: abs(one[0]))
        rows.append((words.short(serial, 40), str(len(some)), worst, words_of.signed(z, words.fixed(z, 1))))
    table = Table(heads("unit", ">figures", "furthest", ">z"), tuple(rows))
    count = f"{len(by_unit)} unit{' stands' if len(by_unit) == 1 else 's stand'} apart."
    return Section(title, answer=count, says=told, tables=(table,), front=True)


def _kept(rated: Sequence[Usual]) -> Section:
    rows = []
    for one in rated:
        kept = dict(one.kept)
        cp = None if one.capable is None else one.capable.cp
        capable = (
            words.NONE if cp is None else words_of.index(cp),
            words.NONE if one.capable is None else words_of.index(one.capable.cpk),
        )
        counts = [str(kept.get(held, 0)) for held in words_of.KEPT]
        rows.append((_name(one.what, one.channel), words_of.limits(one.low, one.high, one.unit), *counts, *capable))
    columns = heads("what", "limits", *(f">{told}" for told in words_of.KEPT.values()), ">Cp (95 %)", ">Cpk (95 %)")
    note = (
        "Limits: ratings, windows and limits of the unit's file. Guard bands: limits drawn in by ± for what is surely "
        "within, drawn out by ± for what is surely outside (JCGM 106:2012, 8.3). Of a channel that did not end the "
        "ramp only what it gives at least is known: below the rating it is not counted. Cp and Cpk only of 30 units "
        "and more, with their intervals (NIST/SEMATECH e-Handbook 6.1.6): of eight units 1.33 would be 1.33 ±0.73. A "
        "limit on one side has no Cp."
    )
    return Section(
        "How surely ratings and limits are kept",
        tables=(Table(columns, tuple(rows), note=note, wide=True),),
        front=True,
    )


def _usual(found: Sequence[Usual], with_model: bool) -> Table:
    rows = tuple(
        (
            *((words.clean(one.model),) if with_model else ()),
            _name(one.what, one.channel), one.unit,
            str(one.among.count), words.number(one.among.median), words.number(one.among.deviation, 2),
            words.number(one.among.lowest), words.number(one.among.highest), str(len(one.apart)),
        )
        for one in found
    )  # fmt: skip
    columns = ("what", "unit", ">units", ">median", ">spread", ">lowest", ">highest", ">apart")
    note = "Spread: 1.483 times the median absolute deviation, a standard deviation that a few bad units do not move."
    return Table(heads(*(("model",) if with_model else ()), *columns), rows, note=note, wide=True)


def _name(what: str, channel: str) -> str:
    """Of a power without its unit, which stands beside it."""
    return ", ".join(filter(None, (what.removeprefix("W, "), channel)))


def _simulated(runs: Sequence[Measured]) -> tuple[str, ...]:
    return (words.SIMULATED,) if any(run.simulated for run in runs) else ()
