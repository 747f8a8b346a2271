"""The ledger's own thread: everything durable goes through here, one call at a time, in order."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")


class Book:
    """`await book.do(function, ...)` runs it in the ledger's thread and returns what it returns."""

    def __init__(self) -> None:
        self._thread = ThreadPoolExecutor(max_workers=1, thread_name_prefix="ledger")

    async def do(self, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        return await asyncio.get_running_loop().run_in_executor(self._thread, lambda: function(*args, **kwargs))

    def close(self) -> None:
        self._thread.shutdown(wait=True)
