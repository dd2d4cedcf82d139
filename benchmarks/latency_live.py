"""How soon a dropout is called out, from the sound in the computer to the event, through a real
sound server: an instrument in a process of its own makes dropouts at random moments.

Run ``python -m benchmarks.latency_live [seconds]``. For each dropout: from the arrival of its first
frame to the call ("sound to call"), and from the order to the instrument to the call, through two
sinks and the instrument's own buffer ("whole way"). With the share of one core that watching
costs, and what drawing the view adds.
"""

import json
import subprocess
import sys
import time

import numpy as np

from tests.interface.conftest import running_sound_server
from tests.interface.instrument import Sound, running_instrument

SECONDS = 120.0
GAP_SECONDS = (0.6, 1.4)
LENGTHS_SECONDS = (0.005, 0.02, 0.1, 0.3)


def watch(seconds: float) -> None:
    """Watch in this process; print when what arrived and was called out, as JSON."""
    from sigbench.cli.live_view import view
    from sigbench.interface.portaudio import PortAudioInterface
    from sigbench.live.watch import Watch

    interface = PortAudioInterface("rig", channels=4)
    live = Watch("jack", interface.samplerate, 2, seconds=seconds)
    arrivals: list[tuple[int, float]] = []
    calls: list[float] = []
    gate: list[np.ndarray] = []
    drawn = drawing = 0.0
    print("ready", flush=True)
    begun = time.process_time()
    for block in interface.stream(seconds=seconds):
        now = time.monotonic()
        arrivals.append((block.first_frame + len(block.samples), now))
        gate.append(block.samples[:, 2])
        own = type(block)(block.samples[:, :2], block.first_frame, block.lost)
        if "dropout" in live.feed(own):
            calls.append(time.monotonic())
        if now - drawn > 0.1:
            drawn, before = now, time.process_time()
            view(live.seen(), columns=80, lines=24, keys="")
            drawing += time.process_time() - before
    spent = time.process_time() - begun
    events = [(e.start, e.end) for e in live.seen().events if e.kind == "dropout"]
    edges = np.flatnonzero(np.diff(np.rint(np.concatenate(gate) / 0.001), prepend=0))
    print(
        json.dumps(
            {
                "rate": interface.samplerate,
                "arrivals": arrivals,
                "calls": calls,
                "edges": edges.tolist(),
                "events": events,
                "share": (spent - drawing) / seconds,
                "view": drawing / seconds,
                "lost": live.seen().lost,
            }
        ),
        flush=True,
    )


def main() -> None:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    chance = np.random.default_rng(1)
    with (
        running_sound_server(rig_rate=48_000) as server,
        running_instrument(server.environment, sound=Sound("note")) as instrument,
        subprocess.Popen(
            [sys.executable, "-m", "benchmarks.latency_live", "--watch", str(seconds)],
            env=server.environment,
            stdout=subprocess.PIPE,
            text=True,
        ) as watching,
    ):
        assert watching.stdout is not None
        assert watching.stdout.readline() == "ready\n"
        ordered = []
        end = time.monotonic() + seconds - 1
        time.sleep(3)
        while time.monotonic() < end:
            ordered.append(time.monotonic())
            instrument.drop(float(chance.choice(LENGTHS_SECONDS)))
            time.sleep(float(chance.uniform(*GAP_SECONDS)))
        found = json.loads(watching.stdout.readline())
    frames, times = map(np.array, zip(*found["arrivals"], strict=True))

    def arrived(frame: float) -> float:
        return float(times[np.searchsorted(frames, frame, side="right")])

    calls = np.array(found["calls"])
    begin, whole = [], []
    for first, last in zip(found["edges"][::2], found["edges"][1::2], strict=False):
        heard = calls[(calls >= arrived(first)) & (calls < arrived(last) + 0.3)]
        if len(heard):
            begin.append(heard[0] - arrived(first))
    for order in ordered:
        after = calls[(calls > order) & (calls < order + 0.6)]
        if len(after):
            whole.append(after[0] - order)
    print(f"{len(found['edges']) // 2} dropouts, {len(calls)} called out, lost {found['lost']}")
    for name, values in (("sound to call", begin), ("whole way", whole)):
        middle, high, most = np.quantile(values, [0.5, 0.99, 1.0]) * 1000
        print(f"{name:14} median {middle:5.0f} ms, p99 {high:5.0f} ms, most {most:5.0f} ms")
    print(f"watching {100 * found['share']:.1f} %, drawing {100 * found['view']:.1f} % of a core")


if __name__ == "__main__":
    if "--watch" in sys.argv:
        watch(float(sys.argv[-1]))
    else:
        main()
