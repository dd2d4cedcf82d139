"""An invented unit measured before and after a repair, made with numpy alone.

The takes come from closed forms, and their readings are written down from the same numbers:
nothing here calls the measuring functions, for the report is to print what it is given.
"""

import hashlib
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from sigbench.checks.rails import measure_rails, rail_limit
from sigbench.model import (
    CheckSettings,
    Comparison,
    Event,
    Limit,
    Measurement,
    Output,
    Rail,
    Reading,
    Rig,
    Run,
    Source,
    StageComparison,
    Step,
    Take,
    TakeRecord,
    Unit,
    Verdict,
)

RATE = 48_000
SECONDS = 5.0
MAINS_HZ = 50.02
NOTE_HZ = 440.3

UNIT = Unit(
    maker="Example Instruments",
    model="Bench Synth 6",
    serial="0001",
    outputs=(Output("main output", 2), Output("phones", 2)),
    mains_volts=230.0,
    mains_hz=50.0,
    notes="bought for 40, ask for 190",
)
RIG = Rig("portaudio", "two-channel USB interface", RATE, "line inputs 1 and 2, gain at noon")
STEPS = (
    Step(
        "rails",
        "",
        "Read each supply voltage with the multimeter",
        rails=(Rail("+12 V", 12.0), Rail("−12 V", -12.0), Rail("+5 V", 5.0)),
    ),
    Step(
        "idle",
        "main output",
        "Nothing playing, volume at full",
        SECONDS,
        2,
        volume="full",
        gain="noon",
        settings=CheckSettings(mains_hz=50.0),
        limits=(Limit("hum_total", "dBFS", high=-80.0), Limit("noise_a", "dBFS", high=-80.0)),
    ),
    Step(
        "tone",
        "main output",
        "Hold A4 on the plain sine sound, volume at full",
        SECONDS,
        volume="full",
        gain="noon",
        settings=CheckSettings(frequency_hz=440.0),
        limits=(Limit("balance", "dB", low=-0.5, high=0.5), Limit("thd_n", "%", high=0.3)),
    ),
    Step(
        "dropouts",
        "main output",
        "Hold A4 and tap the case beside the jacks",
        SECONDS,
        volume="full",
        gain="noon",
    ),
)


@dataclass(frozen=True)
class State:
    """What the unit does at one stage, in amplitudes of full scale."""

    note: tuple[float, float]
    harmonics_db: tuple[float, ...]
    hum: tuple[float, float]
    noise: float
    gaps: tuple[tuple[float, float], ...]
    rails: tuple[float, float, float]


ARRIVED = State((0.40, 0.29), (-46, -41, -60, -55, -70, -66), (2e-3, 6e-3), 8e-5,
                ((1.2, 1.31), (2.9, 2.93), (3.4, 3.75)), (11.1, -12.05, 5.02))  # fmt: skip
REPAIRED = State((0.40, 0.395), (-72, -68, -86, -84, -95, -92), (6e-6, 2e-5), 2e-5, (),
                 (12.02, -12.04, 5.02))  # fmt: skip


def idle(state: State) -> np.ndarray:
    time = np.arange(int(RATE * SECONDS)) / RATE
    random = np.random.default_rng(11)
    hum = sum(
        amplitude * np.sin(2 * np.pi * k * MAINS_HZ * time + k)
        for k, amplitude in (
            (1, state.hum[0]),
            (2, state.hum[1]),
            (4, state.hum[1] / 4),
            (6, state.hum[1] / 9),
        )
    )
    noise = state.noise * random.standard_normal((len(time), 2))
    return hum[:, np.newaxis] * [1.0, 0.8] + noise


def tone(state: State) -> np.ndarray:
    time = np.arange(int(RATE * SECONDS)) / RATE
    wave = np.sin(2 * np.pi * NOTE_HZ * time)
    for k, decibels in enumerate(state.harmonics_db, 2):
        wave += 10 ** (decibels / 20) * np.sin(2 * np.pi * k * NOTE_HZ * time + 0.7 * k)
    return wave[:, np.newaxis] * state.note + idle(state)


def held(state: State) -> np.ndarray:
    samples = tone(state)
    for start, end in state.gaps:
        samples[int(start * RATE) : int(end * RATE), 0] *= 1e-4
    return samples


MAKERS = {"idle": idle, "tone": tone, "dropouts": held}


def make_take(check: str, state: State) -> tuple[Take, TakeRecord]:
    samples = MAKERS[check](state)
    digest = hashlib.sha256(samples.tobytes()).hexdigest()
    source = Source("interface", None, digest, RATE, 2, len(samples))
    record = TakeRecord(f"takes/{digest}.wav", digest, RATE, 2, len(samples), bits=24)
    return Take(samples, RATE, source, bits=24), record


def readings(check: str, late: bool) -> tuple[Reading, ...]:
    """Readings as a check gives them, worked out by hand from the states above."""

    def both(name, unit, values, u, **more):
        return [Reading(name, v, unit, k, u, **more) for k, v in enumerate(values, 1)]

    if check == "idle":
        if late:
            return (
                *both("mains_frequency", "Hz", (50.0203, 50.0201), 0.0004),
                *both("noise_rms", "dBFS", (-91.37, -91.55), 0.031),
                *both("noise_a", "dBFS", (-94.03, -94.04), 0.035),
                *both("hum_total", "dBFS", (-93.2, -95.1), 0.21),
                *both("hum_1x", "dBFS", (-104.4, -106.4), 4.34, upper_bound=True),
            )
        return (
            *both("mains_frequency", "Hz", (50.0201, 50.0199), 0.00002),
            *both("noise_rms", "dBFS", (-43.7, -45.7), 0.004),
            *both("noise_a", "dBFS", (-60.21, -62.13), 0.006),
            *both("hum_total", "dBFS", (-43.71, -45.65), 0.003),
            *both("hum_1x", "dBFS", (-53.98, -55.92), 0.003),
        )
    if check == "tone":
        harmonics = (REPAIRED if late else ARRIVED).harmonics_db
        level = (-7.959, -8.068) if late else (-7.959, -10.752)
        spread = tuple(0.01 for _ in harmonics)
        share = (0.0509, 0.0507) if late else (1.06, 1.09)
        total = (0.0514, 0.0513) if late else (1.95, 2.21)
        return (
            *both("tone_level", "dBFS", level, 0.00021),
            *both("frequency", "Hz", (440.3001, 440.3001), 0.00004),
            *both("pitch_error", "cents", (1.1802, 1.1802), 0.0002),
            *both("frequency_drift", "cents", (0.02, 0.02), 0.03, upper_bound=True),
            *both("thd", "dB", [20 * float(np.log10(s / 100)) for s in share], 0.02),
            *both("thd", "%", share, 0.00012),
            *both("thd_n", "dB", [20 * float(np.log10(s / 100)) for s in total], 0.02),
            *both("thd_n", "%", total, 0.00032),
            *(Reading("harmonics", harmonics, "dB", k, spread) for k in (1, 2)),
            Reading("balance", level[0] - level[1], "dB", None, 0.0006, channels=(1, 2)),
            Reading("polarity", 1.0, "", None, None, channels=(1, 2)),
            Reading.invalid("crosstalk", "dB", "both channels carried the signal", channel=2)
            if late
            else Reading("crosstalk", -71.2, "dB", 2, 0.4, state="rig-limited"),
        )
    count = 0.0 if late else 3.0
    return (
        *both("dropouts", "1", (count, 0.0), None),
        *both("dropout_time", "s", (0.0 if late else 0.49, 0.0), 0.0 if late else 0.0005),
        *both("crackle_rate", "1/s", (0.0, 0.0), None),
    )


def make_run(step_number: int, state: State, *, late: bool, stage: str, takes: dict) -> Run:
    step = STEPS[step_number - 1]
    records = []
    events = ()
    if step.check == "rails":
        measured = zip(step.rails, state.rails, strict=True)
        step = replace(step, rails=tuple(replace(r, measured_volts=v) for r, v in measured))
        source = Source("interface", None, None, RATE, 0, 0)
    else:
        take, record = make_take(step.check, state)
        takes[record.sha256] = take
        records = [record] * step.repeats
        source = take.source
        if step.check == "dropouts":
            events = tuple(Event("dropout", a, b, (1,), 72.0) for a, b in state.gaps)
            if not late:
                events += (
                    Event("crackle", 2.1, 2.102, (1,)),
                    Event("lost_buffers", 4.5, 4.5, (1, 2)),
                )
    found = measure_rails(step.rails).readings if step.rails else readings(step.check, late)
    measurement = Measurement(step.check, source, found, events)
    day = "2026-11-20" if late else "2026-11-03"
    return Run(
        id=f"{'b' if late else 'a'}{step_number}",
        stage=stage,
        started=f"{day}T1{step_number}:05:00+01:00",
        operator="A. Repairer",
        step_number=step_number,
        step=step,
        rig=RIG,
        takes=tuple(records),
        measurements=(measurement,) * max(len(records), 1),
    )


def compare(before: list[Run], after: list[Run]) -> StageComparison:
    """A plain stand-in for the comparison: two combined uncertainties, and lower is better."""
    comparisons = []
    for first, second in zip(before, after, strict=True):
        for old, new in zip(
            first.measurements[0].readings, second.measurements[0].readings, strict=True
        ):
            difference = uncertainty = None
            verdict: Verdict = "cannot tell"
            plain = not isinstance(old.value, tuple) and None not in (old.value, new.value)
            if plain and old.state == new.state == "ok":
                difference = new.value - old.value
                uncertainty = float(np.hypot(old.uncertainty or 0, new.uncertainty or 0))
                better = abs(new.value) < abs(old.value) or new.name not in (
                    "balance", "pitch_error", "dropouts", "dropout_time", "rail_error"
                )  # fmt: skip
                changed = abs(difference) > 2 * uncertainty
                verdict = ("better" if better else "worse") if changed else "no change"
                if (
                    new.name.startswith(("frequency", "mains_fr", "tone_level", "rail_v"))
                    and changed
                ):
                    verdict = "different"
            elif isinstance(old.value, tuple):
                verdict = "better"
            limits = (*second.step.limits, *map(rail_limit, second.step.rails))
            limit = next((x for x in limits if (x.reading, x.unit) == (new.name, new.unit)), None)
            comparisons.append(
                Comparison(
                    second.step_number,
                    second.step.check,
                    second.step.output,
                    new.name,
                    new.unit,
                    new.channel,
                    new.channels,
                    old,
                    new,
                    difference,
                    uncertainty,
                    verdict,
                    out_of_limits=False if limit else None,
                    limit=limit,
                    why="no valid number on one side" if verdict == "cannot tell" else None,
                )
            )
    return StageComparison("as received", "after repair", tuple(comparisons), ("phones",))


@dataclass(frozen=True)
class Scenario:
    before: list[Run]
    after: list[Run]
    comparison: StageComparison
    takes: dict[str, Take]

    def look_up(self, record: TakeRecord) -> Take | None:
        return self.takes.get(record.sha256)


@cache
def make_scenario() -> Scenario:
    takes: dict[str, Take] = {}
    numbers = range(1, len(STEPS) + 1)
    before = [make_run(n, ARRIVED, late=False, stage="as received", takes=takes) for n in numbers]
    after = [make_run(n, REPAIRED, late=True, stage="after repair", takes=takes) for n in numbers]
    return Scenario(before, after, compare(before, after), takes)
