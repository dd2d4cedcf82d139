"""What a page and the program say to each other over a web socket."""

import asyncio
import json
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Protocol, TypeVar, cast

import msgspec
from starlette.concurrency import run_in_threadpool
from starlette.websockets import WebSocket, WebSocketDisconnect

from sigbench.live.steered import Answer
from sigbench.page.bell import Wait
from sigbench.page.desk import Desk, Work

UPDATES_A_SECOND = 25
QUIET_SECONDS = 0.1  # between two looks while nothing runs

Message = dict[str, Any]
W = TypeVar("W", bound=Work)


class Follower(Protocol[W]):
    """What one page is told of some kind of work."""

    @property
    def work(self) -> W | None:
        """What goes on, or was the last."""
        ...

    def moment(self, work: W) -> dict[str, Any]:
        """Where it is, as a plain object for JSON."""
        ...

    def news(self, work: W, moved: bool) -> list[bytes] | None:
        """Messages on what has come since the last time; None where nothing is to be expected.

        `moved` tells whether the page has just been told of another moment.
        """
        ...


async def talk(
    socket: WebSocket,
    desk: Desk,
    follower: Follower[Any],
    do: Callable[[str, Message], list[str]],
) -> None:
    """Send what there is to see, and take what the person does, until the page has gone.

    Parameters
    ----------
    desk : Desk
        Its bell wakes whoever sends.
    follower : Follower
        Of this page alone.
    do : callable
        Does what a page asks for, in a thread; gives what is wrong with it, in sentences.
    """
    await socket.accept()
    try:
        hello = await _hears(socket)
        page = str(hello.get("page", ""))
        with desk.bell.heard() as wait:
            sending = asyncio.ensure_future(_tell(socket, desk, follower, page, wait))
            try:
                while True:
                    words = await run_in_threadpool(do, page, await _hears(socket))
                    if words:
                        await socket.send_text(json.dumps({"kind": "words", "words": words}))
            finally:
                sending.cancel()
    except (WebSocketDisconnect, RuntimeError):
        pass  # the page has gone
    except ValueError:
        with suppress(RuntimeError):
            await socket.close(1003)  # no message of ours


async def _tell(
    socket: WebSocket, desk: Desk, follower: Follower[Any], page: str, wait: Wait
) -> None:
    """Send the moment when it changes, and what is new meanwhile, for ever."""
    sent: tuple[object, ...] = ()
    while True:
        work = follower.work
        state = (work, None if work is None else work.moment.question, desk.holds(page))
        moved, sent = state != sent, state
        if moved:
            await socket.send_bytes(await run_in_threadpool(_moment, desk, follower, page))
        news = None if work is None else await run_in_threadpool(follower.news, work, moved)
        for message in news or ():
            await socket.send_bytes(message)
        await wait(QUIET_SECONDS if news is None else 1 / UPDATES_A_SECOND)


def _moment(desk: Desk, follower: Follower[Any], page: str) -> bytes:
    """Where the work is, and whether the page steers it."""
    work = follower.work
    shown = None if work is None else follower.moment(work)
    return msgspec.json.encode({"kind": "moment", "moment": shown, "steers": desk.holds(page)})


def steer(desk: Desk, work: Work | None, page: str, message: Message) -> list[str]:
    """Do what the page asks for that all work understands; what is wrong with it, in sentences."""
    what = message.get("do")
    if work is None:
        return []
    if what == "take over":
        desk.take_over(page)
        return []
    if not desk.holds(page):
        return ["Another page steers: take over first, or watch."]
    question: Any = message.get("question")
    if what == "answer":
        work.answer(question, cast(Answer, str(message.get("answer"))))
    elif what == "typed" and isinstance(message.get("fields"), dict):
        typed = {str(name): str(text) for name, text in message["fields"].items()}
        return list(work.type_fields(question, typed))
    return []


async def _hears(socket: WebSocket) -> Message:
    message = json.loads(await socket.receive_text())
    if not isinstance(message, dict):
        raise ValueError("not an object")
    return message
