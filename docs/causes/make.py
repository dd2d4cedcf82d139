"""Draw what each cause does to a circuit, beside a good one: run by hand, from anywhere.

    python docs/causes/make.py [CAUSE ...]
    python docs/causes/make.py tables

The tables of the pages are brought up to date as well. Needs ngspice. The circuits are those of
`sigbench.circuits`; the drawings are the same each time.
"""

import io
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from sigbench.causes.clues import CLUES
from sigbench.causes.records import RECORDS, Record
from sigbench.circuits.instrument import Parts, Tone, netlist, programme
from sigbench.circuits.spice import response, transient
from sigbench.circuits.states import FAULTY, GOOD
from sigbench.circuits.takes import SAMPLERATE
from sigbench.circuits.takes import record as takes_of
from sigbench.report.plots import INK, STYLE

PAGES = Path(__file__).parent
INCHES = (7.0, 2.3)
DOTS_PER_INCH = 160
GREYS = 16
PALE_INK = "#b4b4b4"
TABLE, AFTER_TABLE = "## What shows it", "## What else looks like it"

Drawing = Callable[[str, Axes], None]


def main(wanted: list[str]) -> None:
    """Draw the named causes, or all, and bring the tables of their pages up to date."""
    for record in RECORDS:
        path = page(record.key)
        text = path.read_text(encoding="utf-8")
        start, end = text.index(TABLE), text.index(AFTER_TABLE)
        path.write_text(text[:start] + table(record) + "\n" + text[end:], encoding="utf-8")
    for key in () if wanted == ["tables"] else wanted or DRAWINGS:
        panels = DRAWINGS[key]
        with mpl.rc_context(STYLE):
            figure = Figure(figsize=INCHES, layout="constrained")
            FigureCanvasAgg(figure)
            for axes, draw in zip(
                np.atleast_1d(figure.subplots(1, len(panels))), panels, strict=True
            ):
                draw(key, axes)
            drawn = io.BytesIO()
            figure.savefig(drawn, format="png", dpi=DOTS_PER_INCH)
        path = page(key).with_suffix(".png")
        Image.open(drawn).convert("L").quantize(GREYS).save(path, optimize=True)
        print(path.name)


def page(key: str) -> Path:
    """The page of a cause."""
    return PAGES / f"{key.replace(' ', '-')}.md"


def table(record: Record) -> str:
    """What a cause does to which clue, as its page shows it."""
    rows = [f"| {CLUES[e.clue][0]} | {e.often} | {e.why} |" for e in record.effects]
    return "\n".join([TABLE, "| seen | how often | why |", "| --- | --- | --- |", *rows, ""])


Line = dict[str, Any]


def _both(key: str) -> tuple[tuple[Parts, Line], ...]:
    """The two circuits, and how each is drawn: the good one thinly, on top."""
    faulty = FAULTY[key]
    good = replace(GOOD, opening=faulty.opening and replace(faulty.opening, ohms=0.05))
    return (
        (good, {"color": PALE_INK, "label": "good", "linewidth": 0.8, "zorder": 3}),
        (faulty, {"color": INK, "label": "faulty", "linewidth": 1.6}),
    )


def _volts(parts: Parts, nodes: list[str]) -> tuple[np.ndarray, tuple[Tone, ...]]:
    tones = programme(parts)
    end = tones[-1].start + tones[-1].seconds + 0.001
    return transient(netlist(parts), nodes, seconds=end, samplerate=SAMPLERATE), tones


def _label(axes: Axes, x: str, y: str, title: str) -> None:
    axes.set_xlabel(x)
    axes.set_ylabel(y)
    axes.set_title(title)
    axes.legend(loc="best", frameon=False, fontsize=6)


def waves(tone: str, output: str, title: str, *, direct: bool = True) -> Drawing:
    """Some periods of a note, in volts at the jack; `direct` keeps direct voltage."""

    def draw(key: str, axes: Axes) -> None:
        for parts, line in _both(key):
            volts, tones = _volts(parts, [f"v({output}_l)-v(ground_{output})"])
            (at,) = (t for t in tones if t.name == tone)
            frames = round(3.2 / (at.hertz or 50.0) * SAMPLERATE)
            whole = volts[_frames(tones, tone), 0]
            shown = whole[:frames] if direct else whole[:frames] - whole.mean()
            axes.plot(1000 * np.arange(frames) / SAMPLERATE, shown, **line)
        _label(axes, "ms", "V", title)

    return draw


def node(name: str, title: str) -> Drawing:
    """A voltage inside the unit against time, with nothing played."""

    def draw(key: str, axes: Axes) -> None:
        for parts, line in _both(key):
            volts, tones = _volts(parts, [f"v({name})"])
            piece = volts[_frames(tones, "idle")][::24, 0]
            axes.plot(24_000 * np.arange(len(piece)) / SAMPLERATE, piece, **line)
        _label(axes, "ms", "V", title)

    return draw


def while_open(name: str, title: str, *, peaks: bool = True) -> Drawing:
    """A voltage while a contact opens; of a note the peaks, period by period."""

    def draw(key: str, axes: Axes) -> None:
        for parts, line in _both(key):
            volts, tones = _volts(parts, [f"v({name})"])
            piece = volts[_frames(tones, "held")][:21_600, 0]  # 0.45 s
            hop = 120  # 2.5 ms
            rows = piece[: len(piece) // hop * hop].reshape(-1, hop)
            shown = np.ptp(rows, axis=1) / 2 if peaks else rows.mean(axis=1)
            axes.plot(1000 * hop * np.arange(len(shown)) / SAMPLERATE, shown, **line)
        axes.set_ylim(bottom=0)
        _label(axes, "ms", "V peak" if peaks else "V", title)

    return draw


def left_over(tone: str, output: str, title: str) -> Drawing:
    """Some periods of what is left when a note's fundamental and mean are taken out."""

    def draw(key: str, axes: Axes) -> None:
        for parts, line in _both(key):
            volts, tones = _volts(parts, [f"v({output}_l)-v(ground_{output})"])
            (at,) = (t for t in tones if t.name == tone)
            piece = volts[_frames(tones, tone), 0]
            spectrum = np.fft.rfft(piece)
            spectrum[[0, round(at.hertz * at.seconds)]] = 0
            frames = round(3.2 / at.hertz * SAMPLERATE)
            rest = 1000 * np.fft.irfft(spectrum, len(piece))[:frames]
            axes.plot(1000 * np.arange(frames) / SAMPLERATE, rest, **line)
        _label(axes, "ms", "mV", title)

    return draw


def _frames(tones: tuple[Tone, ...], name: str) -> slice:
    (at,) = (t for t in tones if t.name == name)
    first = round(at.start * SAMPLERATE)
    return slice(first, first + round(at.seconds * SAMPLERATE))


def idle(
    output: str, title: str, *, top: float = 1000.0, bottom: float = 30.0, name: str = "idle"
) -> Drawing:
    """Spectrum of the idle noise, in dBFS of each line; the highest of each narrow band."""

    def draw(key: str, axes: Axes) -> None:
        for parts, line in _both(key):
            take = takes_of(parts, np.random.default_rng(1)).takes[output, name]
            x = take.samples[:, 0]
            window = np.hanning(len(x))
            lines = 2 * np.abs(np.fft.rfft(x * window)) / window.sum()
            hertz = np.fft.rfftfreq(len(x), 1 / SAMPLERATE)
            edges = np.geomspace(bottom, top, 361)
            place = np.digitize(hertz, edges)
            level = [lines[place == k].max() for k in range(1, 361) if (place == k).any()]
            at = [np.sqrt(edges[k - 1] * edges[k]) for k in range(1, 361) if (place == k).any()]
            axes.semilogx(at, 20 * np.log10(level), **line)
        axes.xaxis.set_major_formatter(lambda hz, _: f"{hz:g}")
        _label(axes, "Hz", "dBFS", title)

    return draw


def against_frequency(output: str, title: str) -> Drawing:
    """Level at the jack against frequency, re 1 kHz of the good one."""

    def draw(key: str, axes: Axes) -> None:
        hertz = np.geomspace(20, 10_000, 120)
        reference = None
        for parts, line in _both(key):
            circuit = netlist(parts, tones=())
            gain = np.abs(response(circuit, [f"v({output}_l)-v(ground_{output})"], hertz)[:, 0])
            reference = np.interp(1000, hertz, gain) if reference is None else reference
            axes.semilogx(hertz, 20 * np.log10(gain / reference), **line)
        axes.xaxis.set_major_formatter(lambda hz, _: f"{hz:g}")
        _label(axes, "Hz", "dB", title)

    return draw


def course(output: str, name: str, title: str, *, seconds: float = 12.0) -> Drawing:
    """Level against time of a take made with hands."""

    def draw(key: str, axes: Axes) -> None:
        for parts, line in _both(key):
            take = takes_of(parts, np.random.default_rng(1)).takes[output, name]
            x = take.samples[: round(seconds * SAMPLERATE), 0]
            hop = 240  # 5 ms
            rows = x[: len(x) // hop * hop].reshape(-1, hop)
            level = 10 * np.log10(2 * np.mean(rows**2, axis=1) + 1e-12)
            axes.plot(np.arange(len(level)) * hop / SAMPLERATE, level, **line)
        _label(axes, "s", "dBFS", title)

    return draw


DRAWINGS: dict[str, tuple[Drawing, ...]] = {
    "reservoir": (
        node("rawp", "Voltage of the reservoir, idle"),
        idle("main", "Idle noise at the main output"),
    ),
    "diode": (
        node("rawp", "Voltage of the reservoir, idle"),
        idle("main", "Idle noise at the main output"),
    ),
    "rail missing": (
        waves("loud", "main", "Loud note at the main output"),
        waves("quiet", "main", "The same note, quiet", direct=False),
    ),
    "rail low": (
        waves("loud", "main", "Loud note at the main output"),
        waves("quiet", "main", "The same note, quiet", direct=False),
    ),
    "rail high": (node("vcc", "Voltage of the rail, idle"),),
    "oscillation": (
        idle("main", "Idle noise at the main output", top=20_000.0),
        idle("phones", "The same at the headphones", top=20_000.0),
    ),
    "regulator joint": (
        while_open("vcc", "Voltage of the rail while the joint opens", peaks=False),
        while_open("phones_l", "The note at the headphones meanwhile"),
    ),
    "coupling lost": (
        against_frequency("main", "Level at the main output"),
        waves("low", "main", "Low note at the main output"),
    ),
    "coupling leaky": (
        waves("loud", "phones", "Loud note at the headphones"),
        waves("idle", "phones", "No note"),
    ),
    "series resistance": (
        against_frequency("main", "Level at the main output"),
        waves("loud", "main", "Loud note at the main output"),
    ),
    "mute": (
        waves("loud", "main", "Loud note at the main output"),
        waves("quiet", "main", "The same note, quiet", direct=False),
    ),
    "stuck": (
        waves("loud", "main", "Loud note at the main output", direct=False),
        node("oml", "The amplifier itself, no note"),
    ),
    "off centre": (
        waves("loud", "main", "Loud note at the main output", direct=False),
        waves("quiet", "main", "The same note, quiet", direct=False),
    ),
    "crossover": (
        waves("quiet", "phones", "Quiet note at the headphones", direct=False),
        left_over("quiet", "phones", "The same without its fundamental"),
    ),
    "jack": (
        while_open("main_l", "The note at the main output, left"),
        while_open("main_r", "The note at the main output, right"),
    ),
    "sleeve": (
        idle("main", "Idle noise at the main output"),
        idle("phones", "The same at the headphones"),
    ),
    "loose sleeve": (course("main", "jack", "Level while the jack is moved", seconds=6.0),),
    "pot": (course("main", "pot", "Level while the volume is turned: down and up, twice"),),
    "inverter": (
        idle("main", "Idle noise at the main output", top=6000.0),
        idle("phones", "The same at the headphones", top=6000.0),
    ),
    "noisy": (
        idle("main", "Idle noise at the main output, left", top=20_000.0),
        idle("main", "The same with the volume down", top=20_000.0, name="down"),
    ),
    "noisy source": (
        idle("main", "Idle noise at the main output, left", top=20_000.0),
        idle("main", "The same with the volume down", top=20_000.0, name="down"),
    ),
    "ground loop": (
        idle("main", "Idle noise at the main output"),
        idle("phones", "The same at the headphones"),
    ),
    "voice": (
        waves("loud", "main", "Loud note at the main output"),
        waves("quiet", "main", "The same note, quiet", direct=False),
    ),
}

if __name__ == "__main__":
    main(sys.argv[1:])
