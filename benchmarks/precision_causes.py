"""How often the ranking names the right cause: circuits with a fault, drawn with tolerances.

Run by hand: ``python -m benchmarks.precision_causes FOLDER --draws 2`` (about 10 s a
circuit and processor), and with ``--pairs 40`` for two faults at once. What was measured on
each circuit is kept in FOLDER, and not worked out again.
"""

import argparse
import gzip
import json
import os
import zlib
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, fields
from itertools import pairwise
from pathlib import Path

import numpy as np

from sigbench.causes.gather import gather
from sigbench.causes.observation import Observation
from sigbench.causes.ranking import Ranking, rank
from sigbench.causes.records import BY_NAME
from sigbench.checks.rails import measure_rails
from sigbench.circuits.faults import FAULTS, SEVERITIES, good, seen_at
from sigbench.circuits.instrument import OUTPUTS, Channel, Parts
from sigbench.circuits.observed import Found, observe
from sigbench.circuits.takes import record
from sigbench.model import Rail
from sigbench.wire import measurement_from_object, measurement_to_object

HEALTHY = "healthy"
NONE = "none of these"
MAINS = (50.0, 60.0)

READINGS = frozenset(
    {
        "hum_1x", "hum_2x", "hum_total", "noise_rms", "noise_a", "spurs", "dc_offset",
        "frequency", "tone_level", "level_rms", "thd", "clip_asymmetry", "balance",
        "harmonics", "harmonic_phases",
        "crackle_rate", "worn_travel", "top_level",
        "rail_volts", "rail_error", "rail_ripple",
        "level_course", "hum_course", "noise_course",
    }
)  # fmt: skip
"""Names of all readings that clues are taken from."""

WHOLE = "everything"
HANDS = ("tapped", "heated")
STIMULI: dict[str, tuple[str, ...]] = {
    WHOLE: (),
    "neither tapped nor heated": HANDS,
    "no rails": ("rails",),
    "no jack and pot checks": ("jack", "pot", *HANDS),
    "one level": ("quiet",),
    "no low note": ("low",),
    "volume never down": ("down",),
    "idle and one note": ("quiet", "low", "down", "jack", "pot", "rails", *HANDS),
}
"""What was not measured."""


@dataclass(frozen=True, slots=True)
class Draw:
    """One circuit: what is wrong with it, and under which conditions."""

    cause: str
    severity: str
    mains_hz: float
    line_rails: int
    number: int

    @property
    def name(self) -> str:
        return (
            f"{self.cause}-{self.severity}-{self.mains_hz:g}-{self.line_rails}-{self.number}.json"
        )


@dataclass(frozen=True, slots=True)
class Pair:
    """One circuit with two faults."""

    causes: tuple[str, str]
    severities: tuple[str, str]
    mains_hz: float
    line_rails: int
    number: int

    @property
    def name(self) -> str:
        both = "+".join(f"{c}-{s}" for c, s in zip(self.causes, self.severities, strict=True))
        return f"{both}-{self.mains_hz:g}-{self.line_rails}-{self.number}.json"


def pairs(first: int, count: int) -> Iterator[Pair]:
    """Pairs of unlike faults, by chance: no part is changed by both, one contact opens at most."""
    number = first
    while number < first + count:
        rng = np.random.default_rng([zlib.crc32(b"pairs"), number])
        while True:
            one, other = (str(c) for c in rng.choice(sorted(FAULTS), size=2, replace=False))
            severities = tuple(str(s) for s in rng.choice(SEVERITIES, size=2))
            pair = Pair(
                (one, other), severities, float(rng.choice(MAINS)), int(rng.choice([1, 2])), number
            )
            sound = good(pair_rng(pair), pair.mains_hz, line_rails=pair.line_rails)
            alone = [
                changed(sound, FAULTS[c](sound, s == SEVERITIES[1], pair_rng(pair)))
                for c, s in zip(pair.causes, severities, strict=True)
            ]
            if not alone[0] & alone[1]:
                break
        yield pair
        number += 1


def pair_rng(pair: Pair) -> np.random.Generator:
    return np.random.default_rng([zlib.crc32(pair.name.encode()), pair.number])


def changed(sound: Parts, faulty: Parts) -> set[str]:
    """Which parts differ, those of a channel for both sides alike."""
    found = {f.name for f in fields(Parts) if getattr(sound, f.name) != getattr(faulty, f.name)}
    for side in found & {"left", "right"}:
        before, after = getattr(sound, side), getattr(faulty, side)
        found |= {
            f"channel {f.name}"
            for f in fields(Channel)
            if getattr(before, f.name) != getattr(after, f.name)
        }
    return found - {"left", "right"}


def work_out_pair(pair: Pair, folder: Path) -> None:
    """Simulate and measure one circuit with two faults, and keep what was measured."""
    path = folder / pair.name
    if path.exists():
        return
    rng = pair_rng(pair)
    parts = good(rng, pair.mains_hz, line_rails=pair.line_rails)
    for cause, severity in zip(pair.causes, pair.severities, strict=True):
        parts = FAULTS[cause](parts, severity == SEVERITIES[1], rng)
    found = observe(record(parts, rng), pair.mains_hz, rng)
    path.write_text(json.dumps({"pair": asdict(pair), "found": pack(found)}))


def tell_pairs(folder: Path, wanted: Iterable[Pair]) -> None:
    """How often both faults are found."""
    counts: Counter[str] = Counter()
    for pair in wanted:
        ranking = rank(
            gather(list(unpack(json.loads((folder / pair.name).read_text())["found"]).values()))
        )
        named = verdict(ranking)
        together = list(ranking.together)
        both = set(pair.causes)
        counts["circuits"] += 1
        counts["one of them first"] += named[0] in both
        counts["one of them among the first three"] += bool(both & set(named[:3]))
        counts["both among the first three"] += both <= set(named[:3])
        counts["both together as the best explanation"] += both <= set(together)
        counts["exactly these two"] += both == set(together)
        print(" + ".join(pair.causes), pair.severities, "->", named[:4], "together:", together)
    for what, count in counts.items():
        print(f"| {what} | {count} | {100 * count / counts['circuits']:.1f} % |")


def draws(first: int, count: int, designs: Iterable[int]) -> Iterator[Draw]:
    """Every fault in every condition, `count` times."""
    for number in range(first, first + count):
        for line_rails in designs:
            for cause in (HEALTHY, *FAULTS):
                for severity in SEVERITIES:
                    for mains_hz in MAINS:
                        yield Draw(cause, severity, mains_hz, line_rails, number)


def work_out(draw: Draw, folder: Path) -> None:
    """Simulate and measure one circuit, and keep what was measured."""
    path = folder / draw.name
    if path.exists():
        return
    rng = np.random.default_rng(
        [
            zlib.crc32(draw.cause.encode()),
            SEVERITIES.index(draw.severity),
            int(draw.mains_hz),
            draw.line_rails,
            draw.number,
        ]
    )
    sound = good(rng, draw.mains_hz, line_rails=draw.line_rails)
    parts = sound
    if draw.cause != HEALTHY:
        parts = FAULTS[draw.cause](sound, draw.severity == SEVERITIES[1], rng)
    found = observe(record(parts, rng, worked_on=True), draw.mains_hz, rng)
    text = json.dumps(
        {"draw": asdict(draw), "seen_at": seen_at(sound, parts), "found": pack(found)}
    )
    unfinished = path.with_suffix(".part")
    unfinished.write_text(text)
    unfinished.rename(path)


def pack(found: Found) -> list[dict[str, object]]:
    """Observations as JSON values."""
    return [
        {
            "output": o.output,
            "name": name,
            "rails": [asdict(rail) for rail in o.rails],
            "volume_down": o.volume_down,
            "measurement": measurement_to_object(o.measurement),
        }
        for (_, name), o in found.items()
    ]


def unpack(data: list[dict[str, object]]) -> Found:
    """Observations from what `pack` gives."""
    found: Found = {}
    for entry in data:
        rails = tuple(Rail(**rail) for rail in entry["rails"])
        read = measure_rails(rails) if rails else measurement_from_object(entry["measurement"])
        key = (entry["output"], entry["name"])
        found[key] = Observation(entry["output"], read, rails, entry["volume_down"])
    return found


def keep(path: Path, kept: Iterable[dict[str, object]]) -> None:
    """Keep what clues are taken from, of one mild and one strong draw of each fault and design."""
    chosen: dict[tuple[str, str, int], dict[str, object]] = {}
    for entry in kept:
        draw = entry["draw"]
        mains_hz = MAINS[(draw["severity"] == SEVERITIES[1]) ^ (draw["line_rails"] == 1)]
        if draw["mains_hz"] == mains_hz:
            key = (draw["cause"], draw["severity"], draw["line_rails"])
            chosen.setdefault(key, {"draw": draw, "found": [_slim(o) for o in entry["found"]]})
    data = json.dumps(list(chosen.values()), separators=(",", ":")).encode()
    path.write_bytes(gzip.compress(data, mtime=0))
    print(f"{path}: {len(chosen)} circuits")


def _slim(observation: dict[str, object]) -> dict[str, object]:
    measurement = observation["measurement"]
    readings = [
        {**r, "value": _short(r["value"]), "uncertainty": _short(r["uncertainty"])}
        for r in measurement["readings"]
        if r["name"].partition("[")[0] in READINGS
    ]
    return {**observation, "measurement": {**measurement, "readings": readings}}


def _short(value: object) -> object:
    """With fewer digits, and of a long list the beginning: the strongest tones come first."""
    if isinstance(value, float):
        return float(f"{value:.6g}")
    return [_short(item) for item in value[:20]] if isinstance(value, list) else value


def verdict(ranking: Ranking) -> list[str]:
    """The causes in their order; healthy alone where that is likelier than any."""
    if ranking.nothing_wrong:
        return [HEALTHY]
    keys = [BY_NAME[c.name].key for c in ranking.causes]
    if ranking.none_of_these > max((c.score for c in ranking.causes), default=0.0):
        return [NONE, *keys]
    return keys


@dataclass
class Tally:
    """How often the right cause came first, and among the first three."""

    count: int = 0
    first: int = 0
    three: int = 0

    def add(self, cause: str, said: list[str]) -> None:
        self.count += 1
        self.first += said[0] == cause
        self.three += cause in said[:3]

    def __str__(self) -> str:
        return (
            f"{self.count} | {100 * self.first / self.count:.1f} "
            f"| {100 * self.three / self.count:.1f}"
        )


Answers = tuple[dict[str, list[str]], dict[str, list[str]], list[tuple[float, bool]]]
"""What is said by what was measured, and of one output alone; each score, and was it right?"""


def answered(draw: Draw, folder: Path) -> Answers:
    """What is said of a circuit that was worked out."""
    kept = json.loads((folder / draw.name).read_text())
    found = unpack(kept["found"])
    rankings = {
        stimuli: rank(gather([o for (_, n), o in found.items() if n not in left_out]))
        for stimuli, left_out in STIMULI.items()
    }
    alone = {
        output: verdict(
            rank(gather([o for (where, _), o in found.items() if where in (output, "supply")]))
        )
        for output in OUTPUTS
        if output in kept["seen_at"] or draw.cause == HEALTHY
    }
    return (
        {stimuli: verdict(ranking) for stimuli, ranking in rankings.items()},
        alone,
        [(c.score, BY_NAME[c.name].key == draw.cause) for c in rankings[WHOLE].causes],
    )


def main() -> None:
    """Print the share of right answers, and how right the scores are."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=Path("/tmp/circuits"))
    parser.add_argument("--draws", type=int, default=1, help="of each fault in each condition")
    parser.add_argument("--first", type=int, default=1000, help="number of the first draw")
    parser.add_argument("--designs", type=int, nargs="+", default=[2, 1], help="2, 1 or both")
    parser.add_argument("--pairs", type=int, default=0, help="two faults at once, so many")
    parser.add_argument("--workers", type=int, default=os.cpu_count(), help="processes")
    parser.add_argument("--keep", type=Path, help="file for some of the observations")
    parser.add_argument("--pictures", type=Path, help="folder for the two pictures")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    if options.pairs:
        both = list(pairs(options.first, options.pairs))
        with ProcessPoolExecutor(options.workers) as pool:
            for _ in pool.map(work_out_pair, both, [options.folder] * len(both)):
                pass
        tell_pairs(options.folder, both)
        return
    wanted = list(draws(options.first, options.draws, options.designs))
    with ProcessPoolExecutor(options.workers) as pool:
        for _ in pool.map(work_out, wanted, [options.folder] * len(wanted)):
            pass
        all_said = list(pool.map(answered, wanted, [options.folder] * len(wanted), chunksize=8))
    tallies: defaultdict[tuple[str, str], Tally] = defaultdict(Tally)
    wrong: defaultdict[str, Counter[str]] = defaultdict(Counter)
    scored: list[tuple[float, bool]] = []
    for draw, (said, alone, scores) in zip(wanted, all_said, strict=True):
        whole = said[WHOLE]
        wrong[draw.cause][whole[0]] += 1
        scored += scores
        for part, value, verdict_then in (
            *(("measured", stimuli, then) for stimuli, then in said.items()),
            ("fault", draw.cause, whole),
            ("severity", draw.severity, whole),
            ("mains", f"{draw.mains_hz:g} Hz", whole),
            ("design", f"line amplifier on {draw.line_rails} rail(s)", whole),
            *(("output", f"{output} alone", then) for output, then in alone.items()),
        ):
            tallies[part, value].add(draw.cause, verdict_then)
    for (part, value), tally in sorted(tallies.items(), key=lambda e: e[0][0]):
        others = ", ".join(f"{k} {n}" for k, n in wrong[value].most_common() if k != value)
        print(f"| {part} | {value} | {tally} | {others if part == 'fault' else ''} |")
    for low in np.arange(0.0, 1.0, 0.1):
        hits = [right for score, right in scored if low <= score < low + 0.1]
        if hits:
            print(f"| {low:.1f} to {low + 0.1:.1f} | {100 * np.mean(hits):.0f} % of {len(hits)} |")
    if options.keep:
        keep(options.keep, (json.loads((options.folder / d.name).read_text()) for d in wanted))
    if options.pictures:
        draw_pictures(options.pictures, wrong, scored)


def draw_pictures(
    folder: Path, said: dict[str, Counter[str]], scored: list[tuple[float, bool]]
) -> None:
    """The matrix of what was wrong against what was said, and how right each score was."""
    import matplotlib

    matplotlib.use("svg")
    matplotlib.rcParams["svg.hashsalt"] = "sigbench"
    import matplotlib.pyplot as plt

    names = [HEALTHY, *FAULTS]
    columns = [*names, NONE]
    shares = np.array([[100 * said[r][c] / said[r].total() for c in columns] for r in names])
    figure, axes = plt.subplots(figsize=(8.5, 7.5), layout="constrained")
    axes.imshow(shares, cmap="Blues", vmin=0, vmax=100)
    for (row, column), share in np.ndenumerate(shares):
        if share:
            axes.text(
                column, row, f"{share:.0f}", ha="center", va="center", fontsize=7,
                color="white" if share > 55 else "black",
            )  # fmt: skip
    axes.set_xticks(range(len(columns)), columns, rotation=60, ha="right", fontsize=8)
    axes.set_yticks(range(len(names)), names, fontsize=8)
    axes.set_xlabel("named first")
    axes.set_ylabel("what it was")
    axes.set_title("Percent of the circuits", fontsize=10)
    figure.savefig(folder / "matrix.svg", metadata={"Date": None})
    figure, axes = plt.subplots(figsize=(5, 4.5), layout="constrained")
    edges = np.linspace(0, 1, 11)
    for low, high in pairwise(edges):
        hits = [right for score, right in scored if low <= score < high or score == high == 1]
        if len(hits) < 5:
            continue
        # Wilson's interval at 95 % (J. Am. Stat. Assoc. 22 (1927) 209).
        n, p, z = len(hits), float(np.mean(hits)), 1.96
        middle = (p + z * z / (2 * n)) / (1 + z * z / n)
        half = z / (1 + z * z / n) * np.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
        place = np.mean([s for s, _ in scored if low <= s < high or s == high == 1])
        axes.plot([place, place], [middle - half, middle + half], color="tab:blue")
        axes.plot(place, p, "o", color="tab:blue")
    axes.plot([0, 1], [0, 1], ":", color="gray")
    axes.set_xlabel("score")
    axes.set_ylabel("share that was right")
    figure.savefig(folder / "calibration.svg", metadata={"Date": None})


if __name__ == "__main__":
    main()
