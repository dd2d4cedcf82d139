"""Every clue that a set of observations gives: from readings to statements."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from sigbench.causes.bass import bass_clues
from sigbench.causes.clues import CLUES, Clue
from sigbench.causes.contacts import contact_clues
from sigbench.causes.deeds import deed_clues
from sigbench.causes.direct import direct_clues
from sigbench.causes.distortion import distortion_clues
from sigbench.causes.hum import hum_clues
from sigbench.causes.level import level_clues
from sigbench.causes.likeness import is_stereo
from sigbench.causes.noise import noise_clues
from sigbench.causes.observation import Observation
from sigbench.causes.output import beside_the_loudest, output_of
from sigbench.causes.pairing import paired
from sigbench.causes.pot import balance_at_top, pot_clues
from sigbench.causes.rails import rail_clues
from sigbench.causes.silence import silence_clues
from sigbench.causes.tones import tone_clues


def gather(observations: Sequence[Observation]) -> tuple[Clue, ...]:
    """Every clue that the observations give, in the order of `CLUES`.

    Parameters
    ----------
    observations : sequence of Observation
        Idle, tone, jack, dropouts, soak, pot and rails checks of one unit at one stage. Two notes
        of one pitch at two levels, and a low note beside a middle one, make some clues possible.
    """
    groups: dict[str, list[Observation]] = {}
    for observation in observations:
        groups.setdefault(observation.output, []).append(observation)
    told = [o for name, group in groups.items() if (o := output_of(name, group)) is not None]
    outputs = beside_the_loudest(paired(told))
    stereo = is_stereo(outputs)
    found = [
        *hum_clues(outputs),
        *noise_clues(outputs),
        *tone_clues(outputs),
        *level_clues(outputs, stereo=stereo, at_top=balance_at_top(observations)),
        *silence_clues(outputs),
        *bass_clues(outputs, stereo=stereo),
        *distortion_clues(outputs, stereo=stereo),
        *direct_clues(outputs),
        *contact_clues(observations),
        *deed_clues(observations),
        *pot_clues(observations, outputs),
        *rail_clues(observations),
    ]
    known = _settled({clue.name: clue for clue in found})
    return tuple(known.get(name, Clue(name, None)) for name in CLUES)


def _settled(known: Mapping[str, Clue]) -> dict[str, Clue]:
    """The clues without those that another one takes the meaning from."""

    def likely(name: str) -> bool:
        return name in known and (known[name].holds or 0.0) > 0.5

    def unlikely(name: str) -> bool:
        return name in known and (known[name].holds or 0.0) < 0.5

    gone: set[str] = set()
    if likely("dead channel"):
        # Dead is more than weak, and of the rest of a dead channel nobody can tell.
        gone = {"weak channel"}
        gone |= set(filter(unlikely, ("distortion", "weaker when quiet", "weaker when loud")))
    elif likely("weak channel") and unlikely("dead channel"):
        gone = {"dead channel"}  # what is weak is known not to be dead: that tells nothing more
    settled = {name: clue for name, clue in known.items() if name not in gone}
    if likely("weaker when quiet") and unlikely("worse when quiet"):
        # What hardly lets a quiet note through has not much of it to distort.
        settled["worse when quiet"] = replace(known["worse when quiet"], holds=None)
    return settled
