"""The rig: which is in use and what is known of it, its set-up, and the steps of its day."""

from dataclasses import replace
from datetime import datetime
from typing import Any, cast
from urllib.parse import urlencode

import msgspec
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route, WebSocketRoute
from starlette.websockets import WebSocket

from sigbench.bench.rigs import rig_in_use, rigs, save_rig
from sigbench.errors import InterfaceError, RequestError, SigbenchError
from sigbench.interface import portaudio
from sigbench.interface.devices import Device
from sigbench.live.procedure import Kind, Procedure, Running
from sigbench.model import RigSetup
from sigbench.page import feed
from sigbench.page.desk import Desk
from sigbench.page.requests import Form, form_of, one, required, see
from sigbench.page.rig_show import (
    SIMULATED,
    SetupForm,
    device_key,
    form_of_setup,
    not_there,
    rig_view,
)
from sigbench.page.site import Site
from sigbench.page.talk import Message, steer, talk
from sigbench.rig.assembly import (
    channel_list,
    keep_setup,
    pilot_pair,
    setup_of,
    simulated_setup,
    sink_beside,
    whole,
)
from sigbench.rig.cautions import BEFORE_METERING
from sigbench.rig.wording import this_system

USUAL_NAME = "bench"


class RigPages:
    """The pages of the rig."""

    def __init__(self, site: Site) -> None:
        self.site = site

    def routes(self) -> list[BaseRoute]:
        """Their addresses."""
        return [
            Route("/rig", self.rig),
            Route("/rig/use", self.use, methods=["POST"]),
            Route("/rig/setup", self.setup_form),
            Route("/rig/setup", self.set_up, methods=["POST"]),
            Route("/rig/begin", self.begin, methods=["POST"]),
            Route("/rig/steps", self.steps),
            WebSocketRoute("/rig/live", self.live),
        ]

    # --- which rig, and what is known of it

    def rig(self, request: Request) -> Response:
        """The rig in use, and the others."""
        folder = self.site.desk.folder
        known = rigs(folder)
        used = rig_in_use(folder)
        kept = request.query_params.get("kept", "")
        return self.site.page(
            request,
            "rig.html",
            view=None
            if used is None
            else rig_view(used, datetime.now().astimezone(), this_system()),
            names=list(known),
            kept=kept if kept in known else "",
            before_metering=BEFORE_METERING,
        )

    async def use(self, request: Request) -> Response:
        """Use another rig from now on."""
        form = await form_of(request)

        def change() -> None:
            folder = self.site.desk.folder
            chosen = rigs(folder).get(one(form, "name"))
            if chosen is None:
                raise RequestError("There is no rig of that name any more: choose another.")
            save_rig(folder, chosen)

        await run_in_threadpool(change)
        return see("/rig")

    # --- how it is put together

    def setup_form(self, request: Request) -> Response:
        """The form of the set-up: of a rig that is there, or of a new one."""
        name = request.query_params.get("rig")
        devices, trouble = _devices()
        if name is None:
            typed = SetupForm(USUAL_NAME if not rigs(self.site.desk.folder) else "")
        else:
            known = rig_in_use(self.site.desk.folder, name)
            assert known is not None
            typed = form_of_setup(known, devices)
            trouble = trouble or not_there(known, typed)
        return self._setup_page(request, typed, devices, trouble)

    async def set_up(self, request: Request) -> Response:
        """Store a rig as it is put together now."""
        form = await form_of(request)
        try:
            kept = await run_in_threadpool(self._set_up, form)
        except SigbenchError as exc:
            devices, _ = await run_in_threadpool(_devices)
            return self._setup_page(request, _typed(form), devices, str(exc), 400)
        return see("/rig" if kept is None else f"/rig?{urlencode({'kept': kept.name})}")

    def _set_up(self, form: Form) -> RigSetup | None:
        desk = self.site.desk
        desk.require_free()
        chosen = _chosen(form)
        desk.open_rig(chosen, lambda sentence: None)  # whether it can be used so
        with self.site.open_bench() as bench:
            return keep_setup(bench.folder, chosen)

    def _setup_page(
        self,
        request: Request,
        typed: SetupForm,
        devices: tuple[Device, ...],
        trouble: str | None,
        status: int = 200,
    ) -> Response:
        return self.site.page(
            request,
            "rig_setup.html",
            status,
            typed=typed,
            trouble=trouble,
            sources=[(device_key(d), f"{d}: {d.inputs} in") for d in devices if d.inputs],
            sinks=[(device_key(d), f"{d}: {d.outputs} out") for d in devices if d.outputs],
            rates=portaudio.USUAL_RATES,
            simulated=SIMULATED,
        )

    # --- the steps

    async def begin(self, request: Request) -> Response:
        """Begin a procedure at the rig in use."""
        form = await form_of(request)

        def start() -> None:
            used = rig_in_use(self.site.desk.folder)
            if used is None:
                raise RequestError("There is no rig yet: set one up first.")
            kind = cast(Kind, one(form, "kind"))  # the procedure refuses what it does not know
            self.site.desk.begin_procedure(kind, used.name, one(form, "page"))

        await run_in_threadpool(start)
        return see("/rig/steps")

    def steps(self, request: Request) -> Response:
        """The procedure that goes on."""
        return self.site.page(request, "rig_steps.html")

    async def live(self, socket: WebSocket) -> None:
        """Send where the procedure is, and take what the person does."""
        await talk(socket, self.site.desk, _Follower(self.site.desk), self._do)

    def _do(self, page: str, message: Message) -> list[str]:
        return steer(self.site.desk, self.site.desk.procedure, page, message)


class _Follower:
    """What one page is told of a procedure."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._shown: Running | None = None

    @property
    def work(self) -> Procedure | None:
        return self._desk.procedure

    def moment(self, work: Procedure) -> dict[str, Any]:
        return feed.procedure_object(work)

    def news(self, work: Procedure, moved: bool) -> list[bytes] | None:
        running = None if work.over else work.running()
        if running is None or running == self._shown:
            return None
        self._shown = running
        levels = feed.running_object(running, work.setup.inputs)
        return [msgspec.json.encode({"kind": "running", **levels})]


def _devices() -> tuple[tuple[Device, ...], str | None]:
    """The devices of this computer; where there is no audio system, why."""
    try:
        return portaudio.list_devices(), None
    except InterfaceError as exc:
        return (), str(exc)


def _typed(form: Form) -> SetupForm:
    """The form as it was filled in."""
    words = {
        name: one(form, name)
        for name in ("name", "source", "sink", "rate", "inputs", "outputs", "gain", "pilot")
    }
    return SetupForm(**words, exclusive="exclusive" in form)


def _chosen(form: Form) -> RigSetup:
    """The rig that a form describes.

    Raises
    ------
    RequestError
        If something in it cannot be, or the device is not there any more.
    InterfaceError
        If there is no audio system.
    """
    typed = _typed(form)
    name = required(form, "name", "The rig's name")
    rate = whole(typed.rate, "a sample rate") if typed.rate.strip() else None
    inputs = channel_list(typed.inputs.strip() or None, "Inputs")
    outputs = channel_list(typed.outputs.strip() or None, "Outputs")
    pilot = pilot_pair(typed.pilot.strip() or "none", "Pilot")
    gain = " ".join(typed.gain.split())
    if typed.source == SIMULATED:
        return simulated_setup(name, rate, inputs, outputs, pilot, gain)
    devices = portaudio.list_devices()
    source = _device(devices, typed.source)
    sink = _device(devices, typed.sink) if typed.sink else sink_beside(devices, source)
    chosen = setup_of(
        name,
        source,
        sink,
        samplerate=rate or source.samplerate,
        inputs=inputs,
        outputs=outputs,
        gain=gain,
        pilot=pilot,
        exclusive=typed.exclusive,
    )
    return chosen if sink is not None else replace(chosen, outputs=())


def _device(devices: tuple[Device, ...], key: str) -> Device:
    for device in devices:
        if device_key(device) == key:
            return device
    raise RequestError("This device is not there any more: choose the interface again.")
