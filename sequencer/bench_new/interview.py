"""Which questions make a bench, in their order; what one answer means for the next. Pure: a generator yields them."""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sequencer.bench_new import questions as q
from sequencer.bench_new.questions import Answers, Check, Identify, Question
from sequencer.plan.models_base import BY_HAND, ROLES, RoleName

Talk = Generator[Question | Identify, str, Answers]
INPUTS_AT_MOST, LOADS_AT_MOST, BAYS_AT_MOST = 8, 12, 16
NOTHING = "nothing"
HAND = "by hand"
BURST_S = 0.5  # a resistor bears its nameplate for so long in any case (common practice, no source)
WHAT = {
    "generator": "the function generator",
    "digitiser": "the digitiser (oscilloscope)",
    "supply": "the DC supply that feeds the unit",
    "load_switch": "the relays that switch loads and bays",
    "thermometer": "the thermometer on the heat sinks",
}
HARDWARE = {
    "load_thermostat": "Is there a thermostat on the loads that cuts the supply by itself?",
    "fuse_per_supply_lead": "Is there a fuse in each supply lead?",
    "fireproof_base": "Do loads and units stand on a base that cannot burn?",
    "cut_off": "Is there a relay in the supply's lead that drops when it is no longer fed?",
}


@dataclass(frozen=True)
class Digitiser:
    """What a shipped bench says of one with the same dialect: only a proposal."""

    ranges_v: tuple[float, ...]
    rates_hz: tuple[float, ...]
    bits: int
    samples_max: int


@dataclass(frozen=True)
class Known:
    """dialects: role -> shipped name -> how the identity reply begins. seen: address -> identity reply, where looked.
    digitisers: by dialect."""

    dialects: Mapping[str, Mapping[str, str]]
    seen: Mapping[str, str] = field(default_factory=dict)
    digitisers: Mapping[str, Digitiser] = field(default_factory=dict)

    def proposed(self, role: RoleName, identity: str) -> str | None:
        """The shipped dialect whose instruments answer so; None where none does."""
        fits = [name for name, begins in self.dialects[role].items() if begins and identity.startswith(begins)]
        return max(fits, key=lambda one: len(self.dialects[role][one]), default=None)


@dataclass
class _Book:
    """What was answered so far. addresses, contacts: taken."""

    known: Known
    answers: dict[str, Any] = field(default_factory=dict)
    addresses: dict[str, str] = field(default_factory=dict)
    contacts: set[str] = field(default_factory=set)

    def by_hand(self, role: RoleName) -> bool:
        """Whether a person does what this instrument would do."""
        return bool(self.answers[f"role.{role}.address"] == HAND)

    def ask(
        self,
        key: str,
        words: str,
        check: Check,
        example: str,
        default: str | None = None,
        *,
        stand_in: str | None = None,
    ) -> Generator[Question | Identify, str, Any]:
        """Asks until it is allowed; the answer is kept under its key."""
        wrong = None
        while True:
            typed = ((yield Question(key, words, example, default, wrong, stand_in)) or "").strip()
            try:
                found = check(typed or default or "")
            except ValueError as error:
                wrong = f"{typed!r}: {error}" if typed else f"nothing: {error}"
                continue
            self.answers[key] = found
            return found


def interview(known: Known) -> Talk:
    """Every question; returns the answers by key. `Identify` wants what is said at an address, or nothing."""
    book = _Book(known)
    yield from book.ask("name", "A name for the bench", q.name, "deck-bench", "bench")
    yield from book.ask("title", "What it is, in a few words", q.text, "two bays in the workshop", "")
    kinds = ("regulated", "battery", "mains")
    yield from book.ask(
        "supply_kind", f"What feeds the unit: {', '.join(kinds)}", q.among(kinds), "regulated", kinds[0]
    )
    for role in ROLES:
        yield from _role(book, role)
    yield from _inputs(book)
    yield from _loads(book)
    yield from _bays(book)
    yield from _ceilings(book)
    yield from _prove(book)
    for key, words in HARDWARE.items():
        yield from book.ask(f"hardware.{key}", f"{words} Nothing checks it: yes or no", q.yes_or_no, "no", "no")
    return book.answers


def _role(book: _Book, role: RoleName) -> Generator[Question | Identify, str, None]:
    """Address first: who answers there proposes dialect and serial."""
    key, names = f"role.{role}", tuple(book.known.dialects[role])
    looked = next(
        (a for a, said in book.known.seen.items() if a not in book.addresses and book.known.proposed(role, said)), None
    )
    may_be = role in BY_HAND
    words = f"Where is {WHAT[role]}? Its VISA address{f', or {HAND}: a person works it' if may_be else ''}"
    where = yield from book.ask(
        f"{key}.address",
        words,
        q.or_word(HAND, q.address(book.addresses)) if may_be else q.address(book.addresses),
        "TCPIP::192.168.7.21::5025::SOCKET",
        looked,
        stand_in=f"TCPIP::stand-in::{len(book.addresses) + 1}::SOCKET",
    )
    if where == HAND:
        return
    book.addresses[where] = role
    said = (yield Identify(where)) or ""
    fits = book.known.proposed(role, said)
    spoken = f"It says {said!r}. " if said else ""
    unknown = "No shipped dialect begins so. " if said and fits is None else ""
    words = f"{spoken}{unknown}Which dialect: {', '.join(names)}, or a file beside the bench's that ends in .toml"
    proposal = fits or (names[0] if len(names) == 1 and not said else None)
    yield from book.ask(f"{key}.dialect", words, _dialect(names), names[0], proposal)
    serial = said.split(",")[2].strip() if said.count(",") >= 2 else ""
    yield from book.ask(f"{key}.serial", "Its serial, so that two alike are not swapped", q.text, "FG-3306", serial)
    yield from book.ask(f"{key}.calibrated", "Calibrated on, or nothing", q.or_nothing(q.day), "2026-03-01", "")


def _dialect(names: Sequence[str]) -> Check:
    def check(answer: str) -> str:
        if answer not in names and not answer.endswith(".toml"):
            raise ValueError(f"one of {', '.join(names)}, or a file that ends in .toml")
        return answer

    return check


def _inputs(book: _Book) -> Generator[Question | Identify, str, None]:
    """What the digitiser sees, and with which ranges."""
    channels = yield from book.ask(
        "channels", "Which outputs of a unit are wired to the digitiser, from ch1 on: A or AB", q.among(("A", "AB")),
        "AB", "AB",
    )  # fmt: skip
    yield from book.ask("probe_factor", "Their probes divide by", q.number("times", 1000.0), "10", "10")
    free = f"ch{len(channels) + 1}"
    inputs = (NOTHING, *(f"ch{n}" for n in range(len(channels) + 1, INPUTS_AT_MOST + 1)))
    words = f"Which input sees the supply's volts at the unit (a burst's rail): {', '.join(inputs)}"
    rail = yield from book.ask("rail_input", words, q.among(inputs), free, NOTHING)
    if rail != NOTHING:
        yield from book.ask("rail_factor", "Its probe divides by", q.number("times", 1000.0), "10", "10")
    near = book.known.digitisers.get(book.answers["role.digitiser.dialect"])
    ranges = None if near is None else _listed(near.ranges_v)
    rates = None if near is None else _listed(near.rates_hz)
    words = "Ranges of the digitiser: the largest volts of each at its own terminal"
    yield from book.ask("digitiser.ranges_v", words, q.several(q.number("V"), twice=False), "0.4, 4, 20", ranges)
    words = "Its sample rates with these inputs on"
    yield from book.ask("digitiser.rates_hz", words, q.several(q.number("samples/s"), twice=False), "1e5, 1e6", rates)
    yield from book.ask(
        "digitiser.bits", "Bits of its converter", q.whole(6, 24), "12", None if near is None else str(near.bits)
    )
    depth = None if near is None else str(near.samples_max)
    yield from book.ask("digitiser.samples_max", "Samples it keeps per input", q.whole(1000, 10**9), "100000", depth)


def _listed(values: Sequence[float]) -> str:
    return ", ".join(f"{one:g}" for one in values)


def _loads(book: _Book) -> Generator[Question | Identify, str, None]:
    channels = book.answers["channels"]
    count = yield from book.ask("load", "How many loads can be switched", q.whole(1, LOADS_AT_MOST), "2", "1")
    names: list[str] = []
    for n in range(count):
        key = f"load[{n}]"
        nominal = yield from book.ask(f"{key}.nominal_ohm", f"Load {n + 1}: ohms by its name", q.number("ohm"), "8")
        own = yield from book.ask(
            f"{key}.name", "What plans call it", _new_name(names), f"{nominal:g}R", f"{nominal:g}R", stand_in=key
        )
        names.append(own)
        of = " and ".join(channels)
        words = f"Ohms measured at the unit's terminals, for {of}"
        yield from book.ask(
            f"{key}.ohm", words, _near(nominal, len(channels)), ", ".join(["7.98", "8.03"][: len(channels)])
        )
        if not book.by_hand("load_switch"):
            yield from _load_contacts(book, n)
        watts = yield from book.ask(
            f"{key}.continuous_w", "Watts each bears for ever, by its nameplate", q.number("W"), "200"
        )
        joules = f"{BURST_S * watts:g}"
        yield from book.ask(f"{key}.burst_j", "Joules each bears in one burst", q.number("J"), joules, joules)


def _load_contacts(book: _Book, n: int) -> Generator[Question | Identify, str, None]:
    channels = book.answers["channels"]
    free = q.several(q.contact(book.contacts), len(channels), twice=False)
    words, example = f"The contact that puts it on {' and '.join(channels)}", ", ".join(["101", "102"][: len(channels)])
    spare = ", ".join(f"stand-in-{n}-{c}" for c in channels)
    contacts = yield from book.ask(f"load[{n}].contacts", words, free, example, stand_in=spare)
    book.contacts.update(contacts)


def _new_name(taken: Sequence[str], what: str = "load") -> Check:
    def check(answer: str) -> str:
        if answer in taken:
            raise ValueError(f"another {what} has this name: each only once")
        return q.name(answer)

    return check


def _near(nominal_ohm: float, count: int) -> Check:
    """Measured ohms a few percent from their name; a slip of the decimal point is not."""
    listed = q.several(q.number("ohm"), count)

    def check(answer: str) -> tuple[float, ...]:
        found: tuple[float, ...] = listed(answer)
        least, most = 0.95 * nominal_ohm, 1.25 * nominal_ohm
        if not all(least <= one <= most for one in found):
            raise ValueError(f"between {least:.4g} and {most:.4g} ohm, for a load of {nominal_ohm:g}: measure again")
        return found

    return check


def _bays(book: _Book) -> Generator[Question | Identify, str, None]:
    """Without relays nothing parts two bays."""
    channels, relays = book.answers["channels"], not book.by_hand("load_switch")
    words = f"How many bays: places where a unit stands{'' if relays else '; without relays 1'}"
    count = yield from book.ask("bay", words, q.whole(1, BAYS_AT_MOST if relays else 1), "1", "1")
    names: list[str] = []
    for n in range(count):
        key = f"bay[{n}]"
        words, default = f"Bay {n + 1}: its name", str(n + 1)
        own = yield from book.ask(f"{key}.name", words, _new_name(names, "bay"), default, default, stand_in=key)
        names.append(own)
        if relays:
            yield from _bay_contacts(book, n)
        sensors = q.or_nothing(q.several(q.name, len(channels)))
        words = f"Sensors on the heat sinks of {' and '.join(channels)}, as the thermometer names them, or nothing"
        yield from book.ask(f"{key}.thermometer", words, sensors, ", ".join(["301", "302"][: len(channels)]), "")


def _bay_contacts(book: _Book, n: int) -> Generator[Question | Identify, str, None]:
    for what, words in (
        ("supply_contact", "The contact of its supply, or nothing where it is wired for good"),
        ("input_contact", "The contact of its input, or nothing where it is wired for good"),
        ("remote_contact", "The contact of the unit's remote line, or nothing"),
    ):
        one = q.or_nothing(q.contact(book.contacts))
        taken = yield from book.ask(f"bay[{n}].{what}", words, one, "201", "", stand_in=f"stand-in-{n}-{what}")
        book.contacts |= {taken} if taken else set()
    some = q.or_nothing(q.several(q.contact(book.contacts), twice=False))
    words = "The contacts of its outputs, or nothing"
    outputs = yield from book.ask(f"bay[{n}].output_contacts", words, some, "203, 204", "", stand_in=f"stand-in-{n}")
    book.contacts.update(outputs or ())


def _ceilings(book: _Book) -> Generator[Question | Identify, str, None]:
    """What nothing may exceed, whoever asks."""
    for key, words, unit, example, default in (
        ("generator_vrms", "The most the generator may ever give", "Vrms", "4", "4"),
        ("supply_v", "The most volts the supply may ever give: what the units bear", "V", "31.2", None),
        ("supply_a", "The most amps the supply may ever give: below the fuse", "A", "25", None),
    ):
        yield from book.ask(f"ceiling.{key}", words, q.number(unit), example, default)
    words = "The fuse in the supply's lead in A, or nothing"
    yield from book.ask("lead.fuse_a", words, q.or_nothing(q.number("A")), "40", "")


def _prove(book: _Book) -> Generator[Question | Identify, str, None]:
    """What a person connects for the proof; without it those steps are not seen."""
    inputs = tuple(f"ch{n}" for n, _ in enumerate(book.answers["channels"], start=1))
    words = (
        "The bench is proved with no unit on it. Which input's probe will then be on the generator's output, so that "
        f"level, trigger and clock are seen: {', '.join(inputs)} or {NOTHING}"
    )
    yield from book.ask("prove.loop_input", words, q.among((*inputs, NOTHING)), inputs[0], NOTHING)
    if book.by_hand("supply"):
        return
    words = "Ohms of a resistor across the supply's leads meanwhile, so that its amps and limit are seen, or nothing"
    ohm = yield from book.ask("prove.dummy_ohm", words, q.or_nothing(q.number("ohm")), "10", "")
    if ohm is not None:
        yield from book.ask("prove.dummy_w", "Watts that resistor bears for ten seconds", q.number("W"), "50", "10")
