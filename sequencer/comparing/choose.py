"""From words of the command line to runs: PLACE[:SERIAL][@WHEN], looked up in the index of the place."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from sequencer.comparing.figures import Measured
from sequencer.comparing.index import Index
from sequencer.errors import InputRefused, Problem

SHOWN_AT_MOST = 8


@dataclass(frozen=True)
class Wanted:
    """word: as it was typed. when: a label, a run's id, or the beginning of a date; empty: any."""

    word: str
    place: Path
    serial: str = ""
    when: str = ""


def wanted(word: str) -> Wanted:
    """A word that is a path as it stands is that path; else what follows its last `:` or `@` is cut off until it is.

    Raises InputRefused.
    """
    for head, serial, when in _cuts(word):
        if head and Path(head).exists():
            return Wanted(word, Path(head), serial, when)
    remedy = "name a ledger, results.json, or a folder of them; behind it :SERIAL, @LABEL, @DATE or @RUN_ID"
    raise _refused(word, "not found", remedy)


def _cuts(word: str) -> Iterator[tuple[str, str, str]]:
    """The longest path first; a serial may hold an @, a label a colon."""
    yield word, "", ""
    for i in range(len(word) - 1, 0, -1):
        if word[i] == "@":
            yield word[:i], "", word[i + 1 :]
        if word[i] == ":":
            serial, at, when = word[i + 1 :].rpartition("@")
            yield (word[:i], serial, when) if at else (word[:i], when, "")
            yield word[:i], word[i + 1 :], ""


def one_unit(index: Index, asked: Wanted) -> list[Measured]:
    """All runs that the word means, by date, all of one unit. Raises InputRefused."""
    return _narrowed(index, asked, _serial(index, asked))


def _serial(index: Index, asked: Wanted) -> str:
    if asked.serial:
        return asked.serial
    found = index.serials(SHOWN_AT_MOST + 1)
    if len(found) == 1:
        return found[0]
    raise _refused(asked.word, f"{index.units()} units", f"name one: {asked.word}:SERIAL; {_some(found)}")


def _narrowed(index: Index, asked: Wanted, serial: str) -> list[Measured]:
    runs = index.of_unit(serial)
    if not runs:
        raise _refused(asked.word, "no such unit", f"known there: {_some(index.serials(SHOWN_AT_MOST + 1))}")
    if not asked.when:
        return runs
    fitting = [run for run in runs if _fits(run, asked.when)]
    if fitting:
        return fitting
    known = [f"{run.label or 'no label'} of {run.begun[:10]} (run {run.id})" for run in runs]
    raise _refused(asked.word, "no such run of this unit", f"known of it: {_some(known)}")


def _fits(run: Measured, when: str) -> bool:
    return (
        run.id == when or run.label.casefold() == when.casefold() or (when[:1].isdigit() and run.begun.startswith(when))
    )


def pairs_asked(words: Sequence[str]) -> list[tuple[Measured, Measured]]:
    """One word: first and last run of its unit. Several: the newest run of each, the first one against each other one;
    of places that hold several units, unit by unit. Raises InputRefused: fewer than two runs, nothing in common."""
    asked = [wanted(word) for word in words]
    if len(asked) == 1:
        with Index(asked[0].place) as index:
            runs = one_unit(index, asked[0])
        if len(runs) < 2:
            remedy = f"only {runs[0].told} is there: name a second run, or --by model"
            raise _refused(asked[0].word, "one run", remedy)
        return [(runs[0], runs[-1])]
    found = [_newest(one) for one in asked]
    if all(len(one) == 1 for one in found):
        first = next(iter(found[0].values()))
        return [(first, next(iter(one.values()))) for one in found[1:]]
    common = [serial for serial in found[0] if all(serial in one for one in found)]
    if not common:
        raise _refused(" ".join(words), "no unit is in all of them", "name one unit in each: PLACE:SERIAL")
    return [(found[0][serial], one[serial]) for serial in common for one in found[1:]]


def _newest(asked: Wanted) -> dict[str, Measured]:
    """By serial: the newest run that fits, of the unit named or of every one there."""
    with Index(asked.place) as index:
        serials = [asked.serial] if asked.serial else index.serials()
        found: dict[str, Measured] = {}
        for serial in serials:
            runs = [run for run in index.of_unit(serial) if not asked.when or _fits(run, asked.when)]
            if runs:
                found[serial] = runs[-1]
        if not found:
            one_unit(index, asked)  # says what is there instead
            raise _refused(asked.word, "no such run", "name a label, a date or a run's id that is there")
    return found


def reference_asked(word: str) -> list[Measured]:
    """Runs of the unit named, else of the place's reference unit, by date. Raises InputRefused."""
    asked = wanted(word)
    with Index(asked.place) as index:
        if not asked.serial and (known := index.references()):
            asked = Wanted(asked.word, asked.place, known[0], asked.when)
        return one_unit(index, asked)


def model_asked(word: str, at_most: int) -> tuple[Measured, list[Measured]]:
    """The newest run that the word means, and the newest healthy run of each other unit of its model there."""
    asked = wanted(word)
    with Index(asked.place) as index:
        unit = one_unit(index, asked)[-1]
        others = [run for run in index.of_model(unit.model, at_most) if run.serial != unit.serial]
    return unit, others


def batch_asked(word: str, at_most: int) -> list[Measured]:
    """The newest run of each of the last units of the place. Raises InputRefused."""
    asked = wanted(word)
    if asked.serial or asked.when:
        raise _refused(word, "one unit", f"a batch is of all units of a place: {asked.place}")
    with Index(asked.place) as index:
        return index.last_units(at_most)


def _some(names: Sequence[str]) -> str:
    more = ", and more" if len(names) > SHOWN_AT_MOST else ""
    return ", ".join(names[:SHOWN_AT_MOST]) + more if names else "no runs there"


def _refused(word: str, value: str, remedy: str) -> InputRefused:
    return InputRefused([Problem("command line", f"RUN {word}", value, remedy)])
