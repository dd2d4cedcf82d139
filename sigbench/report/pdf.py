"""The report on paper: PDF and PNG pages, laid out by Typst from the template beside this file.

Only the fonts inside the typst wheel are used, so that the same content gives the same bytes
whatever is installed on the machine.
"""

import base64
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from importlib.resources import files
from typing import Any, Literal

import typst

from sigbench.report.content import ReportContent
from sigbench.report.photo import Photo
from sigbench.report.pieces import ReportFigure

PNG_PIXELS_PER_INCH = 144.0
PICTURE_PIXELS_PER_INCH = 200.0  # of a plot by itself: sharp on any screen, some 1500 pixels wide


def render_pdf(content: ReportContent, drawings: Mapping[str, bytes]) -> bytes:
    """Lay the report out as a tagged PDF without a date.

    Parameters
    ----------
    content : ReportContent
    drawings : mapping of str to bytes
        The SVG of each figure, by name.
    """
    (pdf,) = _compile(content, drawings, "pdf")
    return pdf


def render_png_pages(content: ReportContent, drawings: Mapping[str, bytes]) -> list[bytes]:
    """Lay the report out as pictures, one a page."""
    return _compile(content, drawings, "png")


def picture(svg: bytes) -> bytes:
    """A drawing as PNG, on white paper, as wide as a page of the report."""
    page = b'#set page(width: 190mm, height: auto, margin: 6mm, fill: white)\n#image("drawing.svg")'
    sources: Any = {"main.typ": page, "drawing.svg": svg}  # the stub tells of paths only
    png = typst.Compiler(sources, ignore_system_fonts=True).compile(
        format="png", ppi=PICTURE_PIXELS_PER_INCH
    )
    assert isinstance(png, bytes)  # of a single page
    return png


def _compile(
    content: ReportContent, drawings: Mapping[str, bytes], kind: Literal["pdf", "png"]
) -> list[bytes]:
    template = files("sigbench.report").joinpath("report.typ").read_bytes()
    # Files by name, in memory, the template first; all must be text. The stub tells of paths only.
    sources: Any = {
        "main.typ": template,
        **{f"{name}.svg": svg for name, svg in drawings.items()},
        **({"photo.svg": _photo_svg(content.photo)} if content.photo else {}),
    }
    compiler = typst.Compiler(
        sources,
        ignore_system_fonts=True,
        sys_inputs={"content": _as_json(content)},
    )
    pages = compiler.compile(format=kind, ppi=PNG_PIXELS_PER_INCH)
    if pages is None:  # only where an output file is named
        raise AssertionError("the typesetter gave no pages")
    return pages if isinstance(pages, list) else [pages]


def _photo_svg(photo: Photo) -> bytes:
    """The photo wrapped as text."""
    data = base64.b64encode(photo.jpeg).decode()
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{photo.width}" height="{photo.height}">'
        f'<image width="{photo.width}" height="{photo.height}" '
        f'href="data:image/jpeg;base64,{data}"/></svg>'
    ).encode()


def _as_json(content: ReportContent) -> str:
    """All words of the report; the figures without their arrays, the photo without its bytes."""
    pages = tuple(replace(page, figures=()) for page in content.rig_pages)
    words = asdict(replace(content, figures=(), front_figures=(), photo=None, rig_pages=pages))
    words["figures"] = _figures_as_words(content.figures)
    words["front_figures"] = _figures_as_words(content.front_figures)
    for page, of in zip(words["rig_pages"], content.rig_pages, strict=True):
        page["figures"] = _figures_as_words(of.figures)
    words["photo"] = content.photo.caption if content.photo else None
    return json.dumps(words, ensure_ascii=False)


def _figures_as_words(figures: Sequence[ReportFigure]) -> list[dict[str, str]]:
    return [{"name": f.name, "title": f.title, "caption": f.caption, "alt": f.alt} for f in figures]
