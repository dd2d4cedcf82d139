"""Whether what the computer loses is ever taken for the instrument's, and whether anything of the
instrument's is missed meanwhile: takes of three minutes through a sound server, with a pilot.

Run ``python -m benchmarks.under_load [seconds] [takes]``. Each take is made while four processes
load the computer, and while the recording program, the instrument or the sound server's sink is
stopped for some tenths of a second every four seconds.
"""

import sys
import tempfile
import time
from pathlib import Path

from tests.interface.conftest import running_sound_server
from tests.interface.instrument import running_instrument
from tests.interface.loaded import TakeEnded, judged, take_under_load

BUSY = 4
SECONDS_A_HINDRANCE = 4.0
PATIENCE_SECONDS = 10.0  # with audio that stands still: else few takes would last


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 180.0
    takes = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    print("seconds  losses  own dropouts  in losses  found  missed  wrong  spared  judged in")
    for seed in range(takes):
        with (
            tempfile.TemporaryDirectory() as place,
            running_sound_server(rig_rate=48_000) as server,
            running_instrument(server.environment) as instrument,
        ):
            try:
                samples, lost = take_under_load(
                    server,
                    instrument,
                    Path(place) / "take.npy",
                    seconds=seconds,
                    busy=BUSY,
                    hindrances=round(seconds / SECONDS_A_HINDRANCE),
                    seed=seed,
                    patience=PATIENCE_SECONDS,
                )
            except TakeEnded as ended:
                print(f"{seconds:7g}  {ended}", flush=True)
                continue
        begun = time.perf_counter()
        found = judged(samples, lost)
        print(
            f"{seconds:7g}  {len(lost):6}  {found.by_the_instrument:12}  {found.inside:9}"
            f"  {found.found:5}  {len(found.missed):6}  {len(found.wrong):5}  {found.spared:6}"
            f"  {time.perf_counter() - begun:7.1f} s",
            flush=True,
        )
        for name, places in (("missed", found.missed), ("wrong", found.wrong)):
            for start, end in places:
                print(f"  {name}: {start:.4f} to {end:.4f} s")


if __name__ == "__main__":
    main()
