"""Records to store: one of everything, and small takes with known samples."""

import numpy as np

from sigbench.model import (
    Cause,
    CheckSettings,
    Event,
    Limit,
    LostBuffers,
    Measurement,
    Output,
    Plan,
    Rail,
    Reading,
    Rig,
    Run,
    Source,
    Step,
    Take,
    TakeRecord,
    Unit,
)

UNIT = Unit(
    "Own Works",
    "Two-voice Mk II",
    "0042",
    (Output("main"), Output("phones", 2), Output("out 1", 1)),
    230.0,
    50.0,
    'bought "dead"; “smells” of ⚡\nkey C3 sticks',
)
STEP = Step(
    "tone",
    "main",
    "Hold A4, volume fully up.",
    settings=CheckSettings(frequency_hz=440.0, mains_hz=50.0),
    limits=(Limit("thd", "dB", None, -40.0),),
)
PLAN = Plan(
    "standard",
    (
        Step("rails", "main", "Probe the rails.", rails=(Rail("+5", 5.0, 5.0, 4.98),)),
        STEP,
        Step("idle", "main", "Play nothing.", seconds=10.0, repeats=3, volume="half"),
    ),
)
RIG = Rig("simulated", "unit with faults", 48_000, "gain at 12 o'clock")


def integer_take(bits: int, *, frames: int = 1000, channels: int = 2, start: int = 0) -> Take:
    """Samples k / 2^(bits - 1) for random whole k, both ends of the range among them."""
    full = 2 ** (bits - 1)
    whole = np.random.default_rng([bits, frames, start]).integers(-full, full, (frames, channels))
    whole[0], whole[-1] = -full, full - 1
    return take_of(whole / full, bits=bits)


def take_of(samples: np.ndarray, *, bits: int | None = None, samplerate: int = 48_000) -> Take:
    frames, channels = samples.shape
    source = Source("simulated", None, None, samplerate, channels, frames, 1)
    return Take(samples, samplerate, source, (LostBuffers(17, 64), LostBuffers(90)), bits, True)


def run_of(
    run_id: str,
    takes: tuple[TakeRecord, ...] = (),
    *,
    stage: str = "as received",
    started: str = "2026-03-01T09:30:00+01:00",
    readings: tuple[Reading, ...] | None = None,
    events: tuple[Event, ...] | None = None,
    step_number: int = 2,
) -> Run:
    if readings is None:
        readings = (
            Reading("tone_level", -12.25, "dBFS", 1, 0.01),
            Reading("thd", -71.5, "dB", 1, 0.2, "rig-limited", "within 6 dB of the rig"),
            Reading.invalid("thd_n", "dB", "input clipped on 212 samples", channel=2),
            Reading("balance", 0.12, "dB", None, 0.01, channels=(1, 2)),
            Reading("harmonics", (-60.1, -72.5), "dB", 1, (0.1, 0.4)),
            Reading("spurs", ((1234.5, -95.0), (15_625.0, -88.1)), "dBFS", 1),
            Reading("spurs", (), "dBFS", 2),
            Reading("hum_1x", -110.0, "dBFS", 1, 4.34, upper_bound=True),
        )
    if events is None:
        events = (
            Event("dropout", 3.2101, 3.2475, (1,), 41.2),
            Event("mark", 4.0, 4.0, (1, 2), None, "tapped the board"),
        )
    source = Source("simulated", None, None, 48_000, 2, 1000, 2)
    causes = (Cause("dry joint", 0.81, ("dropouts in channel 1",), ("no hum",), "reflow J3"),)
    measured = Measurement("tone", source, readings, events, causes)
    return Run(
        run_id, stage, started, "A. Repairer", step_number, STEP, RIG, takes,
        (measured,) * max(1, len(takes)),
    )  # fmt: skip
