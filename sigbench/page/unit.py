"""All about one unit."""

import tempfile
from dataclasses import replace
from datetime import date
from pathlib import Path
from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import BaseRoute, Route

from sigbench.causes.of_unit import found_cause
from sigbench.page import show
from sigbench.page.requests import body_of, form_of, one, see
from sigbench.page.site import Site
from sigbench.report.photo import prepare_photo

MOST_PHOTO_BYTES = 20 * 1024 * 1024


class UnitPages:
    """The pages of a unit."""

    def __init__(self, site: Site) -> None:
        self.site = site

    def routes(self) -> list[BaseRoute]:
        """Their addresses."""
        return [
            Route("/unit/{unit}", self.unit),
            Route("/unit/{unit}/notes", self.set_notes, methods=["POST"]),
            Route("/unit/{unit}/found", self.add_found, methods=["POST"]),
            Route("/unit/{unit}/photo", self.photo),
            Route("/unit/{unit}/photo", self.set_photo, methods=["POST"]),
        ]

    def unit(self, request: Request) -> Response:
        """All about one unit, in the order of the work."""
        with self.site.open_bench() as bench:
            view = show.unit_view(bench, request.path_params["unit"])
        return self.site.page(request, "unit.html", view=view)

    async def set_notes(self, request: Request) -> Response:
        """The person's notes on a unit."""
        form, unit_id = await form_of(request), request.path_params["unit"]

        def change() -> None:
            with self.site.open_bench() as bench:
                known = bench.unit(unit_id)
                bench.update_unit(unit_id, replace(known, notes=one(form, "notes").strip()))

        await run_in_threadpool(change)
        return see(f"/unit/{quote(unit_id)}#notes")

    async def add_found(self, request: Request) -> Response:
        """What a fault turned out to be."""
        form, unit_id = await form_of(request), request.path_params["unit"]
        note = " ".join(one(form, "note").split())

        def change() -> None:
            entry = found_cause(one(form, "cause"), date.today().isoformat(), note)
            with self.site.open_bench() as bench:
                known = bench.unit(unit_id)
                bench.update_unit(unit_id, replace(known, found=(*known.found, entry)))

        await run_in_threadpool(change)
        return see(f"/unit/{quote(unit_id)}#wrong")

    def photo(self, request: Request) -> Response:
        """The photo of a unit."""
        with self.site.open_bench() as bench:
            place = bench.photo(request.path_params["unit"])
        if place is None:
            raise HTTPException(404)
        return FileResponse(place)

    async def set_photo(self, request: Request) -> Response:
        """A new photo: the body is the picture."""
        data, unit_id = await body_of(request, MOST_PHOTO_BYTES), request.path_params["unit"]

        def change() -> None:
            # What is kept is the picture alone, drawn anew: nothing else of a file from outside.
            picture = prepare_photo(data, "")
            with self.site.open_bench() as bench, tempfile.TemporaryDirectory() as place:
                file = Path(place) / "photo.jpg"
                file.write_bytes(picture.jpeg)
                bench.set_photo(unit_id, file)

        await run_in_threadpool(change)
        return Response(status_code=204)
