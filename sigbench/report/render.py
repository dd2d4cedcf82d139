"""One report in all its forms."""

from collections.abc import Iterable
from typing import Literal

from sigbench.report.content import ReportContent

Form = Literal["pdf", "html", "png"]
FORMS: tuple[Form, ...] = ("pdf", "html", "png")


def draw_figures(content: ReportContent) -> dict[str, bytes]:
    """The SVG of each figure, by name."""
    from sigbench.report.plots import draw

    figures = [*content.front_figures, *content.figures]
    figures += [figure for page in content.rig_pages for figure in page.figures]
    return {f.name: draw(f.plot, f.name) for f in figures}


def render(
    content: ReportContent, forms: Iterable[Form] = FORMS, *, name: str = "report"
) -> dict[str, bytes]:
    """Render a report.

    Parameters
    ----------
    content : ReportContent
        What it says.
    forms : iterable of {"pdf", "html", "png"}
        Which forms of it.
    name : str
        How the files' names begin.

    Returns
    -------
    dict of str to bytes
        File names and their content: ``report.pdf``, ``report.html``, ``report-page-1.png`` and
        so on. The same content gives the same bytes.
    """
    drawings = draw_figures(content)
    rendered: dict[str, bytes] = {}
    for form in forms:
        if form == "html":
            from sigbench.report.html import render_html

            rendered[f"{name}.html"] = render_html(content, drawings)
            continue
        from sigbench.report.pdf import render_pdf, render_png_pages

        if form == "pdf":
            rendered[f"{name}.pdf"] = render_pdf(content, drawings)
        else:
            pages = render_png_pages(content, drawings)
            rendered |= {f"{name}-page-{k}.png": page for k, page in enumerate(pages, 1)}
    return rendered
