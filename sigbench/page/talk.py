"""What a page and the program say to each other over a web socket."""

import asyncio
import json
from collections.abc import Awaitable, Callable
from contextlib import suppress
from typing import Any, cast

import msgspec
from starlette.concurrency import run_in_threadpool
from starlette.websockets import WebSocket, WebSocketDisconnect

from sigbench.live.steered import Answer
from sigbench.page.bell import Wait
from sigbench.page.desk import Desk, Work

UPDATES_A_SECOND = 25
QUIET_SECONDS = 0.1  # between two looks while nothing runs

Message = dict[str, Any]


async def talk(
    socket: WebSocket,
    desk: Desk,
    send: Callable[[WebSocket, str, Wait], Awaitable[None]],
    do: Callable[[str, Message], list[str]],
) -> None:
    """Send what there is to see, and take what the person does, until the page has gone.

    Parameters
    ----------
    desk : Desk
        Its bell wakes whoever sends.
    send : callable
        Sends for ever, to the page of that name.
    do : callable
        Does what a page asks for, in a thread; gives what is wrong with it, in sentences.
    """
    await socket.accept()
    try:
        hello = await _hears(socket)
        page = str(hello.get("page", ""))
        with desk.bell.heard() as wait:
            sending = asyncio.ensure_future(send(socket, page, wait))
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


def moment_message(desk: Desk, moment: dict[str, Any] | None, page: str) -> bytes:
    """Where the work is, and whether the page steers it."""
    told = {"kind": "moment", "moment": moment, "steers": desk.holds(page)}
    return msgspec.json.encode(told)


async def _hears(socket: WebSocket) -> Message:
    message = json.loads(await socket.receive_text())
    if not isinstance(message, dict):
        raise ValueError("not an object")
    return message
