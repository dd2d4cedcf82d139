"""Plots of a control that was turned: made from its takes, for readings do not hold all of it."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from sigbench.checks.pot import listen
from sigbench.measure.taper import Taper, taper_named
from sigbench.measure.travel import Gang, Turning, turnings
from sigbench.measure.wear import Stretch
from sigbench.model import CheckSettings, Take
from sigbench.report.plots import Curve, CurvePanel, CurvePlot, Plot, WearPanel, WearPlot, WearSide


@dataclass(frozen=True, slots=True)
class TurnedTwice:
    """What the takes of both stages show, one entry a shaft; travel by one law for both."""

    before: tuple[Turning, ...]
    after: tuple[Turning, ...]


def turned_twice(
    before: Take | None, after: Take | None, settings: CheckSettings
) -> TurnedTwice | None:
    """The turned controls of both stages; None where neither take holds one.

    Where the law was not told, that of the later stage is taken for both, so that a percent of
    travel is the same place in both.
    """
    told = None if settings.taper is None else taper_named(settings.taper)
    later = _turned(after, told)
    earlier = _turned(before, told or (later[0].taper if later else None))
    return TurnedTwice(earlier, later) if earlier or later else None


def _turned(take: Take | None, taper: Taper | None) -> tuple[Turning, ...]:
    if take is None:
        return ()
    return turnings(listen(take), taper=taper)


def turned_plots(
    found: TurnedTwice, before_name: str, after_name: str, title: Callable[[int], str], most: int
) -> Iterator[tuple[str, str, Plot]]:
    """Title, caption and plot: wear along the travel, the course of the level, the gang error.

    Parameters
    ----------
    title : callable
        Gives the name of a channel.
    most : int
        Channels that are drawn.
    """
    names = before_name, after_name
    law = _law_words(found)
    yield from _wear(found, names, title, most, law)
    yield from _taper(found, names, title, law)
    yield from _gang_error(found, names, law)


def _law_words(found: TurnedTwice) -> str:
    shown = (found.after or found.before)[0]
    guessed = "" if shown.told else ", guessed from the turning"
    return f"Travel is counted by one law for all: {shown.taper.name}{guessed}."


def _wear(
    found: TurnedTwice,
    names: tuple[str, str],
    title: Callable[[int], str],
    most: int,
    law: str,
) -> Iterator[tuple[str, str, Plot]]:
    sides = _gangs(found.before), _gangs(found.after)
    channels = sorted(set(sides[0]) | set(sides[1]))[:most]
    panels = tuple(
        WearPanel(title(channel), *(_side(side.get(channel)) for side in sides))
        for channel in channels
    )
    yield (
        "crackle along the control's way, pass by pass",
        "Each line is one pass of the control from one end to the other, laid over one another by "
        "place. A stroke is a crackle; the taller, the stronger. Where nearly every pass crackles "
        "the track is worn or dirty; a stroke of a single pass is chance. " + law,
        WearPlot(panels, *names),
    )


def _gangs(turned: tuple[Turning, ...]) -> dict[int, Gang]:
    return {gang.channel: gang for one in turned for gang in one.gangs}


def _side(gang: Gang | None) -> WearSide | None:
    if gang is None:
        return None
    wear = gang.wear
    return WearSide(wear.edges, wear.crossed, wear.level, _ends(gang.worn), _ends(gang.dead))


def _ends(stretches: tuple[Stretch, ...] | None) -> tuple[tuple[float, float], ...] | None:
    return None if stretches is None else tuple((s.start, s.end) for s in stretches)


def _taper(
    found: TurnedTwice, names: tuple[str, str], title: Callable[[int], str], law: str
) -> Iterator[tuple[str, str, Plot]]:
    """Level over the time spent turning: where a hand turns evenly, time is travel."""
    by_channels = {one.channels: one for one in found.before}
    later = {one.channels: one for one in found.after}
    panels = []
    for channels in dict.fromkeys([*later, *by_channels]):
        before, after = (_dwell(side.get(channels)) for side in (by_channels, later))
        if before is None and after is None:
            continue
        alone = len(later or by_channels) == 1
        name = "" if alone else " and ".join(filter(None, (title(c) for c in channels)))
        told = (later.get(channels) or by_channels[channels]).taper
        panels.append(CurvePanel(name, before, after, reference=_law_curve(told)))
    if panels:
        yield (
            "taper: level along the control's way",
            "How the level grows from the lower end to the upper one. It is drawn against the time "
            "that a pass took until there: where the hand turned evenly, that is the travel. "
            "0 dB is the level at the upper end. " + law,
            CurvePlot(
                tuple(panels), *names, "Part of a pass's time (%)", "Level (dB)", False,
                reference_name="the law", x_range=(0.0, 100.0),
            ),
        )  # fmt: skip


def _dwell(turned: Turning | None) -> Curve | None:
    if turned is None or not turned.dwell:
        return None
    level, time = np.array(turned.dwell).T
    return Curve(time, level)


def _law_curve(taper: Taper) -> Curve:
    """The law, as far down as the time spent turning is known."""
    x = np.linspace(0.0, 1.0, 201)
    level = 20 * np.log10(np.maximum(taper.amplitude(x), 1e-9))
    shown = level > -40.0
    return Curve(100 * x[shown], level[shown])


def _gang_error(
    found: TurnedTwice, names: tuple[str, str], law: str
) -> Iterator[tuple[str, str, Plot]]:
    before, after = (
        next((_errors(one) for one in side if one.gang_error), None)
        for side in (found.before, found.after)
    )
    if before is not None or after is not None:
        yield (
            "left against right along the control's way",
            "A line at 0 dB means that both channels follow the control alike. " + law,
            CurvePlot(
                (CurvePanel("", before, after),), *names, "Travel of the control (%)",
                "Left − right (dB)", False, x_range=(0.0, 100.0),
            ),
        )  # fmt: skip


def _errors(turned: Turning) -> Curve:
    places = np.array([place for place, _ in turned.gang_error])
    return Curve(places, np.array([error.value for _, error in turned.gang_error]))
