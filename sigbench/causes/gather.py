"""Every clue that a set of observations gives: from readings to statements."""

from collections.abc import Sequence
from dataclasses import replace

from sigbench.causes.clues import CLUES, Clue
from sigbench.causes.contacts import contact_clues
from sigbench.causes.direct import dc_clue
from sigbench.causes.distortion import distortion_clues
from sigbench.causes.hands import hand_clues
from sigbench.causes.hum import hum_clues
from sigbench.causes.level import level_clues
from sigbench.causes.likeness import is_stereo
from sigbench.causes.noise import noise_clues
from sigbench.causes.observation import Observation
from sigbench.causes.output import DEAD_DB, loudest_note, output_of, paired
from sigbench.causes.pot import pot_clues
from sigbench.causes.rails import rail_clues
from sigbench.causes.tones import tone_clues


def gather(observations: Sequence[Observation]) -> tuple[Clue, ...]:
    """Every clue that the observations give, in the order of `CLUES`.

    Parameters
    ----------
    observations : sequence of Observation
        Idle, tone, jack, dropouts, soak, pot and rails checks of one unit at one stage. Two notes
        of one pitch at two levels, and a low note beside a middle one, make some clues possible.
    """
    by_output: dict[str, list[Observation]] = {}
    for observation in observations:
        by_output.setdefault(observation.output, []).append(observation)
    outputs = [o for name, group in by_output.items() if (o := output_of(name, group)) is not None]
    outputs = paired(outputs)
    loudest = loudest_note(outputs)
    outputs = [  # an output that is dead, or was not played, goes by the others
        o if any(o.notes) and o.note_dbfs > loudest - DEAD_DB[0] else replace(o, note_dbfs=loudest)
        for o in outputs
    ]
    stereo = is_stereo(outputs)
    found = [
        *hum_clues(outputs),
        *noise_clues(outputs),
        *tone_clues(outputs),
        *level_clues(outputs, stereo=stereo),
        *distortion_clues(outputs, stereo=stereo),
        dc_clue(outputs),
        *contact_clues(observations),
        *hand_clues(observations),
        *pot_clues(observations, outputs),
        *rail_clues(observations),
    ]
    known = {clue.name: clue for clue in found}
    dead = known.get("dead channel")
    if dead and (dead.holds or 0) > 0.5:
        known.pop("weak channel", None)  # dead is more than weak
        for name in ("distortion", "weaker when quiet", "weaker when loud"):
            if name in known and (known[name].holds or 0) < 0.5:
                del known[name]  # of a dead channel nobody can tell
    weak = known.get("weak channel")
    if weak and (weak.holds or 0) > 0.5 and dead and (dead.holds or 0) < 0.5:
        del known["dead channel"]  # what is weak is known not to be dead: that tells nothing more
    hardly, worse = known.get("weaker when quiet"), known.get("worse when quiet")
    if hardly and (hardly.holds or 0) > 0.5 and worse and (worse.holds or 0) < 0.5:
        # What hardly lets a quiet note through has not much of it to distort.
        known["worse when quiet"] = replace(worse, holds=None)
    return tuple(known.get(name, Clue(name, None)) for name in CLUES)
