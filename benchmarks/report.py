"""How long a report takes: python -m benchmarks.report"""

import time

from sigbench.report.content import build_content
from sigbench.report.pdf import render_pdf, render_png_pages
from sigbench.report.render import draw_figures, render
from tests.report.scenario import UNIT, make_scenario


def timed(name, call):
    wall, busy = time.perf_counter(), time.process_time()
    result = call()
    print(
        f"{name:<28} {time.perf_counter() - wall:6.2f} s"
        f"   processor {time.process_time() - busy:6.2f} s"
    )
    return result


def main():
    scenario = make_scenario()
    content = timed(
        "words, numbers, curves",
        lambda: build_content(
            UNIT,
            scenario.after,
            before=scenario.before,
            comparison=scenario.comparison,
            takes=scenario.look_up,
            made="2026-11-25",
        ),
    )
    drawings = timed("four plots", lambda: draw_figures(content))
    timed("PDF", lambda: render_pdf(content, drawings))
    timed("PNG pages", lambda: render_png_pages(content, drawings))
    files = timed("all forms, plots included", lambda: render(content))
    for name, data in files.items():
        print(f"  {name:<20} {len(data) / 1000:7.0f} kB")


if __name__ == "__main__":
    main()
