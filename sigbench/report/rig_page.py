"""The page on the equipment: its calibration, and what it does by itself."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from sigbench.model import Calibration, Reading, Rig, RigLimits, Run, readings_named
from sigbench.report.pieces import PlainTable, ReportFigure
from sigbench.report.plots import Curve, CurvePanel, CurvePlot
from sigbench.report.wording import (
    FINEST_IN_REPORT,
    channel_name,
    label,
    quantity_text,
    reading_text,
)
from sigbench.units import dbu_to_volts, true_minus

_VALUES = (
    "noise_rms",
    "noise_a",
    "noise_468",
    "hum_1x",
    "hum_2x",
    "hum_total",
    "spurs",
    "low_corner",
    "high_corner",
    "crosstalk",
)
_SHOWN_LEVELS_DBFS = (-3.0, -20.0, -60.0)  # of the tone: loud, usual, and noise alone


@dataclass(frozen=True, slots=True)
class RigPage:
    """What one rig does by itself, for the reader of a report.

    Parameters
    ----------
    title : str
        Names the equipment.
    sentences : tuple of str
        What the figures mean, and its calibration in words.
    table : PlainTable or None
        A column for each input; None where its limits were not measured.
    figures : tuple of ReportFigure
    """

    title: str
    sentences: tuple[str, ...]
    table: PlainTable | None
    figures: tuple[ReportFigure, ...]


def rig_pages(runs: Sequence[Run]) -> Iterator[RigPage]:
    """A page for each rig with a calibration or limits, the first run's first."""
    known: list[Rig] = []
    for run in runs:
        if run.rig not in known and (run.rig.limits or run.rig.calibration):
            known.append(run.rig)
    for number, rig in enumerate(known, start=1):
        yield _page(rig, number)


def _page(rig: Rig, number: int) -> RigPage:
    sentences = []
    if rig.calibration is not None:
        sentences.append(_calibration_words(rig.calibration))
    table: PlainTable | None = None
    figures: tuple[ReportFigure, ...] = ()
    if rig.limits is not None:
        sentences.append(
            f"On {rig.limits.date[:10]} the equipment was measured without an instrument: with "
            "shorted inputs, and with its outputs joined to its inputs. No instrument can be "
            "measured better than this. A reading within 6 dB of it is called rig-limited and "
            "printed as a bound: the instrument may be better than the number."
        )
        table = _table(rig.limits)
        figures = tuple(_figures(rig.limits, number))
    where = ", ".join(part for part in (rig.device, rig.description) if part)
    title = f"{where}, {rig.samplerate / 1000:g} kHz"
    return RigPage(title, tuple(sentences), table, figures)


def _calibration_words(calibration: Calibration) -> str:
    meter = calibration.meter
    kind = "true-RMS" if meter.true_rms else "average-reading"
    inputs = "; ".join(
        f"input {one.channel}: {quantity_text(one.dbu, one.uncertainty, 'dBu').text}, "
        f"{float(dbu_to_volts(one.dbu)):.3g} V RMS"
        for one in calibration.inputs
    )
    return (
        f"Calibrated on {calibration.date[:10]} at {calibration.frequency_hz:g} Hz with a {kind} "
        f"multimeter (±{meter.accuracy_percent:g} % ± {meter.digits} digits). 0 dBFS is, at "
        f"{inputs}. Levels in dBu, dBV and volts rest on this."
    )


def _table(limits: RigLimits) -> PlainTable:
    channels = sorted({r.channel for r in limits.readings if r.channel is not None})
    pair = channels == [1, 2]
    names = [channel_name(channel, pair=pair) for channel in channels]
    columns = ("Reading", *(f"{name[:1].upper()}{name[1:]}" for name in names))
    rows: list[tuple[str, ...]] = []
    for name in _VALUES:
        cells = [_cell(_first(limits, name, channel)) for channel in channels]
        if any(cells):
            rows.append((label(name).title, *(cell or "–" for cell in cells)))
        if name == "spurs":
            rows += _distortion_rows(limits, channels)
    for name in ("balance", "clock_difference", "latency"):
        for reading in readings_named(limits.readings, name):
            title = label(name).title
            if reading.channels is not None and not pair:
                title += f", channels {reading.channels[0]} and {reading.channels[1]}"
            rows.append((title, _cell(reading), *("" for _ in channels[1:])))
    return PlainTable(columns, tuple(rows))


def _distortion_rows(limits: RigLimits, channels: Sequence[int]) -> Iterator[tuple[str, ...]]:
    """Distortion and noise near three levels of the tone."""
    for wanted in _SHOWN_LEVELS_DBFS:
        cells = []
        for channel in channels:
            course = _first(limits, "thd_n_by_level", channel)
            points: list[tuple[float, float]] = (
                list(course.value) if course and isinstance(course.value, tuple) else []  # type: ignore[arg-type]
            )
            if not points:
                cells.append("–")
                continue
            level, share = min(points, key=lambda point: abs(point[0] - wanted))
            cells.append(true_minus(f"{share:.1f} dB at {level:.0f} dBFS"))
        if set(cells) != {"–"}:
            yield ("Distortion and noise (THD+N)", *cells)


def _first(limits: RigLimits, name: str, channel: int) -> Reading | None:
    return next(iter(readings_named(limits.readings, name, channel=channel)), None)


def _cell(reading: Reading | None) -> str:
    if reading is None:
        return ""
    parts = reading_text(reading, finest=FINEST_IN_REPORT)
    if reading.name == "high_corner" and reading.value is None:
        return "above the highest tone measured"
    if reading.value is None and reading.why:
        return reading.why
    return parts.text


def _figures(limits: RigLimits, number: int) -> Iterator[ReportFigure]:
    described = (
        (
            "thd_n_by_level",
            "distortion and noise of the equipment",
            "Level of the tone at the input (dBFS)",
            "dB",
            False,
            "The lower the better. On the left the noise decides, on the right the distortion.",
        ),
        (
            "response",
            "frequency response of the equipment",
            "Frequency (Hz)",
            "dB re 1 kHz",
            True,
            "Output and input together. A flat line is what an instrument's response is read on.",
        ),
    )
    for name, title, x_label, y_label, logarithmic, caption in described:
        courses = [r for r in readings_named(limits.readings, name) if r.value]
        panels = []
        for course in courses[:2]:
            points = np.asarray(course.value, dtype=np.float64)
            points = points[np.argsort(points[:, 0])]
            channel = channel_name(course.channel, pair=len(courses) == 2)
            curve = Curve(points[:, 0], points[:, 1])
            panels.append(CurvePanel(f"{channel[:1].upper()}{channel[1:]}", None, curve))
        if panels:
            yield ReportFigure(
                name=f"rig{number}-{name.replace('_', '-')}",
                title=f"{title[:1].upper()}{title[1:]}",
                caption=caption,
                alt=f"Plot. {title[:1].upper()}{title[1:]}. {caption}",
                plot=CurvePlot(tuple(panels), "", "equipment", x_label, y_label, logarithmic),
            )
