"""Comparing: before and after side by side, with the plots, and events to listen to."""

from dataclasses import dataclass
from functools import partial
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import BaseRoute, Route

from sigbench.bench.folder import Bench
from sigbench.errors import BenchError, SigbenchError
from sigbench.model import Samples, TakeRecord
from sigbench.page.compared import (
    CompareView,
    FigureView,
    compare_view,
    figure_views,
    figures_object,
)
from sigbench.page.drawings import Drawings, Pair, figures_of
from sigbench.page.requests import count
from sigbench.page.site import Site
from sigbench.page.stretch import (
    Stretch,
    around,
    in_parts,
    level_object,
    seconds_typed,
    wav_16_bit,
)
from sigbench.report.of_unit import drawable_take, sides, stage_runs


@dataclass(frozen=True, slots=True)
class Chosen:
    """What is held against what, as the address says; None is the default."""

    before: str | None
    after: str | None
    baseline: str | None


class ComparingPages:
    """The pages of comparing."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self._drawings = Drawings(figures_of)

    def routes(self) -> list[BaseRoute]:
        """Their addresses."""
        return [
            Route("/unit/{unit}/compare", self.compare),
            Route("/unit/{unit}/plot/{name}.svg", self.plot),
            Route("/unit/{unit}/plot/{name}.png", self.picture),
            Route("/unit/{unit}/plot/{name}.json", self.figures),
            Route("/run/{run}/take/{take}/around", self.sound),
            Route("/run/{run}/take/{take}/level", self.level),
        ]

    def compare(self, request: Request) -> Response:
        """Two stages side by side."""
        unit_id, chosen = request.path_params["unit"], chosen_in(request)
        with self.site.open_bench() as bench:
            shown = sides(
                bench,
                unit_id,
                after=chosen.after,
                before=None if chosen.baseline else chosen.before,
                baseline=chosen.baseline,
            )
            view = compare_view(bench, unit_id, shown, chosen.baseline or "")
            pair = Pair(view.unit, shown.before, shown.after)
            damage = ""
            plots: tuple[FigureView, ...] = ()
            try:
                found = self._drawings.figures(pair, partial(drawable_take, bench))
                plots = figure_views(found, shown.after)
            except SigbenchError as error:  # the readings are there all the same
                damage = str(error)
        return self.site.page(
            request,
            "compare.html",
            view=view,
            plots=plots,
            damage=damage,
            question=_question(view),
        )

    def plot(self, request: Request) -> Response:
        """A plot as SVG."""
        with self.site.open_bench() as bench:
            drawn = self._drawings.drawing(
                _pair(bench, request), partial(drawable_take, bench), request.path_params["name"]
            )
        return Response(drawn.svg, media_type="image/svg+xml")

    def picture(self, request: Request) -> Response:
        """A plot as PNG."""
        with self.site.open_bench() as bench:
            png = self._drawings.picture(
                _pair(bench, request), partial(drawable_take, bench), request.path_params["name"]
            )
        return Response(png, media_type="image/png")

    def figures(self, request: Request) -> Response:
        """The figures of a plot: its curves, and where in the drawing they are."""
        name = request.path_params["name"]
        with self.site.open_bench() as bench:
            pair, takes = _pair(bench, request), partial(drawable_take, bench)
            figure = self._drawings.figure(pair, takes, name)
            found = figures_object(figure.plot, self._drawings.drawing(pair, takes, name))
        if found is None:
            raise BenchError("This plot has no curve to read figures from: see the tables.")
        return JSONResponse(found)

    def sound(self, request: Request) -> Response:
        """What is heard around a moment of a take, as WAV."""
        record, _, samples = self._stretch(request)
        wav = wav_16_bit(samples, record.samplerate)
        return in_parts(wav, "audio/wav", request.headers.get("range"))

    def level(self, request: Request) -> Response:
        """The level of what is heard around a moment of a take."""
        record, stretch, samples = self._stretch(request)
        return JSONResponse(level_object(samples, record.samplerate, stretch))

    def _stretch(self, request: Request) -> tuple[TakeRecord, Stretch, Samples]:
        at = seconds_typed(request.query_params.get("at", ""))
        with self.site.open_bench() as bench:
            record = take_of(bench, request.path_params["run"], request.path_params["take"])
            stretch = around(record, at)
            return record, stretch, bench.stretch(record, stretch.start, stretch.frames)


def chosen_in(request: Request) -> Chosen:
    """What an address asks for."""
    asked = (request.query_params.get(name) or None for name in ("before", "after", "baseline"))
    return Chosen(*asked)


def take_of(bench: Bench, run_id: str, number: str) -> TakeRecord:
    """A take by its run and its number in it, from 0.

    Raises
    ------
    BenchError
        If there is no such run or take.
    """
    takes = bench.run(run_id).takes
    at = count(number)
    if at is None or at >= len(takes):
        raise BenchError("This run has no such take: open the comparison again.")
    return takes[at]


def _pair(bench: Bench, request: Request) -> Pair:
    """The runs whose plots are asked for; of a baseline there are none."""
    unit_id, chosen = request.path_params["unit"], chosen_in(request)
    after = stage_runs(bench, unit_id, chosen.after)
    earlier = chosen.before or bench.stages(unit_id)[0]
    alone = chosen.baseline is not None or earlier == after[0].stage
    before = () if alone else stage_runs(bench, unit_id, earlier)
    return Pair(bench.unit(unit_id), before, after)


def _question(view: CompareView) -> str:
    """What the plots of this page are asked for with."""
    earlier = {"baseline": view.baseline} if view.baseline else {"before": view.before}
    return urlencode({**earlier, "after": view.after})
