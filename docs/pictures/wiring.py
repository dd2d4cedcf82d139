"""Draws the wiring of a rig, step by step: ``python docs/pictures/wiring.py``."""

from pathlib import Path

INK, PAPER, SOFT = "#111111", "#ffffff", "#666666"
WIDTH, PANEL = 960, 240

Panel = tuple[str, list[str]]


def text(x: float, y: float, words: str, *, size: int = 14, anchor: str = "middle", bold=False):
    """Words at a point."""
    weight = ' font-weight="600"' if bold else ""
    return (
        f'<text x="{x}" y="{y}" font-size="{size}" text-anchor="{anchor}" fill="{INK}"{weight}>'
        f"{words}</text>"
    )


def box(x: float, y: float, width: float, height: float) -> str:
    """A device."""
    return (
        f'<rect x="{x}" y="{y}" width="{width}" height="{height}" rx="6" fill="{PAPER}" '
        f'stroke="{INK}" stroke-width="2"/>'
    )


def jack(x: float, y: float, words: str, *, above: bool = False) -> str:
    """A jack, with its name below or above it."""
    at = y - 14 if above else y + 24
    circle = f'<circle cx="{x}" cy="{y}" r="8" fill="{PAPER}" stroke="{INK}" stroke-width="2"/>'
    return circle + text(x, at, words, size=12)


def cable(*points: tuple[float, float], dashed: bool = False) -> str:
    """A cable through points, bent by every other one."""
    (x, y), *rest = points
    path = f"M{x} {y}"
    for (a, b), (c, d) in zip(rest[::2], rest[1::2], strict=True):
        path += f" Q{a} {b} {c} {d}"
    dash = ' stroke-dasharray="7 5"' if dashed else ""
    return f'<path d="{path}" fill="none" stroke="{INK}" stroke-width="3"{dash}/>'


OUT = [(95.0 + 55 * k, 110.0) for k in range(3)]
IN = [(275.0 + 55 * k, 110.0) for k in range(3)]


def interface() -> list[str]:
    """Interface and computer: outputs and inputs along the lower edge, a spare of each."""
    jacks = [(OUT, "out"), (IN, "in")]
    return [
        box(60, 30, 360, 80),
        text(240, 62, "interface"),
        *(
            jack(x, y, f"{word} {k}", above=True)
            for row, word in jacks
            for k, (x, y) in enumerate(row, 1)
        ),
        cable((420, 60), (460, 50), (500, 60)),
        text(460, 46, "USB", size=12),
        box(500, 30, 120, 60),
        text(560, 65, "computer"),
    ]


def loop(k: int, depth: float, *, dashed: bool = False) -> str:
    """A cable from an output to the input of its number, hanging below."""
    (a, b), (c, d) = OUT[k], IN[k]
    middle = (a + c) / 2
    return cable(
        (a, b + 8), (a, b + depth), (middle, b + depth), (c, d + depth), (c, d + 8), dashed=dashed
    )


def panels() -> list[Panel]:
    """The three drawings, each with its title."""
    return [
        (
            "1  Loopback: for test, calibration, check and limits",
            [
                *interface(),
                loop(0, 60),
                loop(1, 90),
                text(500, 150, "out 1 into in 1, out 2 into in 2.", anchor="start"),
                text(500, 174, "Nothing else on these jacks.", anchor="start"),
            ],
        ),
        (
            "2  Calibration begins: the meter at the free plug",
            [
                *interface(),
                cable((OUT[0][0], 118), (100, 200), (470, 178)),
                box(620, 120, 120, 100),
                text(680, 155, "0.436", size=22, bold=True),
                text(680, 176, "V AC", size=12),
                text(680, 206, "multimeter", size=12),
                cable((478, 174), (540, 140), (620, 150)),
                cable((478, 184), (540, 216), (620, 196)),
                text(520, 140, "tip", size=12),
                text(520, 216, "sleeve", size=12),
                text(760, 160, "The cable is in out 1 only.", anchor="start", size=13),
                text(760, 182, "Then the same at out 2.", anchor="start", size=13),
            ],
        ),
        (
            "3  At work: the instrument, and a pilot cable where there is a spare pair",
            [
                *interface(),
                box(640, 110, 260, 60),
                text(790, 146, "instrument"),
                jack(670, 170, "L", above=True),
                jack(710, 170, "R", above=True),
                cable((IN[0][0], 118), (IN[0][0], 236), (480, 232), (660, 228), (670, 178)),
                cable((IN[1][0], 118), (IN[1][0], 206), (500, 208), (640, 210), (700, 175)),
                loop(2, 52, dashed=True),
                text(225, 182, "pilot: out 3 into in 3", size=12, anchor="end"),
            ],
        ),
    ]


def drawing() -> str:
    """The whole picture as SVG."""
    parts = []
    for number, (title, shapes) in enumerate(panels()):
        parts.append(f'<g transform="translate(0 {number * (PANEL + 50)})">')
        parts.append(text(20, 30, title, size=17, anchor="start", bold=True))
        parts.append('<g transform="translate(0 24)">')
        parts += shapes
        parts.append("</g></g>")
    height = 3 * (PANEL + 50)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        f'font-family="sans-serif" role="img" aria-label="Wiring of the rig in three steps">'
        f'<rect width="{WIDTH}" height="{height}" fill="{PAPER}"/>' + "".join(parts) + "</svg>\n"
    )


if __name__ == "__main__":
    Path(__file__).with_name("rig-wiring.svg").write_text(drawing(), encoding="utf-8")
