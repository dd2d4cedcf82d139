"""What is plugged into what at each step of a rig's day: in words, and drawn as an SVG.

The drawing takes its colours from the page that it stands in (``currentColor`` and the classes
``cable``, ``lead`` and ``pilot``), so that it reads in light and dark; it has no styles of its own.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from xml.sax.saxutils import escape

from sigbench.model import RigSetup

Kind = Literal["sources", "loop", "meter", "shorted"]

WIDTH = 440
TOP, ROW = 112, 48  # of the first row of jacks, and from one to the next
LEFT_EDGE, RIGHT_EDGE = 128, 312  # of the boxes, where the jacks are
LONGEST_NAME = 34  # characters that fit in


@dataclass(frozen=True, slots=True)
class Plugging:
    """What is plugged in at a step.

    Parameters
    ----------
    kind : {"sources", "loop", "meter", "shorted"}
        What is measured later; loopback cables; a meter at the cable of one output; shorting plugs.
    channel : int
        Of the rig, from 1, where the meter is held.
    loaded : bool
        Whether the metered cable is in the input as well.
    """

    kind: Kind
    channel: int = 1
    loaded: bool = False


def plugging_words(step: Plugging, setup: RigSetup) -> str:
    """What to plug in, in a sentence or two."""
    if step.kind == "sources":
        return (
            f"Plug the line output of what you measure into {_listed('input', setup.inputs)}, and "
            "play it as loud as it will get."
        )
    if step.kind == "loop":
        pairs = ", ".join(f"output {o} into input {i}" for o, i in _pairs(setup))
        return f"Plug the loopback cables: {pairs}. Nothing else in these jacks."
    if step.kind == "shorted":
        return (
            f"Put shorting plugs (tip joined to sleeve) into {_listed('input', setup.inputs)}. "
            "Without such plugs, leave the loopback cables in: then the silent outputs count as "
            "well."
        )
    jack = setup.outputs[step.channel - 1]
    if step.loaded:
        return (
            f"Join output {jack} and input {setup.inputs[step.channel - 1]} with the loopback "
            "cable. Hold the meter, on AC volts, to the plug in the input: one lead on the tip's "
            "wire, one on the sleeve."
        )
    return (
        f"Plug the loopback cable into output {jack} only. Hold the meter, on AC volts, to the "
        "other plug: one lead on the tip, one on the sleeve."
    )


def wiring(step: Plugging, setup: RigSetup) -> str:
    """The same as a drawing: an SVG element with a title and a description.

    Examples
    --------
    >>> setup = RigSetup("bench", "line", "host", 48_000, (1, 2), (3, 4))
    >>> "output 3" in wiring(Plugging("loop"), setup)
    True
    """
    pilot_out, pilot_in = setup.pilot or (None, None)
    outputs = (*setup.outputs, *(() if pilot_out is None else (pilot_out,)))
    inputs = (*setup.inputs, *(() if pilot_in is None else (pilot_in,)))
    rows = max(len(outputs), len(inputs), 1)
    boxes_end = TOP + ROW * (rows - 1) + 32
    draw = {"sources": _sources, "loop": _loop, "meter": _meter, "shorted": _shorts}[step.kind]
    parts, height = draw(step, setup, boxes_end)
    described = plugging_words(step, setup)
    if setup.pilot is not None:
        parts += _pilot(len(setup.outputs), len(setup.inputs))
        described += f" The pilot's cable stays: output {pilot_out} into input {pilot_in}."
    return "".join(
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" class="wiring" viewBox="0 0 {WIDTH} {height}"'
            ' role="img" aria-labelledby="wiring-title wiring-words" fill="none" '
            'stroke="currentColor" stroke-width="2" font-size="17">',
            f'<title id="wiring-title">Wiring of {_shown(setup.name)}</title>',
            f'<desc id="wiring-words">{_shown(described)}</desc>',
            f'<rect x="8" y="8" width="{WIDTH - 16}" height="44" rx="6"/>',
            _text(WIDTH // 2, 36, _short(setup.name), "middle", bold=True),
            *_column("output", outputs, 8, LEFT_EDGE, boxes_end),
            *_column("input", inputs, RIGHT_EDGE, WIDTH - 8, boxes_end),
            *parts,
            "</svg>",
        )
    )


def _column(kind: str, numbers: Sequence[int], left: int, right: int, end: int) -> list[str]:
    """The outputs or inputs of the interface: a box, with a jack for each on its inner edge."""
    parts = [
        f'<rect x="{left}" y="52" width="{right - left}" height="{end - 52}" rx="6"/>',
        _text((left + right) // 2, 80, f"{kind}s", "middle"),
    ]
    for row, number in enumerate(numbers):
        edge, y = (right if kind == "output" else left), _y(row)
        inside = edge - 16 if kind == "output" else edge + 16
        parts.append(f'<circle cx="{edge}" cy="{y}" r="8" class="jack"/>')
        anchor = "end" if kind == "output" else "start"
        parts.append(_text(inside, y + 6, f"{kind} {number}", anchor))
    return parts


def _loop(step: Plugging, setup: RigSetup, end: int) -> tuple[list[str], int]:
    lines = [_line(LEFT_EDGE, _y(row), RIGHT_EDGE, _y(row)) for row in range(len(_pairs(setup)))]
    return lines, end + 8


def _sources(step: Plugging, setup: RigSetup, end: int) -> tuple[list[str], int]:
    """A box with a cable to each input."""
    top, left, right = end + 28, 110, 330
    parts = [
        f'<rect x="{left}" y="{top}" width="{right - left}" height="48" rx="6"/>',
        _text((left + right) // 2, top + 30, "what you measure", "middle"),
    ]
    count = len(setup.inputs)
    for row in range(count):
        x = 160 + 130 * (row + 1) / (count + 1)
        parts.append(_path(f"M{x:.1f} {top} V{_y(row)} H{RIGHT_EDGE}", "cable"))
    return parts, top + 56


def _meter(step: Plugging, setup: RigSetup, end: int) -> tuple[list[str], int]:
    """The cable of one output, and the meter's leads at its far plug."""
    y, top = _y(step.channel - 1), end + 28
    plug = RIGHT_EDGE - 58 if step.loaded else 186
    sleeve, tip = plug + 16, plug + 42
    parts = [
        _line(LEFT_EDGE, y, plug, y),
        *_plug(plug, y),
        _path(f"M{sleeve} {y + 8} V{top}", "lead"),
        _path(f"M{tip} {y + 5} V{top}", "lead"),
        _text(sleeve - 8, y + 28, "sleeve", "end"),
        _text(tip + 8, y + 28, "tip", "start"),
        f'<rect x="150" y="{top}" width="180" height="60" rx="6"/>',
        _text(240, top + 26, "multimeter", "middle"),
        _text(240, top + 48, "on AC volts", "middle"),
    ]
    return parts, top + 68


def _shorts(step: Plugging, setup: RigSetup, end: int) -> tuple[list[str], int]:
    """A plug in each input, tip joined to sleeve."""
    parts = []
    for row in range(len(setup.inputs)):
        y, plug = _y(row), RIGHT_EDGE - 58
        parts += _plug(plug, y)
        parts.append(_path(f"M{plug + 42} {y - 5} V{y - 17} H{plug + 16} V{y - 8}", "lead"))
        parts.append(_text(plug - 8, y + 6, "shorted", "end"))
    return parts, end + 8


def _pilot(outputs: int, inputs: int) -> list[str]:
    """The cable that stays."""
    start, end = _y(outputs), _y(inputs)
    return [
        f'<path d="M{LEFT_EDGE} {start} L{RIGHT_EDGE} {end}" class="pilot" stroke-width="3" '
        'stroke-dasharray="9 5"/>',
        _text(LEFT_EDGE + 14, start - 8, "pilot", "start"),
    ]


def _plug(x: int, y: int) -> list[str]:
    """A plug that points to the right: the sleeve, and the tip in front of it."""
    return [
        f'<rect x="{x}" y="{y - 8}" width="32" height="16" rx="2" class="plug"/>',
        f'<rect x="{x + 32}" y="{y - 5}" width="20" height="10" rx="4" class="plug"/>',
    ]


def _line(x1: int, y1: int, x2: int, y2: int) -> str:
    return _path(f"M{x1} {y1} L{x2} {y2}", "cable")


def _path(course: str, kind: str) -> str:
    thick = 5 if kind == "cable" else 2
    return f'<path d="{course}" class="{kind}" stroke-width="{thick}"/>'


def _text(x: int, y: int, words: str, anchor: str, *, bold: bool = False) -> str:
    weight = ' font-weight="700"' if bold else ""
    return (
        f'<text x="{x}" y="{y}" text-anchor="{anchor}" fill="currentColor" stroke="none"{weight}>'
        f"{_shown(words)}</text>"
    )


def _y(row: int) -> int:
    return TOP + ROW * row


def _pairs(setup: RigSetup) -> list[tuple[int, int]]:
    return list(zip(setup.outputs, setup.inputs, strict=False))


def _listed(kind: str, numbers: Sequence[int]) -> str:
    *some, last = map(str, numbers)
    return f"{kind}s {', '.join(some)} and {last}" if some else f"{kind} {last}"


def _short(name: str) -> str:
    return name if len(name) <= LONGEST_NAME else name[: LONGEST_NAME - 1] + "…"


def _shown(words: str) -> str:
    """Text as XML may hold it (XML 1.0, 2.2 leaves out control characters)."""
    return escape("".join(c if c.isprintable() else " " for c in words))
