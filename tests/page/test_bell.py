"""The bell wakes those who wait, and nothing that is rung is missed."""

import asyncio
import time
from threading import Thread

from sigbench.page.bell import Bell

LONG = 60.0  # seconds: whoever waits that long was not woken


def test_it_wakes_from_another_thread():
    async def waiting(bell, begun):
        with bell.heard() as wait:
            begun.append(True)
            await wait(LONG)

    bell, begun = Bell(), []

    def ring():
        while not begun:
            time.sleep(0.001)
        bell.ring()

    thread = Thread(target=ring)
    thread.start()
    start = time.monotonic()
    asyncio.run(waiting(bell, begun))
    assert time.monotonic() - start < LONG / 2
    thread.join()


def test_what_is_rung_between_two_waits_is_heard_once():
    async def work(bell):
        with bell.heard() as wait:
            bell.ring()
            bell.ring()
            await asyncio.sleep(0)  # it is busy with something else
            start = time.monotonic()
            await wait(LONG)
            assert time.monotonic() - start < LONG / 2
            start = time.monotonic()
            await wait(0.05)
            return time.monotonic() - start

    assert asyncio.run(work(Bell())) >= 0.04


def test_nobody_hears_it_after_the_end():
    bell = Bell()

    async def work():
        with bell.heard():
            pass
        with bell.heard() as wait:
            await wait(0)

    asyncio.run(work())
    bell.ring()  # no loop runs
    assert not bell._hearing
