"""A unit and a plan that the simulated interface carries out in a second, and a flawed device."""

from collections.abc import Generator
from pathlib import Path

import numpy as np

from sigbench.bench.folder import Bench
from sigbench.interface.base import Block
from sigbench.interface.simulated import REPAIRED, SimulatedInterface
from sigbench.model import CheckSettings, Limit, LostBuffers, Output, Plan, Rail, Step, Unit

UNIT = Unit("Own", "Duo", "0007", (Output("main"), Output("phones", 1)), 230.0, 50.0)
UNIT_ID = "own-duo-0007"
PLAN = Plan(
    "short",
    (
        Step("rails", "supply", "Measure.", rails=(Rail("+15 V", 15.0), Rail("-15 V", -15.0))),
        Step("idle", "main", "Play nothing.", seconds=0.5, repeats=2),
        Step(
            "tone",
            "phones",
            "Hold A4.",
            seconds=0.5,
            repeats=2,
            settings=CheckSettings(frequency_hz=440.0),
            limits=(Limit("tone_level", "dBFS", -20.0, None),),
        ),
    ),
)


def make_bench(folder: Path, plan: Plan = PLAN) -> Path:
    with Bench.create(folder) as bench:
        assert bench.add_unit(UNIT) == UNIT_ID
        bench.set_plan(UNIT_ID, plan)
    return folder


class Flawed(SimulatedInterface):
    """Takes of the given numbers, from 0, lose a buffer or are clipped."""

    def __init__(self, *, lossy: tuple[int, ...] = (), clipped: tuple[int, ...] = ()) -> None:
        super().__init__(REPAIRED, seed=5)
        self.lossy, self.clipped, self.count = lossy, clipped, 0

    def stream(self, *, seconds, stimulus=None) -> Generator[Block, None, None]:
        number, self.count = self.count, self.count + 1
        for block in super().stream(seconds=seconds, stimulus=stimulus):
            samples, lost = block.samples, block.lost
            if number in self.clipped:
                samples = np.clip(20 * samples, -1.0, 1.0 - 2.0**-23)
            if number in self.lossy and block.first_frame == 0:
                lost = (LostBuffers(1000, 256),)
            yield Block(samples, block.first_frame, lost)
