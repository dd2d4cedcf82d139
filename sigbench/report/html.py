"""The report as one HTML file: no script, nothing fetched, the plots and the photo inside."""

import base64
from collections.abc import Mapping

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from sigbench.report.content import ReportContent


def render_html(content: ReportContent, drawings: Mapping[str, bytes]) -> bytes:
    """Lay the report out as a self-contained page, UTF-8.

    Parameters
    ----------
    content : ReportContent
        Every word of it is escaped.
    drawings : mapping of str to bytes
        The SVG of each figure, by name; drawn here, so they stand in the page as they are.
    """
    environment = Environment(
        loader=PackageLoader("sigbench.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    photo = base64.b64encode(content.photo.jpeg).decode() if content.photo else ""
    page = environment.get_template("report.html").render(
        d=content,
        drawings={name: Markup(svg.decode()) for name, svg in drawings.items()},
        photo=photo,
    )
    return page.encode()
