"""What a dialect file may say of the link, of a codec, and of relays that are bits of one word. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from drivers.dialect_lines import Problem, asking, stray, telling
from drivers.dialect_model import DialectFile
from drivers.reply_forms import PLAIN

# Switched off by a process of its own that knows lines and line ends only, and waits for nothing.
SWITCHED_OFF_BLINDLY = ("generator", "supply", "cut_off")


def link_rules(file: DialectFile) -> Iterator[Problem]:
    """The link, the greeting, and what a role that can do harm must not ask of them."""
    link = file.link
    if file.identity is not None:
        yield from asking("identity.ask", file.identity.ask, set())
    yield from telling("link.opening", link.opening)
    yield from stray("link.opening", link.opening, set())
    yield from telling("link.select", link.select)
    yield from stray("link.select", link.select, {"channel"})
    if file.errors:
        yield from asking("errors.ask", file.errors.ask, set())
    if file.errors and file.errors.words and file.errors.empty_if not in file.errors.words.values():
        remedy = f'give the word that an empty queue answers: {{ "none" = {file.errors.empty_if} }}'
        yield Problem("errors.words", dict(file.errors.words), remedy)
    if (link.read_end == "") != (link.silence_s is not None):
        yield Problem("link.silence_s", link.silence_s, 'needed where read_end is "", and only there: such as 0.05')
    if link.acknowledge == "" and not (link.echo or link.prompt):
        yield Problem("link.acknowledge", "", "nothing comes back then: leave it out, or say echo or prompt")
    if link.read_end == "" and file.trace is not None and file.trace.block_end:
        yield Problem("trace.block_end", True, "replies have no end here: say block_end = false")
    if file.role in SWITCHED_OFF_BLINDLY:
        yield from _blindly(file)
    yield from _codec(file)


def _blindly(file: DialectFile) -> Iterator[Problem]:
    link, why = file.link, f"a {file.role} must be switched off by lines alone, without waiting for anything"
    for name in ("echo", "prompt", "acknowledge", "silence_s"):
        if (value := getattr(link, name)) not in (False, "", None):
            yield Problem(f"link.{name}", value, f"{why}: switch it off in the instrument, or use another")
    if link.acknowledge == "":
        yield Problem("link.acknowledge", "", f"{why}: switch it off in the instrument, or use another")
    for name in ("write_end", "read_end"):
        if getattr(link, name) == "":
            yield Problem(f"link.{name}", "", f"{why}: its lines need an end")
    for n, part in enumerate(file.reading.get("measured", ())):
        if part.reply != PLAIN or part.first or ("" in part.units) or part.count_of != 1.0 or part.bytes is not None:
            remedy = "whoever switches the bench off reads the rail too: plain numbers, a label and units at most"
            yield Problem(f"reading.measured[{n}].reply", part.ask, remedy)
    if file.codec is not None:
        yield Problem("codec", file.codec, f"{why}: no codec can stand between")


def _codec(file: DialectFile) -> Iterator[Problem]:
    if file.codec is not None and not file.codec_sample:
        yield Problem("codec_sample", None, "a codec needs a sample exchange: add [[codec_sample]]")
    if file.codec is None and file.codec_sample:
        yield Problem("codec_sample", len(file.codec_sample), 'no codec is named: say codec = "mine.codec.py"')
    if file.codec is not None and file.trace is not None:
        yield Problem("codec", file.codec, "blocks of samples do not pass through a codec: leave it out")
    for n, sample in enumerate(file.codec_sample):
        if (sample.reply is None) != (sample.means is None):
            yield Problem(f"codec_sample[{n}].means", sample.means, "reply and means go together: both or none")


def relay_rules(file: DialectFile) -> Iterator[Problem]:
    """Relays that are bits of one output word."""
    if (table := file.relay_word) is None:
        return
    if file.role != "load_switch":
        yield Problem("relay_word", "...", f"a {file.role} has no such table: take it out")
    if sum(line.count("{word}") for line in table.send) != 1:
        yield Problem("relay_word.send", list(table.send), "exactly one {word} must stand in it")
    yield from telling("relay_word.send", table.send)
    yield from stray("relay_word.send", table.send, {"word", "channel"})
    yield from asking("relay_word.ask", table.ask, {"channel"})
    if len(set(table.bits.values())) != len(table.bits):
        yield Problem("relay_word.bits", dict(table.bits), "two contacts share a bit: look it up again")
    for n, sample in enumerate(table.samples):
        for name in set(sample.means) - table.bits.keys():
            yield Problem(f"relay_word.samples[{n}].means", name, "no contact of `bits`")
