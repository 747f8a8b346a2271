"""Generator and digitiser: which steps, in which order, and what is left out where one fails."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from contextlib import suppress

from drivers.errors import InstrumentError
from sequencer.proving import steps_done, steps_signal
from sequencer.proving.desk import Desk
from sequencer.proving.loop import Loop
from sequencer.proving.running import Running, Told

NO_LOOP = "no input is said to see the generator: [prove] loop_input of the bench file, or `input` in [wiring]"
AFTER_FOUND = (
    ("frequency", steps_signal.frequency),
    ("cycles", steps_signal.cycles),
    ("trigger", steps_signal.trigger),
    ("level", steps_signal.level),
    ("direct current", steps_signal.direct),
    ("clean sine", steps_signal.floors),
    ("overload", steps_signal.overload),
)


TIMES = ("cycles", "trigger")


async def signal(running: Running) -> None:
    """The generator's output is on only for these."""
    desk = running.desk
    if missing := [r for r in ("generator", "digitiser") if r not in desk.there]:
        running.unseen("signal", "bench", f"{missing[0]}: {desk.lost.get(missing[0], 'not there')}")
        return
    if not await running.ready("generator", ready, desk):
        return
    try:
        await running.step("done", "digitiser", steps_done.done, desk)
        await _loop(running)
    finally:
        with suppress(InstrumentError):
            await desk.hands.generator.output(False)


async def ready(desk: Desk) -> str:
    """Bursts armed and silent, output on; the digitiser waits for its external trigger."""
    await desk.hands.generator.prepare()
    await desk.digitiser.prepare()
    await desk.hands.generator.output(True)
    return "ready"


async def _loop(running: Running) -> None:
    """A step that fails does not keep the others from being tried; a tone that is not found does."""
    desk = running.desk
    name = desk.bench.prove.loop_input or desk.bench.input_for("input")
    if name is None:
        running.unseen("signal", "generator to digitiser", NO_LOOP)
        return
    about, found = f"digitiser {name}", [Loop(desk, name)]
    if not await running.step("signal", about, _find, found):
        for word, _ in AFTER_FOUND:
            running.unseen(word, about, "no tone was found there")
        return
    skip: tuple[str, ...] = ()
    for word, work in AFTER_FOUND:
        if word in skip:
            running.unseen(word, about, "times are not as they should be")
        elif not await running.step(word, about, _named, work, found[0]):
            skip = TIMES if word == "frequency" else skip
            if not await running.ready("generator", ready, desk):  # what it left must not spoil the next step
                return


async def _find(found: list[Loop]) -> Told:
    """The loop with what was found, in the place of the one without."""
    try:
        found[0] = await steps_signal.find(found[0])
    except InstrumentError as error:
        if (named := await steps_signal.why_no_record(found[0], error)) is not None:
            raise named from error
        raise
    return f"the generator's tone is seen there, {found[0].ratio:.3g} times what was set"


async def _named(work: Callable[[Loop], Awaitable[Told]], loop: Loop) -> Told:
    """A record that could not be taken is looked at once more, for the cause."""
    try:
        return await work(loop)
    except InstrumentError as error:
        if (named := await steps_signal.why_no_record(loop, error)) is not None:
            raise named from error
        raise
