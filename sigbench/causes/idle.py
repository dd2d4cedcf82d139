"""What is heard of an output while nothing is played: hum, hiss, tones and direct voltage."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sigbench.causes.clues import Clue, only_if, over
from sigbench.causes.observation import (
    Observation,
    median_by_channel,
    readings_of,
    told_by_channel,
)
from sigbench.model import Measurement

HUM_DB = (-68.0, 2.0)  # a line of the mains, re the note
NOISE_DB = (-70.0, 2.0)  # re the note, without hum and tones
FOLLOWS_DB = (6.0, 1.5)  # by how much hiss or hum falls with the volume, if it comes before it
REST_SHARE = 0.1  # of the noise, that hum and tones may be where the rest is told

Tones = tuple[tuple[float, float], ...]
"""Hz and dBFS of each."""


@dataclass(frozen=True, slots=True)
class Idle:
    """Numbers by channel, levels in dBFS."""

    hum_1x: Mapping[int, float]
    hum_2x: Mapping[int, float]
    hum_total: Mapping[int, float]  # bounds included
    noise: Mapping[int, float]  # A-weighted, where it is not mostly hum and tones
    noise_at_most: Mapping[int, float]
    tones: Mapping[int, Tones]
    dc: Mapping[int, float]  # of full scale
    noise_down: Mapping[int, float]  # with the volume down, bounds included
    hum_down: Mapping[int, float]

    def hum(self, channel: int) -> float:
        """The stronger of the two lines in dBFS."""
        return max(self.hum_1x.get(channel, -400.0), self.hum_2x.get(channel, -400.0))


def tones_of(measurements: Sequence[Measurement]) -> dict[int, Tones]:
    """The tones that are not of the mains, by channel: of the last measurement that tells."""
    return {
        r.channel: tuple((x[0], x[1]) for x in r.value if isinstance(x, tuple))
        for m in measurements
        for r in readings_of(m, "spurs")
        if isinstance(r.value, tuple) and r.channel is not None and r.state == "ok"
    }


def idle_of(observations: Sequence[Observation], note_dbfs: float) -> Idle:
    """What the idle checks of one output say, where a note has that level."""
    up = [o.measurement for o in observations if not o.volume_down]
    down = [o.measurement for o in observations if o.volume_down]
    return Idle(
        hum_1x=told_by_channel(up, "hum_1x", HUM_DB, re=note_dbfs),
        hum_2x=told_by_channel(up, "hum_2x", HUM_DB, re=note_dbfs),
        hum_total=median_by_channel(up, "hum_total"),
        noise=_rest_noise(up, note_dbfs),
        noise_at_most=median_by_channel(up, "noise_a"),
        tones=tones_of(up),
        dc=median_by_channel(up, "dc_offset"),
        noise_down=median_by_channel(down, "noise_a"),
        hum_down=median_by_channel(down, "hum_total"),
    )


def _rest_noise(idle: Sequence[Measurement], note_dbfs: float) -> dict[int, float]:
    """Noise without the hum and the tones in it, where they are not nearly all of it."""
    tones = tones_of(idle)
    whole = median_by_channel(idle, "noise_rms")
    hum = median_by_channel(idle, "hum_total")

    def is_rest(channel: int) -> bool:
        lines = 10 ** (hum.get(channel, -400.0) / 10)
        lines += sum(10 ** (db / 10) for _, db in tones.get(channel, ()))
        return channel in whole and lines < REST_SHARE * 10 ** (whole[channel] / 10)

    weighted = told_by_channel(idle, "noise_a", NOISE_DB, re=note_dbfs)
    return {
        channel: weighted[channel] for channel in whole if channel in weighted and is_rest(channel)
    }


def follows_volume(name: str, fall: float, there: float | None, place: str) -> Clue:
    """Whether something falls with the volume, by so many dB."""
    said = f"{max(fall, 0.0):.0f} dB less on {place}"
    return Clue(name, only_if(over(fall, FOLLOWS_DB), there), said)
