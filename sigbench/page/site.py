"""What all pages share: the desk, the templates, and how trouble is shown."""

from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote

import jinja2
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from sigbench.bench.folder import Bench
from sigbench.errors import BenchError
from sigbench.page.desk import Desk
from sigbench.rig.cautions import BEFORE_PLUGGING_IN

HERE = Path(__file__).parent


class Site:
    """The pages over one desk.

    Parameters
    ----------
    desk : Desk
    """

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self._templates = jinja2.Environment(
            loader=jinja2.FileSystemLoader(HERE / "templates"),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.filters["address"] = partial(quote, safe="")
        self._templates.globals["caution"] = BEFORE_PLUGGING_IN

    def open_bench(self) -> Bench:
        """The bench folder, opened for one request."""
        return Bench.open(self.desk.folder)

    def page(self, request: Request, name: str, status: int = 200, **shown: Any) -> Response:
        """A page made from a template."""
        watched = self.desk.watched
        going_on = watched is not None and not watched.over
        procedure = self.desk.procedure
        at_the_rig = procedure is not None and not procedure.over
        text = self._templates.get_template(name).render(
            here=request.url.path,
            going_on=watched if going_on else None,
            at_the_rig=at_the_rig,
            **shown,
        )
        return HTMLResponse(text, status)

    def trouble(self, request: Request, error: Exception) -> Response:
        """A request that could not be carried out, in its own sentence."""
        if request.headers.get("accept", "").startswith("text/plain"):
            return Response(str(error), 400, media_type="text/plain")
        status = 404 if isinstance(error, BenchError) else 400
        return self.page(request, "trouble.html", status, sentence=str(error))

    def no_page(self, request: Request, error: Exception) -> Response:
        """An address that is none of ours."""
        status = error.status_code if isinstance(error, HTTPException) else 500
        sentence = {
            404: "There is no such page: go back to the bench.",
            405: "This address is not for that: go back to the bench.",
            413: "That is too large to be taken: choose a smaller file.",
        }.get(status, "This could not be done: go back to the bench.")
        if request.headers.get("accept", "").startswith("text/plain"):
            return Response(sentence, status, media_type="text/plain")
        return self.page(request, "trouble.html", status, sentence=sentence)
