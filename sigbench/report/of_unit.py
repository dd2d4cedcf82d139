"""The report on a unit of the bench folder: collects what `build_content` needs."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from sigbench import __version__
from sigbench.baseline import compare_with_baseline, stored_baseline
from sigbench.bench.folder import Bench
from sigbench.causes.of_unit import causes_of, others
from sigbench.checks import is_long
from sigbench.compare import compare_stages, latest_runs
from sigbench.errors import BenchError, FileError
from sigbench.model import Run, StageComparison, Take, TakeRecord
from sigbench.report.content import build_content
from sigbench.report.photo import Photo, prepare_photo
from sigbench.report.private import PrivatePages, private_pages
from sigbench.report.render import FORMS, Form, render


@dataclass(frozen=True, slots=True)
class Sides:
    """What is held against what: the runs of the earlier stage and of the later one.

    Against a baseline `before` is empty. Without a comparison the later stage stands alone.
    """

    before: tuple[Run, ...]
    after: tuple[Run, ...]
    comparison: StageComparison | None


def sides(
    bench: Bench,
    unit_id: str,
    *,
    after: str | None = None,
    before: str | None = None,
    baseline: str | None = None,
) -> Sides:
    """The runs of two stages of a unit, or of one and a baseline, and their comparison.

    Parameters
    ----------
    after : str or None
        The later stage; the unit's last one by default.
    before : str or None
        The earlier stage; by default the unit's first one, if it is another.
    baseline : str or None
        Name of a stored baseline, instead of an earlier stage.

    Raises
    ------
    BenchError
        If the unit has not been measured, or there is no such stage or baseline.
    """
    later_runs = stage_runs(bench, unit_id, after)
    later = later_runs[0].stage
    if baseline is not None:
        known = stored_baseline(bench, baseline)
        return Sides((), later_runs, compare_with_baseline(later_runs, known, name=later))
    earlier = before or bench.stages(unit_id)[0]
    if earlier == later:
        return Sides((), later_runs, None)
    earlier_runs = stage_runs(bench, unit_id, earlier)
    compared = compare_stages(earlier_runs, later_runs, before_name=earlier, after_name=later)
    return Sides(earlier_runs, later_runs, compared)


def unit_report(
    bench: Bench,
    unit_id: str,
    shown: Sides,
    *,
    made: str,
    forms: Iterable[Form] = FORMS,
    photo: Path | None = None,
    not_measured: Sequence[str] = (),
    private: bool = False,
) -> dict[str, bytes]:
    """The report on a unit.

    Parameters
    ----------
    made : str
        Date of the report, ISO 8601.
    photo : Path or None
        A photo of the unit; by default the one in the bench folder, if there is one.
    not_measured : sequence of str
        Further things that were not measured.
    private : bool
        Make the private edition, with causes and notes.

    Returns
    -------
    dict of str to bytes
        File names and contents.
    """
    content = build_content(
        bench.unit(unit_id),
        shown.after,
        before=shown.before,
        comparison=shown.comparison,
        takes=lambda record: drawable_take(bench, record),
        made=made,
        photo=_photo(photo or bench.photo(unit_id)),
        not_measured=not_measured,
        version=__version__,
        private=_private(bench, unit_id, shown) if private else None,
    )
    return render(content, forms, name="private" if private else "report")


def _private(bench: Bench, unit_id: str, shown: Sides) -> PrivatePages:
    units = others(bench.units(), unit_id)
    ranked = [
        (runs[0].stage, ranking)
        for runs in (shown.before, shown.after)
        if (ranking := causes_of(runs, units)) is not None
    ]
    return private_pages(bench.unit(unit_id), ranked)


def stage_runs(bench: Bench, unit_id: str, stage: str | None) -> tuple[Run, ...]:
    """The last run of each step at a stage of a unit; None is its last stage.

    Raises
    ------
    BenchError
        If it has not been measured at all, or not at that stage.
    """
    stages = bench.stages(unit_id)
    if not stages:
        raise BenchError(f"'{unit_id}' has not been measured yet: run its plan first.")
    stage = stage or stages[-1]
    runs = bench.runs(unit_id, stage)
    if not runs:
        raise BenchError(f"'{unit_id}' has no runs of the stage '{stage}'.")
    return tuple(latest_runs(runs).values())


def drawable_take(bench: Bench, record: TakeRecord) -> Take | None:
    """The audio of a stored take, to be drawn; None where there is none, or hours of it.

    Raises
    ------
    BenchError
        If the file is damaged.
    """
    # A report can do without the drawing of a take whose file was removed to save space; one
    # that is there but altered must not pass.
    if not (bench.folder / record.path).exists():
        return None
    if is_long(record.frames, record.channels):
        bench.long_take(record)  # verified all the same; hours make no drawing
        return None
    return bench.read_take(record)


def _photo(path: Path | None) -> Photo | None:
    if path is None:
        return None
    try:
        data = path.read_bytes()
    except OSError as exc:
        raise FileError(
            f"The photo {path} cannot be read ({exc.strerror or exc}): check it."
        ) from exc
    return prepare_photo(data, "")
