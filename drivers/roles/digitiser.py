"""The digitiser: one capture at a time, armed and known to be armed before anything is fired.

All volts are on the unit's side of the probes. Ranges and rates are reported as the instrument rounds them.
"""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable

from drivers import scpi
from drivers.conversions import Surroundings
from drivers.dialect import Dialect
from drivers.errors import GarbledReply, NotFinished, SettingRefused
from drivers.pieces import joined
from drivers.reply_text import Preamble, code_span, preamble
from drivers.roles.capture import (
    Capture,
    CaptureSet,
    DigitiserSettings,
    RawTrace,
    check_preamble,
    check_step,
    codes_from,
    sample_bytes,
    volts_as_codes,
    within_one_sample,
)
from drivers.roles.common import Conversation, Put
from drivers.roles.done import Done
from drivers.speaker import Speaker

_FITS = 1 - 1e-4  # replies carry five or six digits


class Digitiser:
    """Call `prepare` first, and again whenever the link was reopened; nothing is armed or fetched before."""

    def __init__(self, speaker: Speaker, dialect: Dialect, settings: DigitiserSettings) -> None:
        self._talk = Conversation(speaker, dialect)
        self._speaker = speaker
        self._dialect = dialect
        self._settings = settings
        self._asked: Capture | None = None
        self._set: CaptureSet | None = None
        self._done = Done(speaker, dialect)
        self._armed = False

    @property
    def can_delay(self) -> bool:
        """A record can begin later than its trigger: the dialect file has the setting `delay`."""
        return self._talk.has("delay")

    async def prepare(self) -> None:
        """At rest; probe factors, DC, 1 Mohm, centred, external trigger, none by itself, no delay; each read back."""
        self._talk.forget()
        self._forget_capture()
        await self._speaker.tell(*self._dialect.act("halt"))
        openings = self._speaker.openings
        await self._talk.put("preparation", *self._input_settings(), *self._trigger_settings())
        self._talk.prepared(openings)

    async def set_capture(self, capture: Capture) -> CaptureSet:
        """Set ranges, rate, length, silence before the trigger and delay after it; report what they became.

        Raises SettingRefused if a range or the record is smaller than asked, the delay is more than one sample off or
        none can be set, or an input has no probe factor. The same capture as before is not sent again: `fetch` checks
        the record it gets against it.
        """
        self._talk.require_prepared("setting a capture")
        if self._set is not None and capture == self._asked:
            return self._set
        self._check_inputs(capture)
        self._forget_capture()
        await self._send_shape(capture)
        found = await self._read_shape(capture)
        self._talk.require_prepared("setting a capture")
        self._asked, self._set = capture, found
        return found

    async def arm(self) -> None:
        """Start one capture; returns when it waits for the trigger, silence before it captured.

        Raises SettingRefused if it was triggered by something else, NotFinished if it does not get ready.
        """
        self._talk.require_prepared("arming")
        wanted = self._require_set()
        completion = self._dialect.completion
        await self._done.note_before_arming()
        await self._speaker.tell(*self._dialect.act("arm"))
        await self._speaker.clock.sleep(wanted.before_s)  # it can't be ready sooner
        await self._until(self._done.is_ready, completion.armed_within_s, "is not ready for a trigger")
        self._talk.require_prepared("arming")
        self._armed = True

    async def wait_complete(self, within_s: float, since_s: float = 0.0) -> None:
        """Returns when the capture is complete; within_s must hold the delay and the record. since_s: since the
        trigger.

        Raises NotFinished (it is stopped then) or, where the instrument answers only once done, LinkTimeout.
        """
        self._talk.require_prepared("waiting for a capture")
        if not self._armed:
            raise SettingRefused(self._speaker.name, "waiting for a capture refused: it was not armed")
        self._armed = False
        if self._dialect.completion.kind == "blocking_query":
            await self._wait_blocked(within_s)
        else:
            await self._wait_polling(within_s, since_s)
        self._talk.require_prepared("waiting for a capture")

    async def take_by_itself(self, capture: Capture, within_s: float) -> None:
        """One capture that waits for no trigger, for when nothing can give one; `fetch` has its records. within_s: for
        the capture itself. Prepares first where the link was reopened.
        Raises SettingRefused (also where the dialect has nothing for it) and as `wait_complete`; the instrument counts
        as not prepared then, since it may go on capturing by itself.
        """
        by_word = self._talk.has_word("trigger_mode", "by_itself")
        if not by_word and not self._dialect.has_act("arm_by_itself"):
            raise SettingRefused(self._speaker.name, f"{self._dialect.name} has nothing for a capture by itself")
        if not self._talk.is_prepared:
            await self.prepare()
        try:
            await self.set_capture(capture)
            if by_word:
                await self._talk.put("a capture by itself", Put("trigger_mode", "by_itself"))
            await self._done.note_before_arming()
            await self._speaker.tell(*self._dialect.act("arm" if by_word else "arm_by_itself"))
            self._armed = True
            await self.wait_complete(within_s)
            # Without a mode it can only have been its source that was turned.
            turned = ("trigger_mode", "normal") if self._talk.has("trigger_mode") else ("trigger_source", "external")
            await self._talk.put("a capture by itself", Put(*turned))
        except BaseException:
            self._talk.forget()
            raise

    async def fetch(self, input_number: int) -> RawTrace:
        """Samples of one input of the last capture.

        Raises SettingRefused if record or converter are not what was set, GarbledReply for a broken block.
        """
        self._talk.require_prepared("fetching")
        wanted, table, name = self._require_set(), self._dialect.trace, self._speaker.name
        if input_number not in wanted.full_scale_v:
            raise SettingRefused(name, f"input {input_number} was not captured")
        place = self._dialect.input_name(input_number)
        await self._choose(place)
        read = volts_as_codes(table, await self._preamble(place), wanted.full_scale_v[input_number])
        check_preamble(read, wanted, input_number, name)
        payload = await joined(self._speaker, self._dialect.block_questions(place), read.samples * sample_bytes(table))
        self._talk.require_prepared("fetching")
        codes = codes_from(table, payload, read, name)
        span = code_span(table, self._settings.bits)
        check_step(codes, span, name)
        return RawTrace(
            codes, read.line.per_code_v, read.line.at_zero_v, read.interval_s, read.start_s,
            span.step, span.low, span.high,
        )  # fmt: skip

    def make_safe_lines(self) -> tuple[str, ...]:
        """Messages that bring it to rest from any state."""
        return self._dialect.make_safe_lines()

    async def make_safe(self, within_s: float | None = None) -> None:
        """Stop, before all that waits."""
        self._armed = False
        await self._talk.make_safe("", within_s)

    # --- preparation ------------------------------------------------------------------------------

    def _input_settings(self) -> tuple[Put, ...]:
        return tuple(
            put
            for n, factor in sorted(self._settings.probe_factors.items())
            for put in (
                Put("probe", factor, n),
                Put("coupling", "dc", n),
                Put("impedance", "one_megohm", n),
                Put("centre", 0.0, n),
            )
            if self._talk.has(put.name)
        )

    def _trigger_settings(self) -> tuple[Put, ...]:
        puts = (
            Put("sampling", "plain"),
            Put("captures", "one"),
            Put("trigger_source", "external"),
            Put("trigger_mode", "normal"),
            Put("delay", 0.0),
        )
        return tuple(p for p in puts if self._talk.has(p.name))

    # --- the capture's shape ----------------------------------------------------------------------

    def _check_inputs(self, capture: Capture) -> None:
        unknown = capture.full_scale_v.keys() - self._settings.probe_factors.keys()
        inputs = self._dialect.facts.inputs or 0
        if unknown or not capture.full_scale_v or max(capture.full_scale_v) > inputs:
            asked = sorted(capture.full_scale_v)
            known = sorted(self._settings.probe_factors)
            raise SettingRefused(self._speaker.name, f"inputs {asked} asked; of {inputs}, {known} have a probe factor")
        numbers = (*capture.full_scale_v.values(), capture.sample_rate_hz, float(capture.samples))
        times_ok = all(math.isfinite(s) and s >= 0 for s in (capture.before_s, capture.delay_s))
        if not (times_ok and all(math.isfinite(n) and n > 0 for n in numbers)):
            raise SettingRefused(self._speaker.name, f"no capture has this shape: {capture}")
        if capture.delay_s and not self.can_delay:
            sentence = f"a record {capture.delay_s:g} s after the trigger: {self._dialect.name} has no [setting.delay]"
            raise SettingRefused(self._speaker.name, sentence)

    async def _send_shape(self, capture: Capture) -> None:
        """All but what lies about the trigger: in some dialects it is counted in records or samples."""
        inputs = range(1, (self._dialect.facts.inputs or 0) + 1)
        on = [Put("input_on", True, n) for n in inputs if n in capture.full_scale_v]
        off = [Put("input_on", False, n) for n in inputs if n not in capture.full_scale_v]
        rate = Put("sample_rate", capture.sample_rate_hz)
        # The silence left from before may be longer than the record to come; the rate allowed depends on the
        # inputs that are on, so it goes down before they come on and is asked for again when they are.
        no_silence = Put("before", 0.0, around=Surroundings(record_s=1.0, interval_s=1.0))
        ranges = [Put("full_scale", v, n, self._behind(n)) for n, v in sorted(capture.full_scale_v.items())]
        length = Put("samples", float(capture.samples))
        await self._talk.send(no_silence, *off, rate, *on, rate, length, *ranges)
        await self._talk.drain("setting a capture")
        await self._talk.compare(*on, *off)

    async def _read_shape(self, capture: Capture) -> CaptureSet:
        rate_hz = float(await self._talk.ask_setting("sample_rate"))
        samples = float(await self._talk.ask_setting("samples"))
        if not (rate_hz > 0 and samples >= capture.samples and samples == int(samples)):
            sentence = f"{samples:g} samples at {rate_hz:g} Hz read back, {capture.samples} samples were asked"
            raise SettingRefused(self._speaker.name, sentence)
        around = Surroundings(record_s=samples / rate_hz, interval_s=1.0 / rate_hz)
        before = Put("before", capture.before_s, around=around)
        delay = (Put("delay", capture.delay_s),) if self.can_delay else ()
        await self._talk.send(before, *delay)
        await self._talk.drain("setting a capture")
        await self._talk.compare(before)
        before_s = float(await self._talk.ask_setting("before", around=around))
        delay_s = await self._read_delay(capture.delay_s, 1.0 / rate_hz)
        ranges = {n: await self._read_range(n, v) for n, v in sorted(capture.full_scale_v.items())}
        return CaptureSet(1.0 / rate_hz, int(samples), before_s, ranges, delay_s)

    async def _read_delay(self, asked_s: float, sample_interval_s: float) -> float:
        if not self.can_delay:
            return 0.0
        found_s = float(await self._talk.ask_setting("delay"))
        if not within_one_sample(found_s, asked_s, sample_interval_s):
            sentence = f"delay reads back {found_s:.9g} s, {asked_s:.9g} s was asked: more than a sample apart"
            raise SettingRefused(self._speaker.name, sentence)
        return found_s

    async def _read_range(self, input_number: int, asked_v: float) -> float:
        found_v = float(await self._talk.ask_setting("full_scale", input_number, self._behind(input_number)))
        if found_v < asked_v * _FITS:
            sentence = f"input {input_number} reaches {found_v:g} V, {asked_v:g} V must fit"
            raise SettingRefused(self._speaker.name, sentence)
        return found_v

    def _behind(self, input_number: int) -> Surroundings:
        return Surroundings(attenuation=self._settings.probe_factors[input_number])

    def _forget_capture(self) -> None:
        self._asked = self._set = None
        self._armed = False

    def _require_set(self) -> CaptureSet:
        if self._set is None:
            raise SettingRefused(self._speaker.name, "refused: no capture is set")
        return self._set

    # --- armed and done ---------------------------------------------------------------------------

    async def _wait_polling(self, within_s: float, since_s: float) -> None:
        wanted = self._require_set()
        clock = self._speaker.clock
        begun_ns = clock.now_ns()
        await clock.sleep(min(within_s, max(0.0, wanted.end_s - since_s)))  # not sooner
        left_s = within_s - (clock.now_ns() - begun_ns) * 1e-9
        await self._until(self._done.is_complete, left_s, "has not completed its capture: no trigger came?")

    async def _wait_blocked(self, within_s: float) -> None:
        completion = self._dialect.completion
        assert completion.done_ask is not None
        reply = await self._speaker.ask(completion.done_ask, within_s=within_s)
        if reply.strip() != completion.done_is:
            raise GarbledReply(self._speaker.name, f"{reply!r} instead of {completion.done_is!r} for done")
        if (state := await self._done.state()) != "rest":
            raise NotFinished(self._speaker.name, f"said it was done, but its state is {state}")

    async def _until(self, reached: Callable[[], Awaitable[bool]], within_s: float, sentence: str) -> None:
        """Ask until `reached`, at least once; stop the capture and raise NotFinished after `within_s`."""
        clock = self._speaker.clock
        end_ns = clock.now_ns() + round(max(0.0, within_s) * 1e9)
        while not await reached():
            if clock.now_ns() >= end_ns:
                await self._speaker.tell(*self._dialect.act("halt"))
                raise NotFinished(self._speaker.name, sentence)
            await clock.sleep(self._dialect.completion.poll_s)

    # --- fetching ---------------------------------------------------------------------------------

    async def _ask(self, line: str, place: str) -> str:
        return await self._speaker.ask(self._dialect.question(line, input=place))

    async def _preamble(self, place: str) -> Preamble:
        table = self._dialect.trace
        reply = await self._ask(table.preamble_ask, place) if table.preamble_ask else ""
        asks = {name: term.ask for name, term in table.terms.items() if term.ask is not None}
        replies = {name: await self._ask(ask, place) for name, ask in asks.items()}
        return preamble(table, reply, self._speaker.name, replies)

    async def _choose(self, place: str) -> None:
        """Choose the input, and have it confirmed: another input's samples would look just as good."""
        table = self._dialect.trace
        await self._speaker.tell(*(self._dialect.question(line, input=place) for line in table.send))
        if table.source_ask is None or table.source_reads is None:
            return  # the questions for its samples name the input themselves
        reply = await self._ask(table.source_ask, place)
        wanted = self._dialect.question(table.source_reads, input=place)
        if not scpi.word_is(reply, wanted):
            raise SettingRefused(self._speaker.name, f"the input to read is {reply.strip()!r}, not {wanted!r}")
