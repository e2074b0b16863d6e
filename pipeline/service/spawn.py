"""Work beside the main loop. Threads are daemons: one that hangs on a dead share must not keep the program."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any, Protocol


class Spawn(Protocol):
    """Begins some work; its result comes in the future."""

    def __call__(self, work: Callable[[], Any], name: str) -> Future[Any]: ...


def in_thread(work: Callable[[], Any], name: str) -> Future[Any]:
    """In a thread of its own."""
    future: Future[Any] = Future()

    def run() -> None:
        try:
            result = work()
        except BaseException as error:
            future.set_exception(error)
        else:
            future.set_result(result)

    threading.Thread(target=run, name=name, daemon=True).start()
    return future


def at_once(work: Callable[[], Any], name: str) -> Future[Any]:
    """Here and now, for tests."""
    future: Future[Any] = Future()
    try:
        future.set_result(work())
    except Exception as error:
        future.set_exception(error)
    return future
