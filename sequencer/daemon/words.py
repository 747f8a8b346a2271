"""The queue in lines for a person. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.ledger.queue import Asked, Entry
from sequencer.view.words import lasted

HEAD = ("no", "state", "unit", "bay", "plan", "at most", "runs", "label")
WIDTHS = (4, 8, 14, 6, 22, 8, 6, 1)


def added_lines(numbers: Sequence[int], made: Sequence[Asked]) -> list[str]:
    every = zip(numbers, made, strict=True)
    lines = [
        f"entry {number}: unit {one.serial} in bay {one.bay}, plan {name_of(one.plan)}, "
        f"at most {lasted(one.estimate_s)}{'' if one.repeat == 1 else f', {one.repeat} times'}"
        for number, one in every
    ]
    return [*lines, f"{len(numbers)} added"]


def queue_lines(entries: Sequence[Entry]) -> list[str]:
    """A head, a line for each entry; under it what it waits for, or what somebody noted."""
    if not entries:
        return ["the queue is empty"]
    lines = [_row(HEAD)]
    for one in entries:
        lines.append(
            _row(
                (
                    str(one.number),
                    one.state,
                    one.serial,
                    one.bay,
                    name_of(one.plan),
                    lasted(one.estimate_s),
                    f"{one.times_done} of {one.repeat}",
                    one.label,
                )
            )
        )
        lines += [f"     {text}" for text in (one.why, one.note) if text]
    return lines


def name_of(path: str) -> str:
    return path.rpartition("/")[2].removesuffix(".toml")


def numbers_in_words(numbers: Sequence[int]) -> str:
    return ", ".join(map(str, numbers)) or "none"


def _row(cells: Sequence[str]) -> str:
    return " ".join(text.ljust(width) for text, width in zip(cells, WIDTHS, strict=True)).rstrip()
