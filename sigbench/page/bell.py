"""What wakes those who wait for something new, from any thread."""

import asyncio
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager, suppress
from threading import Lock

Wait = Callable[[float], Awaitable[None]]
"""Waits until there is something new, or for so many seconds."""


class Bell:
    """Rung in one thread, heard in the loops of others."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._hearing: set[tuple[asyncio.AbstractEventLoop, asyncio.Event]] = set()

    def ring(self) -> None:
        """There is something new."""
        with self._lock:
            hearing = tuple(self._hearing)
        for loop, event in hearing:
            with suppress(RuntimeError):  # a loop that has ended hears nothing more
                loop.call_soon_threadsafe(event.set)

    @contextmanager
    def heard(self) -> Iterator[Wait]:
        """Hear it within a coroutine; what is rung between two waits is not missed."""
        one = asyncio.get_running_loop(), asyncio.Event()

        async def wait(seconds: float) -> None:
            with suppress(TimeoutError):
                await asyncio.wait_for(one[1].wait(), seconds)
            one[1].clear()

        with self._lock:
            self._hearing.add(one)
        try:
            yield wait
        finally:
            with self._lock:
                self._hearing.discard(one)
