"""An invented unit whose control was turned, jacks were moved, and which was left running.

The control is made of resistances (`tests.measure.pots`), the soak of closed forms; both are
measured by the checks, for their plots show what these find.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sigbench.checks.jack import check_jack
from sigbench.checks.pot import check_pot
from sigbench.compare import compare_stages
from sigbench.model import (
    CheckSettings,
    Event,
    Measurement,
    Output,
    Reading,
    Rig,
    Run,
    Source,
    StageComparison,
    Step,
    Take,
    TakeRecord,
    Unit,
)
from tests.measure.pots import RATE, audio, hand, mismatched, record, saw

UNIT = Unit("Example Instruments", "Bench Synth 6", "0001", (Output("main output", 2),))
RIG = Rig("portaudio", "two-channel USB interface", RATE, "line inputs 1 and 2")
POT = Step("pot", "main output", "Turn the volume", 30.0, settings=CheckSettings(taper="audio"))
JACK = Step("jack", "main output", "Move both plugs", 8.0)
SOAK = Step("soak", "main output", "Leave it running", 3600.0)
NAMES = "as received", "after cleaning"


def turned(worn: bool) -> Take:
    """A volume control of 10 kilohms with two worn places on the left; then cleaned."""
    rng = np.random.default_rng(21 if worn else 22)
    x = hand(26, rng, sweeps=6 if worn else 5)

    def mismatch(x: np.ndarray) -> np.ndarray:
        return 1.2 * np.sin(2.5 * x) + 0.2

    gangs = [mismatched(audio(0.15), mismatch, sign, load_ohms=100e3) for sign in (1, -1)]
    if worn:
        gangs[0] = replace(gangs[0], worn=((0.38, 0.47, 0.5), (0.72, 0.75, 0.6)))
    samples = record(x, tuple(gangs), saw(len(x)), rng, snr_db=55, clicks=3 if worn else 0)
    return take_of(samples)


def wiggled(loose: bool) -> Take:
    """Two plugs are moved, four seconds each; the left one lets go if it is loose."""
    rng = np.random.default_rng(31)
    time = np.arange(8 * RATE) / RATE
    tone = 0.3 * np.sin(2 * np.pi * 330 * time)
    samples = np.stack([tone, tone], axis=1) + 1e-5 * rng.standard_normal((len(time), 2))
    if loose:
        for start, length in ((1.2, 0.24), (2.1, 0.05), (3.0, 0.012)):
            samples[round(start * RATE) : round((start + length) * RATE), 0] *= 1e-4
    marks = (
        Event("mark", 0.0, 0.0, (), place="main L"),
        Event("mark", 4.0, 4.0, (), place="main R"),
    )
    return replace(take_of(samples), marks=marks)


def left_running(ill: bool) -> Measurement:
    """An hour: warming up, and hum that sets in after 40 minutes if the unit is ill."""
    rng = np.random.default_rng(41)
    time = np.arange(6.0, 3600.0, 12.0)
    readings = []
    for channel in (1, 2):
        warm = np.exp(-time / 900)
        level = -12.0 - 0.4 * warm + 0.02 * rng.standard_normal(len(time))
        pitch = -6 * (1 - warm) + 0.05 * rng.standard_normal(len(time))
        hum = -95.0 + 0.5 * rng.standard_normal(len(time))
        noise = -88.0 + 0.2 * rng.standard_normal(len(time))
        if ill and channel == 1:
            hum += np.where(time > 2400, 25 * (1 - np.exp(-(time - 2400) / 200)), 0.0)
            level -= np.where(time > 2400, 0.8, 0.0)
        for name, unit, values in (
            ("level", "dBFS", level), ("pitch", "cents", pitch),
            ("hum", "dBFS", hum), ("noise", "dBFS", noise),
        ):  # fmt: skip
            points = tuple(zip(time.tolist(), values.tolist(), strict=True))
            own = (0.05,) * len(points)
            readings.append(Reading(f"{name}_course", points, unit, channel, own))
        readings.append(
            Reading("onset", 2400.0, "s", channel, 12.0)
            if ill and channel == 1
            else Reading.invalid("onset", "s", "none found: 60 min watched", channel=channel)
        )
    events = [
        Event("mark", 600.0, 600.0, (), text="lid closed"),
        Event("mark", 2700.0, 2700.0, (), text="tapped the regulator board"),
    ]
    if ill:
        events += [
            Event("dropout", 2710.0, 2712.0, (1,), 60.0),
            Event("dip", 3000.0, 3010.0, (1,), 9.0),
        ]
    source = Source("interface", None, None, RATE, 2, 3600 * RATE)
    return Measurement("soak", source, tuple(readings), tuple(events))


def take_of(samples: np.ndarray) -> Take:
    source = Source("interface", None, None, RATE, samples.shape[1], len(samples))
    return Take(samples, RATE, source)


@dataclass(frozen=True)
class Hands:
    before: tuple[Run, ...]
    after: tuple[Run, ...]
    comparison: StageComparison
    takes: dict[str, Take]

    def look_up(self, record: TakeRecord) -> Take | None:
        return self.takes.get(record.sha256)


def run_of(
    number: int, step: Step, stage: str, measurement: Measurement, record: TakeRecord | None
) -> Run:
    day = "03" if stage == NAMES[0] else "20"
    return Run(
        id=f"{stage[:2]}{number}",
        stage=stage,
        started=f"2026-11-{day}T1{number}:05:00+01:00",
        operator="A. Repairer",
        step_number=number,
        step=step,
        rig=RIG,
        takes=(record,) if record else (),
        measurements=(measurement,),
    )


def runs_of(stage: str, takes: dict[str, Take]) -> tuple[Run, ...]:
    ill = stage == NAMES[0]
    made = []
    for number, (step, take) in enumerate(((POT, turned(ill)), (JACK, wiggled(ill))), 1):
        measurement = (check_pot if step is POT else check_jack)(take, step.settings)
        digest = f"{stage}-{step.check}"
        takes[digest] = take
        record = TakeRecord(f"takes/{digest}.wav", digest, RATE, 2, take.frames, marks=take.marks)
        made.append(run_of(number, step, stage, measurement, record))
    return (*made, run_of(3, SOAK, stage, left_running(ill), None))


def make_hands(stages: Sequence[str] = NAMES) -> Hands:
    takes: dict[str, Take] = {}
    before, after = (runs_of(stage, takes) for stage in stages)
    comparison = compare_stages(before, after, before_name=stages[0], after_name=stages[1])
    return Hands(before, after, comparison, takes)
