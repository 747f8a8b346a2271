"""When a digitiser says that it is done: never before it was triggered, never before its record is full."""

from __future__ import annotations

from drivers import scpi
from drivers.dialect_model import Completion
from drivers.errors import SettingRefused
from drivers.reply_text import state_of
from drivers.roles.capture import Capture
from sequencer.proving.desk import Desk
from sequencer.proving.record import ProofValue
from sequencer.proving.words import Failed, NotSeen

LENGTH_S, BEFORE_S, WAIT_S, LATE_S = 0.1, 0.002, 0.03, 2.0
LOOK = "Correct [completion] in the digitiser's dialect file: which word, bit or count really means that it is done"


async def done(desk: Desk) -> tuple[str, list[ProofValue]]:
    """A record of a tenth of a second, asked all the time whether it is complete."""
    bench, completion = desk.bench, desk.dialects["digitiser"].completion
    if bench.ceiling.burst_s < LENGTH_S:
        raise NotSeen(f"its ceiling of burst_s does not allow {LENGTH_S:g} s")
    rates = [r for r in bench.digitiser.rates_hz if r * LENGTH_S * 1.1 <= bench.digitiser.samples_max]
    if not rates:
        raise NotSeen(f"no sample rate of the bench file has a record of {LENGTH_S:g} s")
    number = min(int(name.removeprefix("ch")) for name in bench.wiring)
    reach_v = max(r.full_scale_v for r in bench.range if r.input in ("all", f"ch{number}"))
    samples = round(LENGTH_S * min(rates) / 100.0) * 100
    taken = await desk.digitiser.set_capture(Capture({number: reach_v}, min(rates), samples, BEFORE_S))
    await desk.hands.generator.set_burst(desk.hands.generator.smallest_vrms, 1000.0, round(LENGTH_S * 1000.0))
    try:
        await desk.digitiser.arm()
    except SettingRefused as refused:
        raise Failed(f"it says done before it was started: {refused.sentence}", LOOK) from refused
    count = await _count(desk, completion)
    await desk.clock.sleep(WAIT_S)
    if completion.kind != "blocking_query" and await _says_done(desk, completion, count):
        raise Failed("it says done before anything was fired", LOOK)
    begun_ns = desk.clock.now_ns()
    await desk.hands.generator.fire()
    needed_s = taken.samples * taken.sample_interval_s - BEFORE_S
    after_s = await _until_done(desk, completion, count, begun_ns, needed_s)
    await desk.digitiser.prepare()
    values = [ProofValue(name="done after the trigger", value=after_s, unit="s", expected=needed_s)]
    if after_s < 0.999 * needed_s:
        sentence = f"it says done {after_s:.3g} s after the trigger; its record takes {needed_s:.3g} s: too early"
        raise Failed(sentence, LOOK, values)
    return f"done was told {after_s:.3g} s after the trigger, a record of {needed_s:.3g} s", values


async def _until_done(desk: Desk, completion: Completion, count: int | None, begun_ns: int, needed_s: float) -> float:
    """Seconds from the trigger."""
    if completion.kind == "blocking_query":
        assert completion.done_ask is not None
        await desk.actor("digitiser").ask(completion.done_ask, within_s=needed_s + LATE_S)
        return (desk.clock.now_ns() - begun_ns) * 1e-9
    while not await _says_done(desk, completion, count):
        if (desk.clock.now_ns() - begun_ns) * 1e-9 > needed_s + LATE_S:
            raise Failed(f"it does not say done {needed_s + LATE_S:.3g} s after the trigger: did one come?", LOOK)
        await desk.clock.sleep(completion.poll_s)
    return (desk.clock.now_ns() - begun_ns) * 1e-9


async def _count(desk: Desk, completion: Completion) -> int | None:
    ask = completion.counter_ask
    return None if ask is None else scpi.whole(await desk.actor("digitiser").ask(ask), "digitiser")


async def _says_done(desk: Desk, completion: Completion, before: int | None) -> bool:
    reply = await desk.actor("digitiser").ask(completion.state_ask)
    if state_of(completion, reply, "digitiser") != completion.state_when_done:
        return False
    return completion.counter_ask is None or await _count(desk, completion) != before
