"""The ledger's own thread: everything durable goes through here, one call at a time, in order."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")


class OneThread(ThreadPoolExecutor):
    """A single thread. worked_s: real seconds it has been at work, told to a person and kept nowhere."""

    def __init__(self, name: str) -> None:
        super().__init__(max_workers=1, thread_name_prefix=name)
        self.worked_s = 0.0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        return super().submit(self._timed, fn, *args, **kwargs)

    def _timed(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Any:
        begun_s = _real_s()
        try:
            return fn(*args, **kwargs)
        finally:
            self.worked_s += _real_s() - begun_s


class Book:
    """`await book.do(function, ...)` runs it in the ledger's thread and returns what it returns."""

    def __init__(self) -> None:
        self._thread = OneThread("ledger")

    @property
    def worked_s(self) -> float:
        """Real seconds the ledger has cost so far."""
        return self._thread.worked_s

    async def do(self, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        """It is done, also where whoever waits for it is cancelled: nobody has to guess."""
        return await asyncio.shield(self.soon(function, *args, **kwargs))

    def soon(self, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> asyncio.Future[R]:
        """Like `do`, but nobody waits now."""
        return asyncio.get_running_loop().run_in_executor(self._thread, lambda: function(*args, **kwargs))

    def close(self) -> None:
        self._thread.shutdown(wait=True)


def _real_s() -> float:
    return time.perf_counter()  # noqa: TID251 (what the work costs; nothing measured depends on it)
