"""Threads nobody waits for: for calls into a network that may hang as long as it likes."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Executor, Future
from typing import Any


class LooseThreads(Executor):
    """One daemon thread a call. Unlike a pool's threads it is not joined at the interpreter's end, so a name that
    does not resolve can't hold up the way out.
    """

    def submit(self, func: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        job: Future[Any] = Future()
        threading.Thread(target=_run, args=(job, func, args, kwargs), name="loose", daemon=True).start()
        return job


def _run(job: Future[Any], func: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]) -> None:
    if not job.set_running_or_notify_cancel():
        return
    try:
        result = func(*args, **kwargs)
    except BaseException as error:  # handed to whoever asked, as any executor does
        job.set_exception(error)
    else:
        job.set_result(result)
