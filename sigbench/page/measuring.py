"""Measuring: what to begin with, and what goes on, live; a stored take that is seen once more."""

import json
from typing import Any
from urllib.parse import quote, urlencode

import msgspec
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route, WebSocketRoute
from starlette.websockets import WebSocket

from sigbench.interface.cues import CUES
from sigbench.live.sitting import Wish
from sigbench.live.watched import Watched
from sigbench.live.wording import SIGNS, WORDS
from sigbench.page import feed
from sigbench.page.desk import Desk
from sigbench.page.requests import Form, count, counts, form_of, one, see
from sigbench.page.show import FIRST_STAGE
from sigbench.page.site import Site
from sigbench.page.talk import Message, steer, talk
from sigbench.plan import HANDS_ON, with_hands_on
from sigbench.run import stage_named, steps_left
from sigbench.units import note_to_frequency


class MeasuringPages:
    """The pages of measuring."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self._frames = Frames(site.desk)

    def routes(self) -> list[BaseRoute]:
        """Their addresses."""
        return [
            Route("/unit/{unit}/measure", self.measure_form),
            Route("/unit/{unit}/measure", self.begin, methods=["POST"]),
            Route("/unit/{unit}/hands-on", self.hands_on, methods=["POST"]),
            Route("/unit/{unit}/show", self.show, methods=["POST"]),
            Route("/measuring", self.measuring),
            WebSocketRoute("/live", self.live),
        ]

    def measure_form(self, request: Request) -> Response:
        """What is to be measured, with what, and when."""
        unit_id = request.path_params["unit"]
        stage = request.query_params.get("stage", FIRST_STAGE)
        with self.site.open_bench() as bench:
            unit, plan = bench.unit(unit_id), bench.plan(unit_id)
            stages = bench.stages(unit_id)
            runs = bench.runs(unit_id)
        at_stage = [run for run in runs if run.stage == stage]
        left = {number for number, _ in steps_left(plan, at_stage)}
        gains = [run.rig.description for run in runs if run.rig.description]
        chosen = request.query_params.getlist("step")
        return self.site.page(
            request,
            "begin.html",
            unit_id=unit_id,
            unit=unit,
            plan=plan,
            stage=stage,
            stages=stages,
            chosen=set(counts(chosen)) or left,
            done=set(range(1, len(plan.steps) + 1)) - left,
            gain=gains[-1] if gains else "",
            sources=self.site.desk.sources(),
        )

    async def begin(self, request: Request) -> Response:
        """Begin a sitting."""
        form, unit_id = await form_of(request), request.path_params["unit"]
        await run_in_threadpool(self._begin, unit_id, form)
        return see("/measuring")

    def _begin(self, unit_id: str, form: Form) -> None:
        with self.site.open_bench() as bench:
            stage = stage_named(one(form, "stage"), bench.stages(unit_id))
        wish = Wish(
            unit_id,
            stage,
            tuple(sorted(set(counts(form.get("step", ()))))),
            " ".join(one(form, "operator").split()),
            " ".join(one(form, "gain").split()),
            tuple(name.strip() for name in one(form, "places").split(",") if name.strip()),
        )
        self.site.desk.begin(wish, one(form, "source"), one(form, "page"))

    async def hands_on(self, request: Request) -> Response:
        """A check that needs a person's hands: put into the plan if it is not there."""
        form, unit_id = await form_of(request), request.path_params["unit"]

        def find() -> tuple[int, str]:
            with self.site.open_bench() as bench:
                unit, plan = bench.unit(unit_id), bench.plan(unit_id)
                longer, number = with_hands_on(plan, unit, one(form, "check"), one(form, "output"))
                if longer is not plan:
                    bench.set_plan(unit_id, longer)
                stages = bench.stages(unit_id)
            return number, stages[-1] if stages else FIRST_STAGE

        number, stage = await run_in_threadpool(find)
        query = urlencode({"stage": stage, "step": number})
        return see(f"/unit/{quote(unit_id)}/measure?{query}")

    async def show(self, request: Request) -> Response:
        """Show a stored take once more."""
        form, unit_id = await form_of(request), request.path_params["unit"]
        run_id, _, number = one(form, "take").partition("/")
        take, page = count(number) or 0, one(form, "page")
        await run_in_threadpool(self.site.desk.show, unit_id, run_id, take, page)
        return see("/measuring")

    def measuring(self, request: Request) -> Response:
        """What goes on, live."""
        signs = [(SIGNS[kind], WORDS[kind]) for kind in SIGNS]
        cues = {
            kind: {
                "hz": note_to_frequency(one.note),
                "pips": one.pips,
                "pip_ms": one.pip_ms,
                "gap_ms": one.gap_ms,
                "buzz": one.buzz,
            }
            for kind, one in CUES.items()
        }
        return self.site.page(request, "measuring.html", signs=signs, cues=json.dumps(cues))

    async def live(self, socket: WebSocket) -> None:
        """Send what there is to see, and take what the person does."""
        desk = self.site.desk
        await talk(socket, desk, _Follower(desk, self._frames), self._do)

    def _do(self, page: str, message: Message) -> list[str]:
        """Do what the person asked for; what is wrong with it, in sentences."""
        desk, watched, what = self.site.desk, self.site.desk.watched, message.get("do")
        wrong = steer(desk, watched, page, message)
        if watched is None or not desk.holds(page):
            return wrong
        if what == "mark":
            watched.mark(" ".join(str(message.get("text", "")).split())[:200] or "mark")
        elif what == "next place":
            watched.next_place()
        elif what == "pause":
            watched.pause()
        return wrong


class _Follower:
    """What one page is told of a sitting or a showing."""

    def __init__(self, desk: Desk, frames: "Frames") -> None:
        self._desk = desk
        self._frames = frames
        self._shown: bytes | None = None
        self._heard = desk.watched
        # What was called out before this page came is over.
        self._told = 0 if self._heard is None else len(self._heard.alerts(0))

    @property
    def work(self) -> Watched | None:
        return self._desk.watched

    def moment(self, work: Watched) -> dict[str, Any]:
        return feed.moment_object(work)

    def news(self, work: Watched, moved: bool) -> list[bytes] | None:
        if not (moved or work.running):
            return None
        if work is not self._heard:
            self._heard, self._told = work, 0
        found = []
        frame = self._frames.now()
        if frame is not None and frame is not self._shown:
            self._shown = frame
            found.append(frame)
        alerts = work.alerts(self._told)
        if alerts:
            self._told += len(alerts)
            found.append(msgspec.json.encode({"kind": "alerts", "kinds": alerts}))
        return found


class Frames:
    """What a running take shows, worked out once however many pages look."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._last: tuple[object, float, bytes] | None = None

    def now(self) -> bytes | None:
        """The frame of just now, the very same one while nothing has come; None without a take."""
        watched = self._desk.watched
        seen = None if watched is None else watched.seen()
        if watched is None or seen is None:
            return None
        last = self._last
        if last is not None and last[:2] == (watched, seen.seconds):
            return last[2]
        hands_on = seen.check in HANDS_ON  # these have no spectrum on the page
        spectrum = None if hands_on else watched.spectrum(feed.SPECTRUM_COLUMNS)
        frame = msgspec.json.encode({"kind": "seen", **feed.seen_object(seen, spectrum)})
        self._last = (watched, seen.seconds, frame)
        return frame
