"""Sections of a sheet that say how and with what it was measured, how surely, and what to beware of. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from sequencer.analysis.uncertainty import OWN
from sequencer.plan.methods import came_out
from sequencer.proving.gate import sentence
from sequencer.report import words
from sequencer.report.blocks import Section, Table, gathered, heads
from sequencer.report.power_sections import powered
from sequencer.report.quiet_sections import load_drawings
from sequencer.report.shots import longest
from sequencer.report.value_sections import table as value_table
from sequencer.report.wiring_drawing import wiring_drawings

Row = Mapping[str, Any]

IDLE_COUNTED = "idle current, "
TERMS = (
    ("W at limit", "power interpolated to the stop limit, between the last shot below it and the first above. All "
     "channels have one level: that at which the one named under \"ended by\" reaches the limit; what others give "
     "there they give at least."),
    ("W accepted", "power at the accepted level, which is within the limit, confirmed by fresh shots."),
    ("Both", "true rms, without the mean, of the last cycle over the load's measured ohms, at the unit's terminals."),
    ("Burst residual", "for few cycles: the same burst about 12 dB lower is scaled, turned and subtracted; what is "
     "left, in harmonics, is the unit's own. Plain THD of one cycle behind a coupling capacitor shows percents on a "
     "sound unit."),
)  # fmt: skip
MARKS = {"read": "read", "read elsewhere": "read where it is quoted", "from memory": "from memory, not read"}
CAUTIONS = (
    "Software is never the only protection: fuses, thermal cut-outs and a hand-operated emergency stop come first.",
    "These numbers hold for the loads, the supply, the channels driven and the start temperatures beside them.",
    'Loads stay hot and reservoirs stay charged after "off": wait, measure, then touch.',
    "Both outputs of a bridged unit are live: no scope ground on either.",
    "A tone at full power harms hearing: no loudspeaker and no ear near a unit under test.",
    "Local codes and rules of licensed practice go before anything on this sheet.",
    '"Within" says what was measured that night; it promises nothing of later.',
)


def how(run: Row) -> Section:
    rows = _ways(powered(run))
    columns = heads("drives", "limit", ">harmonics", "band", ">record ms", ">kS/s", ">confirming", ">found to dB")
    checks = value_table(run, "How it was measured")
    tables = (gathered(Table(columns, tuple(rows))),) if rows else ()
    energy = (("Energy", told),) if (told := _energy(run)) else ()
    cut_off = (("Cut-off", _cut_off(proved)),) if (proved := run.get("cut_off")) else ()
    drawings = (*load_drawings(run), *wiring_drawings(run))
    tables = (*tables, *checks, *_method(run))
    resumed = tuple(("Resumed", _resumed(one)) for one in run.get("resumed") or ())
    promised = tuple(_not_promised(run))
    terms = (*TERMS, *energy, *bench_proved(run), *cut_off, *promised, *resumed)
    return Section("How it was measured", drawings=drawings, tables=tables, terms=terms)


def bench_proved(run: Row) -> tuple[tuple[str, str], ...]:
    """Of a run on real instruments: when, by whom, and what of the bench was seen to hold before."""
    proof = run.get("proof")
    return (("Bench proved", words.clean(sentence(proof))),) if proof else ()


def _not_promised(run: Row) -> Iterator[tuple[str, str]]:
    """Of a modest bench; and how a load was proved that a person connected, or contacts that can't be seen."""
    if left := run.get("not_promised"):
        yield "Not promised", words.told("; ".join(words.clean(one) for one in left))
    proofs = {words.clean(p["load"]): words.clean(p["load_proof"]) for p in run["points"] if p.get("load_proof")}
    if proofs:
        yield "Loads proved", words.told("; ".join(f"{load}: {proof}" for load, proof in proofs.items()))


def _cut_off(proved: Row) -> str:
    dropped, hold = words.number(proved["dropped_after_s"], 3), words.number(proved["hold_s"], 3)
    return f"proved before anything was powered: not fed, the relay dropped after {dropped} s, set to {hold} s."


def _resumed(entry: Row) -> str:
    """Another process went on: when, where, and what it did first."""
    at = f"at {words.clean(entry['at_point'])}" if entry["at_point"] else "after the last point"
    redone = words.listed([f"{words.clean(one['point'])} {words.name(one['measurement'])}" for one in entry["redone"]])
    again = f"; done once more before it: {redone}" if entry["redone"] else ""
    guardian = f"; the guardian: {words.clean(entry['guardian'])}" if entry.get("guardian") else ""
    proved = f" Bench proved: {words.clean(sentence(entry['proof']))}" if entry.get("proof") else ""
    return f"{words.stamp(entry['time'])}, {at}, the bench made safe first{again}{guardian}.{proved}"


def _method(run: Row) -> tuple[Table, ...]:
    """What the method that the plan names asks, and how each of it came out."""
    method = run.get("method")
    if not method:
        return ()
    rows = tuple(
        (words.clean(a["asks"]), came_out(a, run["points"]), words.clean(a["how"]), MARKS[a["mark"]])
        for a in method["answers"]
    )
    caption = f"{words.clean(method['title'])}; edition: {words.clean(method['edition'])}; no claim of conformity"
    return (Table(heads("the method asks", "here", "by", "its text"), rows, caption=caption),)


def _energy(run: Row) -> str:
    """How the joules came to be known: each clause of the rows' own notes once, with what differs between rows."""
    clauses: dict[str, list[str]] = {}
    for point in run["points"]:
        for clause in str(point.get("energy_note") or "").split("; "):
            what, _, how_much = clause.partition(IDLE_COUNTED)
            known = clauses.setdefault(what + IDLE_COUNTED.rstrip(", ") if how_much else what, [])
            if how_much and how_much not in known:
                known.append(how_much)
    told = [
        words.clean(what) + (f" ({', or '.join(map(words.clean, known))})" if known else "")
        for what, known in clauses.items()
        if what and not what.startswith("searched together")
    ]
    return words.told("; ".join(told)) if told else ""


def _ways(points: Sequence[Row]) -> list[tuple[str, ...]]:
    """One row for all points measured alike: "8R, 4R: 20 cycles 1 kHz"."""
    alike: dict[tuple[str, ...], dict[str, list[str]]] = {}
    for p in points:
        band = " to ".join(map(words.frequency, p.get("band_hz") or ())) or words.NONE
        way = (
            words.limit(p), words.declared(p.get("harmonics")), band,
            words.declared(p.get("record_s"), 1e3), words.declared(p.get("sample_rate_hz"), 1e-3),
            words.declared(p.get("confirm_shots")), words.declared(p.get("resolution_db")),
        )  # fmt: skip
        load = words.short(p.get("load") or words.NONE, 20)
        alike.setdefault(way, {}).setdefault(words.drive(p), []).append(load)
    return [("; ".join(_loads(found, drive) for drive, found in drives.items()), *way) for way, drives in alike.items()]


def _loads(found: Sequence[str], drive: str) -> str:
    return f"{', '.join(dict.fromkeys(found))}: {drive}"


def instruments(run: Row) -> Section:
    swapped = run.get("dialect_substitutes") or {}
    stood_in = [f"{words.name(role)}: {words.clean(name)} stood in" for role, name in sorted(swapped.items())]
    wired = [f"{words.clean(name)}: {words.clean(seen)}" for name, seen in sorted((run.get("wiring") or {}).items())]
    bay = f", bay {words.clean(run['bay'])}" if run.get("bay") else ""
    terms = (
        ("Bench", words.clean(run["bench"]) + bay),
        ("Serial, calibrated", "; ".join(_serials(run)) or "not kept in these results"),
        ("Inputs", "; ".join(wired) or "not kept in these results"),
        ("Dialects", "; ".join(stood_in) or "the bench's own"),
        ("Bench file", f"sha256 {words.clean(run['bench_sha256'])}"),
        ("Plan file", f"{words.clean(run['plan'])}, sha256 {words.clean(run['plan_sha256'])}"),
        ("nightramp", f"version {words.clean(run['version'])}"),
    )
    seed = run.get("seed")
    return Section("Instruments", terms=terms if seed is None else (*terms, ("Seed", str(seed))))


def _serials(run: Row) -> Iterator[str]:
    """Of each instrument, as the bench's file has them; where a point kept them."""
    kept: Row = next((p["instruments"] for p in run["points"] if p.get("instruments")), {})
    for role, one in sorted(kept.items()):
        when = words.clean(one.get("calibrated") or "no date in the bench's file")
        yield f"{words.name(role)} {words.clean(one.get('serial') or 'of no serial')}, {when}"


def uncertainty(run: Row) -> Section:
    points = [p for p in longest(powered(run)) if any(c.get("uncertainty_parts_w") for c in p["channels"])]
    if not points:
        return Section("Uncertainty", empty="not measured: no power of this run has an uncertainty")
    dates = run.get("ranges_corrected") or {}
    told = _compared(run)
    tables = tuple(_parts(p, c, dates) for p in points for c in p["channels"] if c.get("uncertainty_parts_w"))
    tables = tuple(replace(one, bare=i > 0) for i, one in enumerate(tables))
    return Section("Uncertainty", says=(*_shared(run), *told), tables=tables)


def _compared(run: Row) -> tuple[str, ...]:
    """Which ranges were compared with the meter in this run, and when: what their volts rest on."""
    ranges = [one for point in run["points"] for one in point.get("ranges") or ()]
    used = [f"{words.clean(one['input'])} {one['full_scale_v']:g} V" for one in ranges if one["used"]]
    left = [f"{words.clean(one['input'])} {one['full_scale_v']:g} V" for one in ranges if not one["used"]]
    if not ranges:
        return ()
    said = (
        f"Compared with the meter on {words.clean(run['begun'])[:10]}, at 1 kHz or the tone nearest to it, and put "
        f"right by it for the points after that: {words.listed(used) or 'none'}."
    )
    off = f" Left as they were, being further off than declared: {words.listed(left)}." if left else ""
    return (said + off,)


def _parts(point: Row, channel: Row, dates: Row) -> Table:
    """Of one power, the largest part first."""
    parts = channel["uncertainty_parts_w"]
    whole = sum(w * w for w in parts.values()) or 1.0
    k, u = words.number(channel.get("coverage_factor"), 3), words.accepted(channel)
    rows = tuple(
        (words.source(source) + _known_by(source, dates), words.number(abs(w), 2), _share(w * w / whole))
        for source, w in sorted(parts.items(), key=lambda one: (-abs(one[1]), one[0]))
    )
    caption = f"{words.where(point)}, {words.clean(channel['channel'])}: {u} W, k = {k}"
    return Table(heads("source", ">standard W", ">share %"), rows, caption=caption)


def _share(of_one: float) -> str:
    return "< 0.1" if of_one < 0.0005 else f"{100.0 * of_one:.1f}"


def _known_by(source: str, dates: Row) -> str:
    """How the gain of a range is known: by a comparison with a meter, or by what its maker says."""
    if not source.startswith("range:"):
        return ""
    date = dates.get(source)
    return f", compared with a meter on {words.clean(date)}" if date else ", by the digitiser's own figure"


def _shared(run: Row) -> tuple[str, ...]:
    channels = [c for p in powered(run) for c in p["channels"]]
    coverage = {c.get("coverage_pct", 95.0) for c in channels}
    counts: dict[str, int] = {}
    for channel in channels:
        for source in channel.get("uncertainty_parts_w") or ():
            counts[source] = counts.get(source, 0) + (source not in OWN)
    shared = [words.source(s) for s, n in sorted(counts.items()) if n > 1]
    at = words.listed([f"{c:g} %" for c in sorted(coverage)])
    below = "Below: of the longest burst into each load; share: of the variance."
    said = [f"± is the expanded uncertainty at {at}, with the factor k computed for each row. {below}"]
    if shared:
        said.append(
            "One physical source each, shared by several rows, so that an error there moves them together: "
            f"{'; '.join(shared)}. Differences between such rows are known better than the rows."
        )
    return tuple(said)


def cautions() -> Section:
    return Section("Cautions", says=CAUTIONS)
