"""Hands: what comes when something is tapped, heated or cooled, and where."""

from collections.abc import Iterator, Sequence

from sigbench.causes.clues import Clue, over, repeated
from sigbench.causes.contacts import WATCHED
from sigbench.causes.deeds import SOON, Kind, Outcome, covered, faults_of, in_words, outcomes
from sigbench.causes.observation import Observation

_MORE_THAN_CHANCE = (0.4, 0.08)  # of the events, above the share of time that was looked at
_DEEDS: tuple[tuple[str, Kind], ...] = (
    ("comes when tapped", "tapped"),
    ("comes when heated", "heated"),
)


def hand_clues(observations: Sequence[Observation]) -> list[Clue]:
    """Whether anything follows the marks of what was done, more than chance would have it."""
    watched = [(o, outcomes(o.measurement)) for o in observations if o.measurement.check in WATCHED]
    found = []
    for name, kind in _DEEDS:
        own = [(o, [x for x in came if x.deed.kind == kind]) for o, came in watched]
        own = [(o, came) for o, came in own if came]
        if not own:
            continue
        total = sum(len(faults_of(o.measurement)) for o, _ in own)
        after = sum(x.events for _, came in own for x in came)
        share = sum(covered(o.measurement, kind) for o, _ in own) / len(own)
        soon = sum(x.soon for _, came in own for x in came)
        events = max(
            over(count / max(total, 1) - by_chance, _MORE_THAN_CHANCE) * repeated(count)
            for count, by_chance in ((after, share), (soon, SOON * share))
        )
        changes = [(abs(c.decibels), c, x, o) for o, came in own for x in came for c in x.changes]
        said = f"{after} of {total} interruptions soon after it" if total else "nothing came"
        changed = 0.0
        if changes:
            _, change, outcome, o = max(changes, key=lambda entry: entry[0])
            changed = 0.97
            said = f"'{outcome.deed.text}' changed {in_words(change)} of {o.output}"
        found.append(Clue(name, max(events, changed), said))
    placed = [x for _, came in watched for x in came if x.deed.supply is not None]
    return [*found, *_from_supply(placed)]


def _from_supply(placed: Sequence[Outcome]) -> Iterator[Clue]:
    """Whether it comes when the supply is worked on, rather than when another place is."""
    there = [x.anything for x in placed if x.deed.supply]
    elsewhere = [x.anything for x in placed if not x.deed.supply]
    if there and elsewhere and any(there + elsewhere):
        own, other = sum(there) / len(there), sum(elsewhere) / len(elsewhere)
        said = f"{sum(there)} of {len(there)} there, {sum(elsewhere)} of {len(elsewhere)} elsewhere"
        yield Clue("comes from the supply", over(own - other, _RATHER_THERE), said)


_RATHER_THERE = (0.0, 0.12)  # of the times, more than elsewhere
