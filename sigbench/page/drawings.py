"""The plots of two stages, worked out once and kept while pages come and go."""

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from threading import RLock

from sigbench.errors import BenchError
from sigbench.model import Run, Unit
from sigbench.report.content import TakeLookup, stage_figures
from sigbench.report.pieces import ReportFigure
from sigbench.report.plots import Drawing, drawing

KEPT = 6  # pairs of stages whose plots are held; those looked at last


@dataclass(frozen=True, slots=True)
class Pair:
    """The runs of an earlier stage, if there is one, and of a later one.

    Runs never change, so that equal pairs have equal plots.
    """

    unit: Unit
    before: tuple[Run, ...]
    after: tuple[Run, ...]

    @property
    def names(self) -> tuple[str, str]:
        """Of both stages; without an earlier one its name is empty."""
        return self.before[0].stage if self.before else "", self.after[0].stage


@dataclass(slots=True)
class _Drawn:
    figures: tuple[ReportFigure, ...]
    drawings: dict[str, Drawing] = field(default_factory=dict)
    pictures: dict[str, bytes] = field(default_factory=dict)


class Drawings:
    """The plots of the pairs that were looked at last.

    Parameters
    ----------
    find : callable
        Gives the plots of a pair, from the audio of its takes.
    """

    def __init__(self, find: Callable[[Pair, TakeLookup], tuple[ReportFigure, ...]]) -> None:
        self._find = find
        self._lock = RLock()  # a page asks for all its plots at once
        self._known: OrderedDict[Pair, _Drawn] = OrderedDict()

    def figures(self, pair: Pair, takes: TakeLookup) -> tuple[ReportFigure, ...]:
        """The plots of a pair, not drawn yet.

        Raises
        ------
        BenchError
            If a take is damaged.
        """
        return self._drawn(pair, takes).figures

    def figure(self, pair: Pair, takes: TakeLookup, name: str) -> ReportFigure:
        """One plot, not drawn yet.

        Raises
        ------
        BenchError
            If there is none of that name, or a take is damaged.
        """
        for figure in self.figures(pair, takes):
            if figure.name == name:
                return figure
        raise BenchError("There is no such plot: open the comparison again.")

    def drawing(self, pair: Pair, takes: TakeLookup, name: str) -> Drawing:
        """One plot, drawn; raises as `figure` does."""
        with self._lock:
            figure, known = self.figure(pair, takes, name), self._drawn(pair, takes)
            if name not in known.drawings:
                known.drawings[name] = drawing(figure.plot, figure.name)
            return known.drawings[name]

    def picture(self, pair: Pair, takes: TakeLookup, name: str) -> bytes:
        """One plot as PNG; raises as `figure` does."""
        from sigbench.report.pdf import picture

        with self._lock:
            svg, known = self.drawing(pair, takes, name).svg, self._drawn(pair, takes)
            if name not in known.pictures:
                known.pictures[name] = picture(svg)
            return known.pictures[name]

    def _drawn(self, pair: Pair, takes: TakeLookup) -> _Drawn:
        with self._lock:
            if pair not in self._known:
                self._known[pair] = _Drawn(self._find(pair, takes))
            self._known.move_to_end(pair)
            while len(self._known) > KEPT:
                self._known.popitem(last=False)
            return self._known[pair]


def figures_of(pair: Pair, takes: TakeLookup) -> tuple[ReportFigure, ...]:
    """The plots of a pair as the report has them."""
    before_name, after_name = pair.names
    return stage_figures(
        pair.unit,
        pair.after,
        before=pair.before,
        takes=takes,
        before_name=before_name,
        after_name=after_name,
    )
