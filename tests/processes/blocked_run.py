"""nightramp, whose loop is blocked for good by its fourth shot: for the guardian's tests."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sequencer.cli import main
from sequencer.night.shot import Shooter

BLOCKS_AT = 4
fire, shots = Shooter.fire, [0]


async def blocking(self: Shooter, *arguments: Any) -> Any:
    shots[0] += 1
    if shots[0] == BLOCKS_AT:
        print("blocked", flush=True)
        time.sleep(3600.0)  # noqa: ASYNC251 (that is what is tested)
    return await fire(self, *arguments)


if __name__ == "__main__":
    Shooter.fire = blocking  # type: ignore[method-assign]
    sys.exit(main())
