"""The list of units, and new ones."""

from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from sigbench.bench.arrivals import outputs_of, require_new
from sigbench.model import Output, Unit
from sigbench.page import show
from sigbench.page.requests import Form, form_of, number, one, required, see
from sigbench.page.site import Site
from sigbench.plan import default_plan


class BenchPages:
    """The pages of the bench."""

    def __init__(self, site: Site) -> None:
        self.site = site

    def routes(self) -> list[BaseRoute]:
        """Their addresses."""
        return [
            Route("/", self.bench),
            Route("/units", self.add_unit, methods=["POST"]),
        ]

    def bench(self, request: Request) -> Response:
        """The list of units."""
        search = request.query_params.get("search", "")
        with self.site.open_bench() as bench:
            lines = show.unit_lines(bench, search)
            problems = [f"{one.path} {one.what}" for one in bench.problems]
            unfinished = [str(one) for one in bench.unfinished]
        return self.site.page(
            request,
            "bench.html",
            lines=lines,
            search=search,
            problems=problems,
            unfinished=unfinished,
        )

    async def add_unit(self, request: Request) -> Response:
        """A new unit."""
        form = await form_of(request)
        unit_id = await run_in_threadpool(self._add_unit, form)
        return see(f"/unit/{quote(unit_id)}")

    def _add_unit(self, form: Form) -> str:
        unit = Unit(
            required(form, "maker", "Who made it"),
            required(form, "model", "Its model"),
            required(form, "serial", "Its serial number"),
            outputs_of([text for text in one(form, "outputs", "main:2").split(",") if text.strip()])
            or (Output("main"),),
            number(form, "mains_volts", 230.0, 1.0, 1000.0, "The mains voltage"),
            number(form, "mains_hz", 50.0, 50.0, 60.0, "The mains frequency"),
            one(form, "notes").strip(),
        )
        with self.site.open_bench() as bench:
            require_new(bench, unit)
            unit_id = bench.add_unit(unit)
            bench.set_plan(unit_id, default_plan(unit))
        return unit_id
