"""How often the ranking names the right cause: circuits with a fault, drawn with tolerances.

Run by hand: ``python -m benchmarks.precision_causes --draws 3`` (about 4 s a circuit).
"""

import argparse
import zlib
from collections import Counter, defaultdict

import numpy as np

from sigbench.causes.clues import Observation, gather
from sigbench.causes.ranking import Ranking, rank
from sigbench.causes.records import RECORDS
from sigbench.checks import measure
from sigbench.checks.rails import measure_rails
from sigbench.circuits.faults import STEADY_FAULTS, good
from sigbench.circuits.takes import record
from sigbench.model import CheckSettings, Rail

NOTES = {"loud": 440.0, "quiet": 440.0, "low": 70.0}
MAINS = (50.0, 60.0)
METER = 0.003  # relative, one standard deviation
HEALTHY = "healthy"
KEYS = {r.name: r.key for r in RECORDS}


def observe(
    name: str, strong: bool, mains_hz: float, number: int
) -> tuple[list[Observation], Observation]:
    """What is measured on one drawn circuit, and its rails as read from a multimeter."""
    rng = np.random.default_rng([zlib.crc32(name.encode()), int(strong), int(mains_hz), number])
    parts = good(rng, mains_hz)
    if name != HEALTHY:
        parts = STEADY_FAULTS[name](parts, strong, rng).parts
    recorded = record(parts, rng)
    observed = []
    for (output, tone), take in recorded.takes.items():
        settings = CheckSettings(frequency_hz=NOTES.get(tone), mains_hz=mains_hz)
        check = "idle" if tone == "idle" else "tone"
        observed.append(Observation(output, measure(take, check, settings)))
    rails = [
        Rail(rail, float(rail.split()[0]), measured_volts=volts * rng.normal(1, METER))
        for rail, volts in recorded.rails.items()
    ]
    return observed, Observation("supply", measure_rails(rails))


def verdict(ranking: Ranking) -> list[str]:
    """The causes in their order; healthy alone where that is likelier than any."""
    if ranking.nothing_wrong:
        return [HEALTHY]
    return [KEYS[c.name] for c in ranking.causes] or ["none of these"]


def main() -> None:
    """Print the share of right answers, and how right the scores are."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=2)
    parser.add_argument("--first", type=int, default=1000, help="number of the first draw")
    options = parser.parse_args()
    right: Counter[str] = Counter()
    among: Counter[str] = Counter()
    count: Counter[str] = Counter()
    wrong: defaultdict[str, Counter[str]] = defaultdict(Counter)
    scored: defaultdict[int, list[bool]] = defaultdict(list)
    for name in (HEALTHY, *STEADY_FAULTS):
        for strong in (False, True):
            for mains_hz in MAINS:
                for number in range(options.first, options.first + options.draws):
                    observed, rails = observe(name, strong, mains_hz, number)
                    ranking = rank(gather([*observed, rails]))
                    named = verdict(ranking)
                    count[name] += 1
                    right[name] += named[0] == name
                    among[name] += name in named[:3]
                    if named[0] != name:
                        wrong[name][named[0]] += 1
                    for cause in ranking.causes:
                        scored[min(4, int(5 * cause.score))].append(KEYS[cause.name] == name)
        said = ", ".join(f"{other} {n}" for other, n in wrong[name].items())
        print(f"| {name} | {count[name]} | {right[name]} | {among[name]} | {said} |", flush=True)
    total = sum(count.values())
    print(f"first {sum(right.values()) / total:.3f}, first three {sum(among.values()) / total:.3f}")
    for part, hits in sorted(scored.items()):
        print(f"score {part / 5:.1f} to {part / 5 + 0.2:.1f}: right {np.mean(hits):.2f}", end=" ")
        print(f"of {len(hits)}")


if __name__ == "__main__":
    main()
