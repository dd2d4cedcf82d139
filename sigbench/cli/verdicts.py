"""Comparisons on the terminal: what changed, step by step, and the count of the verdicts."""

from collections.abc import Iterable
from itertools import groupby
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.table import Table
from rich.text import Text

from sigbench.cli.show import fit
from sigbench.compare import is_news, same_quantities, summary, summary_line, weight
from sigbench.errors import RequestError
from sigbench.model import Comparison, StageComparison
from sigbench.report.wording import ReadingText, comparison_text, step_heading

if TYPE_CHECKING:
    from sigbench.bench.folder import Bench


def find_baseline(bench: "Bench", text: str) -> str:
    """The name of the baseline that is meant; upper and lower case are alike.

    Raises
    ------
    RequestError
        If there is none of that name; it lists those there are.
    """
    names = [baseline.name for baseline in bench.baselines()]
    wanted = " ".join(text.casefold().split())
    alike = [name for name in names if name.casefold() == wanted]
    if text in names or len(alike) == 1:
        return text if text in names else alike[0]
    there = "; there are: " + ", ".join(f"'{name}'" for name in names) if names else ""
    raise RequestError(
        f"There is no baseline '{text}'{there or ', nor any other yet'}; "
        "'sigbench baseline --help' tells how one is made."
    )


def print_comparison(
    comparison: StageComparison,
    console: Console,
    *,
    everything: bool = False,
    most: int | None = None,
) -> None:
    """Print what changed between two sides, and in one line how much did not.

    Parameters
    ----------
    everything : bool
        Whether to list the unchanged and undecided readings as well.
    most : int or None
        List at most so many, those outside their limits and worse ones first.
    """
    console.print(fit(f"Before: {comparison.before}   After: {comparison.after}", console))
    leaders = [same[0] for same in same_quantities(comparison.comparisons)]
    news = [c for c in leaders if everything or is_news(c)]
    shown = sorted(news, key=weight)[:most]
    for (number, check, output), group in groupby(
        sorted(shown, key=lambda c: c.step_number), key=lambda c: (c.step_number, c.check, c.output)
    ):
        console.print()
        console.print(fit(step_heading(number, check, output), console, style="bold"))
        console.print(_table(group, console))
    if len(shown) < len(news):
        console.print(fit(f"… and {len(news) - len(shown)} more that changed", console))
    for line in comparison.not_compared:
        console.print(fit(f"Not compared: {line}", console))
    console.print()
    console.print(fit(summary_line(comparison), console))


def comparison_object(comparison: StageComparison) -> dict[str, Any]:
    """The comparison as one JSON-ready object, with the counts beside it."""
    from sigbench import __version__
    from sigbench.wire import reading_to_object

    def one(c: Comparison) -> dict[str, Any]:
        return {
            "step": c.step_number,
            "check": c.check,
            "output": c.output,
            "name": c.name,
            "unit": c.unit,
            "channel": c.channel,
            **({"channels": list(c.channels)} if c.channels else {}),
            "before": None if c.before is None else reading_to_object(c.before),
            "after": None if c.after is None else reading_to_object(c.after),
            "difference": c.difference,
            "uncertainty": c.uncertainty,
            "verdict": c.verdict,
            "out_of_limits": c.out_of_limits,
            "why": c.why,
        }

    return {
        "sigbench": __version__,
        "before": comparison.before,
        "after": comparison.after,
        "summary": summary(comparison),
        "comparisons": [one(c) for c in comparison.comparisons],
        "not_compared": list(comparison.not_compared),
    }


def _table(comparisons: Iterable[Comparison], console: Console) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column("Reading", overflow="fold", ratio=5)
    for heading in ("Before", "After", "Change"):
        table.add_column(heading, justify="right", overflow="fold", ratio=3)
    table.add_column("Verdict", overflow="fold", ratio=3)
    for c in comparisons:
        text = comparison_text(c)
        style = "bold" if c.verdict == "worse" or c.out_of_limits else ""
        table.add_row(
            fit(text.title, console),
            *(
                fit(_without_spread(cell), console)
                for cell in (text.before, text.after, text.change)
            ),
            Text.assemble((fit(text.verdict, console).plain, style)),
        )
    return table


def _without_spread(cell: ReadingText) -> str:
    """A figure without its ±: a terminal is narrow."""
    return cell.words or f"{cell.number} {cell.unit}".strip()
