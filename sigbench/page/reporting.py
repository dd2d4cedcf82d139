"""The report on a unit: choose what goes in, look at it, and save it."""

import hashlib
from collections import OrderedDict
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as NotYet
from dataclasses import dataclass
from datetime import date
from threading import Lock
from urllib.parse import quote, urlencode

from starlette.datastructures import QueryParams
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from sigbench.bench.folder import Bench
from sigbench.errors import RequestError
from sigbench.page.site import Site
from sigbench.report.of_unit import Sides, sides, unit_report
from sigbench.report.private import WARNING

MOST_KEPT = 4
"""Reports that stay in memory; each is some hundred kilobytes."""
MOST_LINES = 20
MOST_LINE = 300
AT_ONCE_SECONDS = 1.0
"""A page waits so long for its report before it says that it is being written."""

# The report runs nothing and fetches nothing, whatever stood in the names and notes it shows.
PREVIEW_POLICY = (
    "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'"
)

Files = dict[str, bytes]
Made = Future[Files]

STAGE, BASELINE, NONE = "stage", "baseline", "none"


@dataclass(frozen=True, slots=True)
class Choice:
    """What goes into a report.

    Parameters
    ----------
    after : str
        The later stage.
    against : str
        What it is held against: ``stage:`` or ``baseline:`` and its name, or ``none``.
    not_measured : tuple of str
        Things to say were not measured.
    private : bool
    """

    after: str
    against: str
    not_measured: tuple[str, ...] = ()
    private: bool = False

    @property
    def query(self) -> str:
        """As it stands in an address."""
        return urlencode(
            {
                "after": self.after,
                "against": self.against,
                "not_measured": "\n".join(self.not_measured),
                "edition": "private" if self.private else "buyer",
                "make": 1,
            }
        )


@dataclass(frozen=True, slots=True)
class SavedFile:
    """A file of a report: its name among them, what it is in words, and how large."""

    name: str
    words: str
    kilobytes: int


class Reports:
    """The reports made last, in memory alone; each is made once, one at a time."""

    def __init__(self) -> None:
        self._made: OrderedDict[str, Made] = OrderedDict()
        self._lock = Lock()
        # One thread: the drawings are made with a library that is at home in one at a time.
        self._maker = ThreadPoolExecutor(1, thread_name_prefix="report")

    def of(self, key: str, make: Callable[[], Files]) -> Made:
        """The report of a key, being made if it is not there; one that failed is tried anew."""
        with self._lock:
            known = self._made.pop(key, None)
            if known is None or (known.done() and known.exception() is not None):
                known = self._maker.submit(make)
            self._made[key] = known
            while len(self._made) > MOST_KEPT:
                self._made.popitem(last=False)
            return known

    def __len__(self) -> int:
        return len(self._made)


class ReportPages:
    """The pages of a unit's report."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.reports = Reports()

    def routes(self) -> list[BaseRoute]:
        """Their addresses."""
        return [
            Route("/unit/{unit}/report", self.report),
            Route("/unit/{unit}/report/preview", self.preview),
            Route("/unit/{unit}/report/file/{name}", self.file),
        ]

    def report(self, request: Request) -> Response:
        """What goes in; and what came of it, or that it is being written."""
        unit_id, query = request.path_params["unit"], request.query_params
        with self.site.open_bench() as bench:
            unit, stages = bench.unit(unit_id), bench.stages(unit_id)
            baselines = [one.name for one in bench.baselines()]
            choice = choice_of(query, stages, baselines)
            shown = {"unit_id": unit_id, "unit": unit, "stages": stages, "baselines": baselines}
            shown |= {"choice": choice, "warning": WARNING, "files": None, "waiting": False}
            if "make" in query:
                made = self._made(bench, unit_id, choice)
        if "make" in query:
            try:
                shown["files"] = saved_files(made.result(AT_ONCE_SECONDS))
            except NotYet:
                shown["waiting"] = True
        return self.site.page(request, "report.html", **shown)

    def preview(self, request: Request) -> Response:
        """The report as HTML, to be shown in a frame."""
        files = self._files(request)
        name = next(name for name in files if name.endswith(".html"))
        headers = {"Content-Security-Policy": PREVIEW_POLICY}
        return Response(files[name], media_type="text/html", headers=headers)

    def file(self, request: Request) -> Response:
        """A file of the report, to be saved."""
        files, name = self._files(request), request.path_params["name"]
        if name not in files:
            raise HTTPException(404)
        saved = quote(f"{request.path_params['unit']}-{name}", safe="")
        headers = {
            "Content-Disposition": f"attachment; filename*=UTF-8''{saved}",
            "Content-Security-Policy": PREVIEW_POLICY,
        }
        kinds = {"pdf": "application/pdf", "html": "text/html", "png": "image/png"}
        return Response(files[name], media_type=kinds[name.rpartition(".")[2]], headers=headers)

    def _files(self, request: Request) -> Files:
        unit_id = request.path_params["unit"]
        with self.site.open_bench() as bench:
            names = [one.name for one in bench.baselines()]
            choice = choice_of(request.query_params, bench.stages(unit_id), names)
            made = self._made(bench, unit_id, choice)
        return made.result()

    def _made(self, bench: Bench, unit_id: str, choice: Choice) -> Made:
        shown, today = sides_of(bench, unit_id, choice), date.today().isoformat()

        def make() -> Files:
            with self.site.open_bench() as own:
                return unit_report(
                    own,
                    unit_id,
                    shown,
                    made=today,
                    not_measured=choice.not_measured,
                    private=choice.private,
                )

        return self.reports.of(_key(bench, unit_id, choice, shown, today), make)


def choice_of(query: QueryParams, stages: list[str], baselines: list[str]) -> Choice:
    """What was chosen; by default the last stage against the first, for the buyer.

    Raises
    ------
    RequestError
        If there is no such stage or baseline, or more is to be said than fits.
    """
    if not stages:
        raise RequestError("This unit has not been measured yet: measure it first.")
    after = query.get("after", stages[-1])
    usual = NONE if after == stages[0] else f"{STAGE}:{stages[0]}"
    against = query.get("against", usual)
    kind, _, name = against.partition(":")
    known = {STAGE: stages, BASELINE: baselines}.get(kind, [])
    if after not in stages or (against != NONE and name not in known):
        raise RequestError("There is no such stage or baseline of this unit: choose again.")
    if against == f"{STAGE}:{after}":
        raise RequestError("A stage is not held against itself: choose an earlier one, or none.")
    lines = [" ".join(line.split()) for line in query.get("not_measured", "").splitlines()]
    not_measured = tuple(line for line in lines if line)
    if len(not_measured) > MOST_LINES or any(len(line) > MOST_LINE for line in not_measured):
        raise RequestError(f"That is too much to say: {MOST_LINES} lines of {MOST_LINE} signs fit.")
    return Choice(after, against, not_measured, query.get("edition") == "private")


def sides_of(bench: Bench, unit_id: str, choice: Choice) -> Sides:
    """The runs that go into a report, and their comparison.

    Raises
    ------
    BenchError, RequestError
        As of `sigbench.report.of_unit.sides`.
    """
    kind, _, name = choice.against.partition(":")
    if kind == BASELINE:
        return sides(bench, unit_id, after=choice.after, baseline=name)
    before = name if kind == STAGE else choice.after  # against itself: it stands alone
    return sides(bench, unit_id, after=choice.after, before=before)


def saved_files(files: Files) -> tuple[SavedFile, ...]:
    """The files of a report as they are offered."""
    words = {"pdf": "PDF", "html": "HTML, one file"}

    def described(name: str) -> str:
        stem, _, suffix = name.rpartition(".")
        return words.get(suffix) or f"Page {stem.rpartition('-')[2]} as a picture (PNG)"

    return tuple(
        SavedFile(name, described(name), max(1, round(len(data) / 1000)))
        for name, data in files.items()
    )


def _key(bench: Bench, unit_id: str, choice: Choice, shown: Sides, today: str) -> str:
    """A hash of all that a report is made of, so that none is shown that is out of date."""
    photo = bench.photo(unit_id)
    found = [(unit.maker, unit.model, unit.found) for unit in bench.units().values()]
    stated = (unit_id, choice, today, bench.unit(unit_id), shown, found if choice.private else ())
    return hashlib.sha256(
        repr(stated).encode() + (b"" if photo is None else photo.read_bytes())
    ).hexdigest()
