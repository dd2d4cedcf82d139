"""The application: the addresses of all pages."""

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles

from sigbench.errors import SigbenchError
from sigbench.page.bench import BenchPages
from sigbench.page.comparing import ComparingPages
from sigbench.page.desk import Desk
from sigbench.page.measuring import MeasuringPages
from sigbench.page.recordings import RecordingPages
from sigbench.page.reporting import ReportPages
from sigbench.page.rig import RigPages
from sigbench.page.site import HERE, Site
from sigbench.page.unit import UnitPages

PAGES = (
    BenchPages,
    UnitPages,
    MeasuringPages,
    RecordingPages,
    ComparingPages,
    ReportPages,
    RigPages,
)


def application(desk: Desk) -> Starlette:
    """The application over a desk, without its guard."""
    site = Site(desk)
    routes = [route for pages in PAGES for route in pages(site).routes()]
    return Starlette(
        routes=[*routes, Mount("/static", StaticFiles(directory=HERE / "static"))],
        exception_handlers={SigbenchError: site.trouble, HTTPException: site.no_page},
    )
