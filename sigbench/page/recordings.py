"""Recordings made elsewhere, brought to the page: files that become takes of a step."""

import asyncio
from collections.abc import AsyncIterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path, PurePosixPath

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from sigbench.bench.atomic import failures_as_bench_error, temporary
from sigbench.bench.recording import MARGIN_BYTES, free_bytes
from sigbench.errors import BenchError, RequestError
from sigbench.interface.decode import SIGN_BYTES, decode_apart, is_audio, no_audio
from sigbench.page import show
from sigbench.page.requests import count, counts
from sigbench.page.site import Site
from sigbench.recorded import (
    Recorded,
    carry_out_recorded,
    read_recording,
    remarks_on,
    require_recordings_of,
    step_for_recordings,
)
from sigbench.run import stage_named

MOST_BYTES = 1 << 30
"""Of the files that are sent at once."""
MOST_FILES = 20
_WRITTEN_AT_ONCE = 1 << 20
_LONGEST_TEXT = 200


@dataclass(frozen=True, slots=True)
class Brought:
    """What the files are to be.

    Parameters
    ----------
    names : tuple of str
        As they are shown. No file is ever called so.
    sizes : tuple of int
        Bytes of each file in the body, one after the other; none: the body is one file.
    """

    unit_id: str
    stage: str
    number: int
    names: tuple[str, ...]
    sizes: tuple[int, ...]
    operator: str
    gain: str
    recorder: str


class RecordingPages:
    """Where recordings are brought to."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self._one_at_a_time = asyncio.Lock()

    def routes(self) -> list[BaseRoute]:
        """Their addresses."""
        return [Route("/unit/{unit}/recording", self.bring, methods=["POST"])]

    async def bring(self, request: Request) -> Response:
        """Files in the body, one after the other, as takes of a step."""
        announced = request.headers.get("content-length", "")
        if (count(announced) or 0) > MOST_BYTES:
            raise HTTPException(413)
        brought = await run_in_threadpool(self._brought, request)
        if self._one_at_a_time.locked():
            raise RequestError("Another recording is being measured: wait until that is done.")
        async with self._one_at_a_time:
            folder = self.site.desk.folder
            _require_room(folder, count(announced) or 0)
            with failures_as_bench_error(folder), temporary(folder) as area:
                area.mkdir()
                try:
                    files = await _received(request.stream(), area, brought)
                except ClientDisconnect:
                    return Response(status_code=400)  # nobody is there to read it
                with self.site.desk.importing():
                    return JSONResponse(await run_in_threadpool(self._measure, brought, files))

    def _brought(self, request: Request) -> Brought:
        self.site.desk.require_free()
        query, unit_id = request.query_params, request.path_params["unit"]
        names = tuple(map(_shown_name, query.getlist("name"))) or ("the recording",)
        sizes = tuple(counts(query.getlist("bytes")))
        if len(names) > MOST_FILES or len(sizes) not in (0, len(names)) or 0 in sizes:
            raise RequestError(
                f"These files cannot be taken in: choose 1 to {MOST_FILES} that hold audio."
            )
        if not sizes and len(names) > 1:
            raise RequestError("It is not said how long each file is: bring one at a time.")
        number = count(query.get("step", ""))
        if number is None:
            raise RequestError("It is not said of which step these recordings are: choose one.")
        with self.site.open_bench() as bench:
            stage = stage_named(query.get("stage", "")[:_LONGEST_TEXT], bench.stages(unit_id))
            step_for_recordings(bench, unit_id, number)
        texts = {name: _text(query.get(name, "")) for name in ("operator", "gain", "recorder")}
        return Brought(unit_id, stage, number, names, sizes, **texts)

    def _measure(self, brought: Brought, files: Sequence[Path]) -> dict[str, object]:
        """Decode and measure the files; what came of it, for the page."""
        folder = self.site.desk.folder
        with self.site.open_bench() as bench:
            step, output = step_for_recordings(bench, brought.unit_id, brought.number)
            recorded = []
            for name, file in zip(brought.names, files, strict=True):
                plain = file.with_suffix(".w64")
                room = max(0, free_bytes(folder) - MARGIN_BYTES)
                codec = decode_apart(file, plain, name=name, most_bytes=room)
                file.unlink()
                recorded.append(Recorded(name, read_recording(plain, step.check), codec))
            require_recordings_of(step, output, recorded)
            run = carry_out_recorded(
                bench,
                brought.unit_id,
                brought.stage,
                brought.number,
                recorded,
                operator=brought.operator,
                gain=brought.gain,
                recorder=brought.recorder,
            )
            bench.add_run(brought.unit_id, run)
        measured = show.step_line(brought.number, step, run)
        takes = "1 take" if len(run.takes) == 1 else f"{len(run.takes)} takes"
        return {
            "run": run.id,
            "sentence": f"Step {brought.number} ({step.check}, {step.output}) of the stage "
            f"'{brought.stage}' is measured: {takes}.",
            "remarks": remarks_on(step, output, recorded, brought.recorder),
            "lines": [asdict(line) for line in measured.lines],
            "events": measured.events,
        }


async def _received(parts: AsyncIterator[bytes], area: Path, brought: Brought) -> list[Path]:
    """Write a body to files of our own naming.

    Raises
    ------
    HTTPException
        413 as soon as it is known to be too large; the rest is not read.
    FileError
        As soon as a file is known to be no audio.
    RequestError
        If the body is not as long as was said.
    BenchError
        If the disk is nearly full.
    """
    sizes = list(brought.sizes) or [MOST_BYTES]
    files = [area / f"{number}.sent" for number in range(len(sizes))]
    number, at, total, held = 0, 0, 0, bytearray()

    async def written(whole: bool) -> None:
        nonlocal number, at, held
        while held and (whole or len(held) >= _WRITTEN_AT_ONCE):
            if number == len(sizes):
                raise _not_as_said()
            piece = bytes(held[: sizes[number] - at])
            if at == 0 and not is_audio(piece[:SIGN_BYTES]):
                raise no_audio(brought.names[number])
            await run_in_threadpool(_append, files[number], piece)
            del held[: len(piece)]
            at += len(piece)
            if at == sizes[number]:
                number, at = number + 1, 0

    async for part in parts:
        total += len(part)
        if total > MOST_BYTES:
            raise HTTPException(413)
        if total == len(part) >= SIGN_BYTES and not is_audio(part):  # said at once
            raise no_audio(brought.names[0])
        held += part
        await written(whole=False)
    await written(whole=True)
    if total == 0 or (brought.sizes and (number, at) != (len(sizes), 0)):
        raise _not_as_said()
    return files


def _append(file: Path, data: bytes) -> None:
    _require_room(file.parent, len(data))
    with open(file, "ab") as growing:
        growing.write(data)


def _require_room(folder: Path, size: int) -> None:
    free = free_bytes(folder)
    if size > free - MARGIN_BYTES:
        raise BenchError(
            f"The disk is nearly full, {free / 1e6:.0f} MB are free: make room, then bring the "
            "recording again."
        )


def _not_as_said() -> RequestError:
    return RequestError("The files did not come whole: bring them again.")


def _shown_name(text: str) -> str:
    """The last part of a name, as it may be shown; it is never the name of a file."""
    last = PurePosixPath(text.replace("\\", "/")).name
    return _text(last)[:100] or "the recording"


def _text(text: str) -> str:
    """Text of a query on one line, without what cannot be printed."""
    line = "".join(sign for sign in " ".join(text.split()) if sign.isprintable())
    return line[:_LONGEST_TEXT]
