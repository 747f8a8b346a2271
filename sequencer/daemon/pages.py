"""The pages after each night, drawn by a child that is waited for: nothing is energised meanwhile."""

from __future__ import annotations

import asyncio
from pathlib import Path

from drivers.timing import Clock
from sequencer.night.supervise import Stop
from sequencer.report.child import ALLOWED_S, command_for, what_it_said

SHEET_NAME = "sheet.html"


async def pages(night: Path, clock: Clock, stop: Stop, *, only_new: bool) -> str:
    """One line that says where, or why not. A signal ends the drawing: paper can be made again. only_new: sheets that
    are there stay as they are."""
    again = f"nightramp report {night} writes them"
    (night / SHEET_NAME).unlink(missing_ok=True)  # of the time when it held one run: drawn again if it still does
    command, environment = command_for(night, *(("--new",) if only_new else ()))
    try:
        child = await asyncio.create_subprocess_exec(
            *command, env=environment, stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
        )
    except OSError as error:
        return f"pages not written: {error}; {again}"
    drawing = asyncio.create_task(child.communicate(), name="pages")
    signal = asyncio.create_task(stop.first.wait(), name="signal while pages are drawn")
    try:
        async with clock.deadline(ALLOWED_S):
            await asyncio.wait((drawing, signal), return_when=asyncio.FIRST_COMPLETED)
    except TimeoutError:
        pass
    finally:
        signal.cancel()
    if drawing.done():
        stdout, stderr = drawing.result()
        return what_it_said(night, child.returncode or 0, stdout.decode(), stderr.decode())
    child.kill()
    await drawing
    return f"pages not written: {'a signal came' if stop.count else f'not done within {ALLOWED_S:g} s'}; {again}"
