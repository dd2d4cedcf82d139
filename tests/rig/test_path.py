"""The rig test against faults made by independent code: models, sox, and a real audio server.

Each fault that is there is named, and no other is.
"""

import contextlib
import math
import shutil
import subprocess
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sigbench.errors import RequestError, SignalError
from sigbench.interface.base import capture
from sigbench.interface.loopback import Converters, LoopbackInterface
from sigbench.model import LostBuffers
from sigbench.rig.path import (
    FINDINGS,
    SPARE_SECONDS,
    PathFinding,
    find_path_faults,
    run_path_test,
)
from sigbench.rig.path_advice import WHAT_TO_DO
from sigbench.rig.path_stimulus import STIMULUS_SECONDS, path_stimulus
from tests.interface.conftest import SoundServer, running_sound_server

from . import faults
from .faults import Model

Sound = NDArray[np.float64]
RATE = 48_000
LATENCY = 4_321
PARTS = Converters()
NOISY = replace(
    PARTS,
    output_full_scale_dbu=(10.0, 10.2),
    input_full_scale_dbu=(22.0, 21.9),
    output_noise_dbfs=-96.0,
    input_noise_dbfs=-92.0,
    hum_dbfs=-85.0,
    second_harmonic_db=-70.0,
    third_harmonic_db=-72.0,
    coupling_hz=5.0,
    crosstalk_db=-45.0,
    offset=3e-4,
)
HOT = replace(PARTS, output_full_scale_dbu=(20.0,), input_full_scale_dbu=(14.0,))


@lru_cache(maxsize=4)
def in_the_computer(rate: int = RATE, latency: int = LATENCY) -> Sound:
    """What is played, as a loop without converters brings it back."""
    line = np.pad(path_stimulus(rate, 2), ((latency, rate - latency), (0, 0)))
    line.setflags(write=False)
    return line


@lru_cache(maxsize=4)
def through_converters(parts: Converters = PARTS, rate: int = RATE) -> Sound:
    """What is played, as a loop with converters and cables brings it back."""
    rig = LoopbackInterface(parts, samplerate=rate, seed=1)
    take = capture(
        rig, seconds=STIMULUS_SECONDS + SPARE_SECONDS, stimulus=path_stimulus(rate, rig.outputs)
    )
    take.samples.setflags(write=False)
    return take.samples


def of_32_bits(sound: Sound) -> Sound:
    return np.float64(np.float32(sound))


def told(findings: Sequence[PathFinding], answer: bool | None = True) -> set[str]:
    return {finding.name for finding in findings if finding.present is answer}


def named(findings: Sequence[PathFinding], name: str) -> PathFinding:
    return next(finding for finding in findings if finding.name == name)


# --- nothing is wrong -----------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [44_100, 48_000, 192_000])
def test_a_loop_within_the_computer_is_clean_in_every_respect(rate: int) -> None:
    findings = find_path_faults(of_32_bits(in_the_computer(rate)), rate)
    assert told(findings, False) == set(FINDINGS)
    assert [finding.name for finding in findings] == list(FINDINGS)
    assert all(finding.what_to_do == {} for finding in findings)


@pytest.mark.parametrize("parts", [PARTS, NOISY, HOT], ids=["good", "noisy", "hot"])
def test_converters_and_cables_are_no_fault(parts: Converters) -> None:
    findings = find_path_faults(through_converters(parts), RATE)
    assert told(findings) == set()
    unsure = {"software_volume"} | ({"truncation_16_bit"} if parts is NOISY else set())
    assert told(findings, None) == unsure
    assert "calibrate" in named(findings, "software_volume").evidence


@settings(max_examples=5)
@given(
    gain_db=st.floats(-35, 0),
    latency=st.integers(0, 40_000),
    noise_db=st.floats(-115, -95),
    turned=st.booleans(),
)
def test_gain_latency_noise_and_polarity_are_no_fault(
    gain_db: float, latency: int, noise_db: float, turned: bool
) -> None:
    rng = np.random.default_rng(0)
    came = np.roll(in_the_computer(), latency - LATENCY, axis=0) * 10 ** (gain_db / 20)
    came = came + 10 ** ((noise_db - 3) / 20) * rng.standard_normal(came.shape)
    assert told(find_path_faults(-came if turned else came, RATE)) == set()


# --- one thing is wrong: models -------------------------------------------------------------------

OUT: dict[str, tuple[str, Model]] = {
    "other rate, straight lines": ("resampling", faults.straight_lines(faults.family)),
    "other rate, poor filter": ("resampling", faults.poly(faults.family)),
    "other rate, good filter": ("resampling", faults.poly(faults.family, ("kaiser", 12.0))),
    "compressor": ("automatic_gain", faults.feed_forward(-30, 2, 0.005, 0.2)),
    "limiter": ("automatic_gain", faults.feed_forward(-6, 20, 0.002, 0.1)),
    "slow gain": ("automatic_gain", faults.feed_forward(-40, 4, 0.3, 3.0)),
    "gate 12 dB": ("noise_suppression", faults.gate(-55, 12)),
    "spectral suppressor": ("noise_suppression", faults.spectral(15, -60)),
    "16 bits": ("truncation_16_bit", faults.rounded()),
    "mono": ("mono", faults.mixed(0.5, 0.5)),
    "high-pass 20 Hz": ("high_pass", faults.high_pass(1, 20)),
}
IN: dict[str, tuple[str, Model]] = {
    "double rate, straight lines": ("resampling", faults.straight_lines(lambda rate: 2 * rate)),
    "half rate": ("resampling", faults.poly(faults.half)),
    "leveller": ("automatic_gain", faults.feed_back(-18, 0.3)),
    "slow leveller": ("automatic_gain", faults.feed_back(-18, 3.0)),
    "gate to zero": ("noise_suppression", faults.gate(-50, np.inf)),
    "gate over the noise": ("noise_suppression", faults.gate(-75, np.inf)),
    "volume": ("software_volume", faults.volume_of_32_bits(0.7)),
    "16 bits": ("truncation_16_bit", faults.rounded()),
    "16 bits cut off": ("truncation_16_bit", faults.rounded(way="floor")),
    "16 bits with dither": ("truncation_16_bit", faults.rounded(way="dither")),
    "leak": ("mono", faults.mixed(1.0, 0.1)),
    "left to both": ("mono", lambda sound, rate: sound[:, [0, 0]]),
    "gate over soft tones": ("noise_suppression", faults.gate(-35, 30)),
    "swap": ("swapped_channels", faults.swapped),
    "high-pass 1 kHz": ("high_pass", faults.high_pass(4, 1000)),
    "high-pass 80 Hz": ("high_pass", faults.high_pass(2, 80)),
}


@pytest.mark.parametrize("fault", OUT)
def test_a_fault_on_the_way_to_the_converters_is_named_and_no_other(fault: str) -> None:
    name, model = OUT[fault]
    findings = run_path_test(LoopbackInterface(PARTS, on_the_way_out=model)).findings
    assert told(findings) == {name}, findings
    assert set(named(findings, name).what_to_do) == {"Windows", "macOS", "Linux"}


@pytest.mark.parametrize("fault", IN)
def test_a_fault_on_the_way_from_the_converters_is_named_and_no_other(fault: str) -> None:
    name, model = IN[fault]
    findings = find_path_faults(model(through_converters(), RATE), RATE)
    if fault == "double rate, straight lines":
        # Its images fold onto the tone itself: only the comb at the top of the band tells.
        assert told(findings) <= {name}
    else:
        assert told(findings) == {name}, findings


@pytest.mark.parametrize("fault", ["compressor", "gate 12 dB", "16 bits"])
def test_the_same_holds_in_a_noisy_loop_or_it_cannot_be_told(fault: str) -> None:
    name, model = OUT[fault]
    findings = run_path_test(LoopbackInterface(NOISY, on_the_way_out=model)).findings
    assert told(findings) <= {name}, findings
    assert named(findings, name).present is not False


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_conversion_is_found_at_other_rates(rate: int) -> None:
    for other_of in (faults.family, faults.half):
        came = of_32_bits(faults.poly(other_of)(in_the_computer(rate), rate))
        findings = find_path_faults(came, rate)
        assert told(findings) == {"resampling"}


def test_a_band_cut_at_half_its_width_is_no_path_without_converters() -> None:
    came = faults.poly(faults.half)(through_converters(PARTS, 96_000), 96_000)
    findings = find_path_faults(came, 96_000)
    assert told(findings) == {"resampling"}
    assert "as at 48000 Hz" in named(findings, "resampling").evidence


def test_a_band_that_ends_early_at_its_own_rate_may_be_the_converters_own() -> None:
    """A conversion up and down again with a good filter leaves no other trace."""
    model = faults.poly(lambda rate: 96_000, ("kaiser", 12.0))
    findings = find_path_faults(model(through_converters(), RATE), RATE)
    assert told(findings) == set()
    assert "a few converters" in named(findings, "resampling").evidence
    assert told(find_path_faults(model(in_the_computer(), RATE), RATE)) == {"resampling"}


def test_16_bits_with_dither_before_converters_are_never_denied() -> None:
    rig = LoopbackInterface(PARTS, on_the_way_out=faults.rounded(way="dither"))
    findings = run_path_test(rig).findings
    assert told(findings) == set()
    assert "hide" in named(findings, "truncation_16_bit").evidence


@pytest.mark.parametrize("ppm", [-1000.0, 3.0])
def test_the_difference_of_two_clocks_is_measured(ppm: float) -> None:
    rig = LoopbackInterface(replace(PARTS, clock_ppm=ppm))
    findings = run_path_test(rig).findings
    assert told(findings) == {"clock_drift"}
    drift = named(findings, "clock_drift")
    assert drift.unit == "ppm"
    assert drift.value is not None
    assert drift.uncertainty is not None
    assert drift.uncertainty < 0.1
    assert drift.value == pytest.approx(ppm, abs=max(4 * drift.uncertainty, 0.05))


@pytest.mark.parametrize(
    ("played", "recorded"), [(44_100, 48_000), (96_000, 48_000), (16_000, 48_000), (48_000, 44_100)]
)
def test_a_wrong_rate_is_named_with_the_rates_that_explain_it(played: int, recorded: int) -> None:
    model = faults.at_rate(lambda rate: played)
    findings = find_path_faults(model(in_the_computer(recorded), recorded), recorded)
    rate = named(findings, "wrong_rate")
    assert rate.present is True
    assert rate.value == pytest.approx(played / recorded, rel=2e-3)
    assert f"played at {played} Hz and recorded at {recorded} Hz" in rate.evidence
    others = [finding for finding in findings if finding.name != "wrong_rate"]
    assert all(f.present is None and "rate is right" in f.evidence for f in others)


def test_the_corner_of_a_high_pass_is_measured() -> None:
    for order, corner_hz in ((1, 30.0), (2, 100.0), (4, 150.0)):
        came = faults.high_pass(order, corner_hz)(in_the_computer(), RATE)
        found = named(find_path_faults(came, RATE), "high_pass")
        assert found.value == pytest.approx(corner_hz, rel=0.1)
    came = faults.high_pass(1, 7.0)(in_the_computer(), RATE)
    found = named(find_path_faults(came, RATE), "high_pass")
    assert found.present is False
    assert found.value == pytest.approx(7.0, rel=0.15)


def test_a_volume_is_measured_against_the_calibration_where_there_are_converters() -> None:
    quieter = 0.9 * through_converters()
    loop = (-2.0, -2.13)  # full scale of the output less that of the input, dBu
    findings = find_path_faults(quieter, RATE, expected_loop_dbfs=loop)
    assert told(findings) == {"software_volume"}
    findings = find_path_faults(through_converters(), RATE, expected_loop_dbfs=loop)
    assert told(findings, False) == set(FINDINGS)
    assert named(findings, "software_volume").value == pytest.approx(-2.0, abs=0.01)
    turned_up = replace(PARTS, input_full_scale_dbu=(17.0,))
    findings = find_path_faults(through_converters(turned_up), RATE, expected_loop_dbfs=loop)
    assert named(findings, "software_volume").present is None
    assert "turned up" in named(findings, "software_volume").evidence


@pytest.mark.parametrize("share", [0.03, 0.7, 1.3])
def test_a_volume_on_the_way_in_stretches_the_steps_of_the_samples(share: float) -> None:
    came = faults.volume_of_32_bits(share)(through_converters(), RATE)
    volume = named(find_path_faults(came, RATE), "software_volume")
    assert volume.present is True
    assert f"{share:.3f} of those of 24 bits" in volume.evidence


def test_an_input_that_clips_below_full_scale_is_turned_down() -> None:
    findings = find_path_faults(0.5 * through_converters(HOT), RATE)
    assert told(findings) == {"software_volume"}
    assert "clips at 50.0 %" in named(findings, "software_volume").evidence


# --- one thing is wrong: sox ----------------------------------------------------------------------

SOX: dict[str, tuple[str, str]] = {
    "rate -q 44100 rate -q 48000": ("resampling", ""),
    "rate -l 44100 rate -l 48000": ("resampling", ""),
    "rate -v 44100 rate -v 48000": ("resampling", ""),
    "rate -h 32000 rate -h 48000": ("resampling", ""),
    "compand 0.005,0.2 -90,-90,-30,-30,0,-15": ("automatic_gain", ""),
    "compand 0.3,2 -90,-60,-40,-20,0,-16": ("automatic_gain", ""),
    "compand 0.01,0.1 -90,-140,-55,-55,0,0": ("noise_suppression", ""),
    "vol 0.5": ("software_volume", ""),
    "vol -0.2dB": ("software_volume", ""),
    "vol 0.001": ("software_volume", ""),
    "bass +6": ("automatic_gain", ""),
    "compand 0.005,0.05 -90,-150,-36,-50,-34,-34,0,0": ("noise_suppression", ""),
    "remix 2 1": ("swapped_channels", ""),
    "remix 1,2 1,2": ("mono", ""),
    "highpass -1 25": ("high_pass", ""),
    "highpass 120": ("high_pass", ""),
    "speed 0.91875": ("wrong_rate", ""),
    "no effect, 16 bits": ("truncation_16_bit", "-D -b 16 -e signed"),
    "dither": ("truncation_16_bit", "-b 16 -e signed"),
}


def through_sox(sound: Sound, effects: str, form: str) -> Sound:
    if shutil.which("sox") is None:
        pytest.skip("NO SOX, its faults are untested: apt-get install sox")
    raw = ["-t", "raw", "-r", str(RATE), "-c", "2"]
    flags, kind = form.split(" ")[:1], form.split(" ")[1:]
    if "-D" not in flags:
        flags, kind = [], form.split()
    if not form:
        flags, kind = ["-D"], ["-b", "32", "-e", "float"]
    done = subprocess.run(
        ["sox", *flags, "-V1", *raw, "-b", "32", "-e", "float", "-", *raw, *kind, "-",
         *([] if effects.startswith("no") else effects.split())],
        input=np.float32(sound).tobytes(), capture_output=True, check=True,
    )  # fmt: skip
    if form:
        return np.frombuffer(done.stdout, np.int16).reshape(-1, 2) / 2.0**15
    return np.float64(np.frombuffer(done.stdout, np.float32).reshape(-1, 2))


@pytest.mark.parametrize("effects", SOX)
def test_what_sox_does_to_a_loop_within_the_computer_is_named_and_nothing_else(
    effects: str,
) -> None:
    name, form = SOX[effects]
    findings = find_path_faults(through_sox(in_the_computer(), effects, form), RATE)
    assert told(findings) == {name}, findings


# --- one thing is wrong: a real audio server ------------------------------------------------------


@contextlib.contextmanager
def held(server: SoundServer, sink: str, *arguments: str) -> Iterator[None]:
    """A player of silence that keeps a sink at its rate."""
    player = subprocess.Popen(
        ["pacat", "--raw", *arguments, "-d", sink, "/dev/zero"], env=server.environment,
        stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        for _ in range(100):  # 10 s
            listed = subprocess.run(
                ["pactl", "list", "short", "sinks"],
                env=server.environment, capture_output=True, text=True,
            )  # fmt: skip
            if any(sink in row and "RUNNING" in row for row in listed.stdout.splitlines()):
                break
            time.sleep(0.1)
        yield
    finally:
        player.kill()
        player.wait()


def through_server(server: SoundServer, sink: str, source: str, played_rate: int) -> Sound:
    """What comes out of a source while the test is played into a sink."""
    common = ["--raw", "--format=float32le", "--channels=2", "--latency-msec=1000"]
    longest = round((STIMULUS_SECONDS * RATE / played_rate + 4) * RATE) * 8
    sent = np.float32(path_stimulus(RATE, 2)).tobytes()
    received = bytearray()
    with (
        subprocess.Popen(
            ["parec", *common, f"--rate={RATE}", "-d", source],
            env=server.environment, stdout=subprocess.PIPE,
        ) as recorder,
        subprocess.Popen(
            ["pacat", *common, f"--rate={played_rate}", "-d", sink],
            env=server.environment, stdin=subprocess.PIPE,
        ) as player,
    ):  # fmt: skip
        assert recorder.stdout is not None
        received.extend(recorder.stdout.read(8 * RATE // 5))  # it runs
        feeder = threading.Thread(target=player.communicate, args=(sent,))
        feeder.start()
        wanted = longest
        while len(received) < wanted and (piece := recorder.stdout.read(1 << 16)):
            if wanted == longest and np.any(
                np.abs(np.frombuffer(piece[: len(piece) // 4 * 4], np.float32)) > 1e-3
            ):
                # It has begun: to its end, and a second more for what delays a part of it.
                wanted = (
                    len(received) + round((STIMULUS_SECONDS * RATE / played_rate + 1) * RATE) * 8
                )
            received.extend(piece)
        recorder.kill()
        player.kill()
        feeder.join()
    came = np.float64(np.frombuffer(bytes(received), np.float32).reshape(-1, 2))
    loud = np.flatnonzero(np.max(np.abs(came), axis=1) > 1e-3)
    # The marker lies 0.6 s behind the start; players take a while to start on a busy machine.
    return came[max(0, loud[0] - RATE * 8 // 10) :] if len(loud) else came


@pytest.mark.real_time
def test_what_a_real_audio_server_does_is_named() -> None:
    """All at the same time, each through a sink of its own."""
    with running_sound_server() as server, contextlib.ExitStack() as stack:

        def pactl(*arguments: str) -> None:
            subprocess.run(
                ["pactl", *arguments], env=server.environment, check=True, capture_output=True
            )

        def sink(name: str, **how: object) -> None:
            settings = {"rate": RATE, "format": "float32le", "channels": 2} | how
            pactl("load-module", "module-null-sink", f"sink_name={name}",
                  *(f"{k}={v}" for k, v in settings.items()))  # fmt: skip

        for name in ("plain", "half", "crossed", "drift", "slow", "voice", "far"):
            sink(name)
        sink("other", rate=44_100)
        sink("coarse", format="s16le")
        sink("one", channels=1)
        pactl("set-sink-volume", "half", "50%")
        pactl("load-module", "module-remap-sink", "sink_name=swap", "master=crossed", "channels=2",
              "master_channel_map=front-right,front-left", "channel_map=front-left,front-right",
              "remix=no")  # fmt: skip
        pactl("load-module", "module-echo-cancel", "aec_method=webrtc", "source_name=cleaned",
              "source_master=voice.monitor", "sink_master=far",
              'aec_args="noise_suppression=1 digital_gain_control=1 analog_gain_control=0 '
              'high_pass_filter=1"')  # fmt: skip
        # A free sink takes on the rate of the stream that comes: this one is not free.
        stack.enter_context(held(server, "other", "--rate=44100"))
        paths = {
            "plain": ("plain", "plain.monitor", RATE),
            "other": ("other", "other.monitor", RATE),
            "half": ("half", "half.monitor", RATE),
            "coarse": ("coarse", "coarse.monitor", RATE),
            "one": ("one", "one.monitor", RATE),
            "swap": ("swap", "crossed.monitor", RATE),
            "drift": ("drift", "drift.monitor", RATE - 2),
            "slow": ("slow", "slow.monitor", 44_100),
            "voice": ("voice", "cleaned", RATE),
        }
        findings: dict[str, tuple[PathFinding, ...]] = {}

        came: dict[str, Sound] = {}

        def listen(name: str) -> None:
            came[name] = through_server(server, *paths[name])

        for _ in range(6):  # a busy machine loses audio, or starts players too late
            left = [n for n in paths if n not in findings or all_unknown(findings[n], "")]
            threads = [threading.Thread(target=listen, args=(name,)) for name in left]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
            there = [name for name in left if len(came[name])]  # nothing, if a player came late
            findings |= {name: find_path_faults(came[name], RATE) for name in there}
            if not any(all_unknown(f, "") for f in findings.values()):
                break
    assert told(findings["plain"], False) == set(FINDINGS)
    assert told(findings["other"]) == {"resampling"}
    assert "44100 Hz" in named(findings["other"], "resampling").evidence
    assert told(findings["half"]) == {"software_volume"}
    # The server's volumes are cubic: 50 % is 60 dB times lg(0.5) (its own documentation).
    assert named(findings["half"], "software_volume").value == pytest.approx(-18.06, abs=0.02)
    assert told(findings["coarse"]) == {"truncation_16_bit"}
    assert told(findings["one"]) == {"mono"}
    assert told(findings["swap"]) == {"swapped_channels"}
    # A stream at 47998 Hz is converted to the sink's rate, as the sound of a slow clock would be.
    assert told(findings["drift"]) == {"clock_drift", "resampling"}
    drift = named(findings["drift"], "clock_drift").value
    assert drift == pytest.approx(-2e6 / RATE, abs=0.1)
    assert told(findings["slow"]) == {"wrong_rate"}
    # Speech processing does it all: in one channel at 32 kHz and 16 bits.
    assert told(findings["voice"]) >= {
        *("resampling", "automatic_gain", "noise_suppression", "mono", "high_pass"),
    }


# --- nothing can be told --------------------------------------------------------------------------


def all_unknown(findings: Sequence[PathFinding], words: str) -> bool:
    return all(f.present is None and words in f.evidence for f in findings)


def test_with_lost_audio_nothing_is_told() -> None:
    came = through_converters()
    assert all_unknown(
        find_path_faults(came, RATE, lost=(LostBuffers(5 * RATE, 512),)), "lost audio at 5.00 s"
    )
    for at, frames in ((1.0, 1), (3.0, 480), (10.0, 1), (10.0, 96)):
        gap = round(at * RATE)
        jumped = np.concatenate((came[:gap], came[gap + frames :], came[:frames]))
        assert all_unknown(find_path_faults(jumped, RATE), "lost")


def test_a_test_with_losses_is_repeated() -> None:
    class Losing(LoopbackInterface):
        tries = 0

        def stream(self, **how):  # type: ignore[no-untyped-def]
            self.tries += 1
            for block in super().stream(**how):
                lost = (LostBuffers(block.first_frame),) if self.tries < 2 else ()
                yield replace(block, lost=lost)

    rig = Losing(PARTS)
    assert told(run_path_test(rig, attempts=1).findings, None) == set(FINDINGS)
    assert told(run_path_test(rig).findings, None) == {"software_volume"}
    assert rig.tries == 2


def test_a_test_with_losses_that_no_one_marked_is_repeated() -> None:
    takes = 0

    def lose_a_frame_once(came: Sound, rate: int) -> Sound:
        nonlocal takes
        takes += 1
        return np.delete(came, 5 * rate, axis=0) if takes == 1 else came

    rig = LoopbackInterface(PARTS, on_the_way_in=lose_a_frame_once)
    assert told(run_path_test(rig).findings, None) == {"software_volume"}
    assert takes == 2


def test_where_nothing_came_back_nothing_is_told() -> None:
    rig = LoopbackInterface(replace(PARTS, hum_dbfs=-70.0))
    rig.unplug()
    assert all_unknown(run_path_test(rig).findings, "Nothing came back")
    silence = np.zeros((16 * RATE, 2))
    assert all_unknown(find_path_faults(silence, RATE), "Nothing came back")
    assert all_unknown(find_path_faults(silence[:100], RATE), "Nothing came back")
    rng = np.random.default_rng(0)
    noise = 0.1 * rng.standard_normal(silence.shape)
    assert all_unknown(find_path_faults(noise, RATE), "")
    assert all_unknown(find_path_faults(1e-3 * through_converters(), RATE), "too weak")


def test_one_cable_of_two_is_judged_alone() -> None:
    rig = LoopbackInterface(PARTS)
    rig.connect({2: 2})
    findings = run_path_test(rig).findings
    assert told(findings) == set()
    assert told(findings, None) == {"software_volume"}
    assert all("on 1 of 2 inputs" in finding.evidence for finding in findings)


def test_one_channel_cannot_be_swapped_nor_mixed() -> None:
    findings = run_path_test(LoopbackInterface(PARTS, channels=1)).findings
    assert told(findings, None) == {"software_volume", "mono", "swapped_channels"}
    rig = LoopbackInterface(PARTS, channels=1, outputs=2,
                            on_the_way_out=faults.mixed(0.5, 0.5))  # fmt: skip
    assert told(run_path_test(rig, outputs=2).findings) == {"mono"}


def test_crossed_cables_among_many_channels_are_named() -> None:
    rig = LoopbackInterface(PARTS, channels=4)
    rig.connect({1: 1, 2: 2, 3: 4, 4: 3})
    findings = run_path_test(rig).findings
    assert told(findings) == {"swapped_channels"}
    evidence = named(findings, "swapped_channels").evidence
    assert "nput 3 hears output 4, input 4 hears output 3" in evidence
    assert "cables" in evidence


def test_where_the_gain_moves_the_volume_cannot_be_told() -> None:
    came = faults.feed_back(-18, 0.3)(in_the_computer(), RATE)
    findings = find_path_faults(came, RATE)
    assert "gain moves" in named(findings, "software_volume").evidence
    assert named(findings, "software_volume").present is None


def test_an_input_that_clips_at_the_tone_cannot_tell_the_gain() -> None:
    parts = replace(PARTS, output_full_scale_dbu=(24.0,), input_full_scale_dbu=(10.0,))
    findings = run_path_test(LoopbackInterface(parts)).findings
    assert "automatic_gain" not in told(findings)
    assert "clipped" in named(findings, "automatic_gain").evidence


# --- requests -------------------------------------------------------------------------------------


def test_the_stimulus_is_short_and_below_full_scale() -> None:
    for rate in (44_100, 96_000):
        played = path_stimulus(rate, 3)
        assert played.shape == (round(STIMULUS_SECONDS * rate), 3)
        assert len(played) <= 15 * rate
        assert np.max(np.abs(played)) < 1.0
        assert np.array_equal(played, path_stimulus(rate, 3))


def test_what_cannot_be_judged_is_refused() -> None:
    with pytest.raises(RequestError, match="22050 Hz"):
        path_stimulus(22_050, 2)
    with pytest.raises(RequestError, match="1 to 32 outputs"):
        path_stimulus(RATE, 33)
    with pytest.raises(RequestError, match="3 expected levels do not fit 2 channels"):
        find_path_faults(np.ones((100, 2)), RATE, expected_loop_dbfs=(0, 0, 0))
    for bad in (np.zeros((0, 2)), np.zeros(100), np.full((100, 2), math.nan)):
        with pytest.raises(SignalError):
            find_path_faults(bad, RATE)


def test_every_finding_has_advice_for_the_three_systems() -> None:
    assert set(WHAT_TO_DO) == set(FINDINGS)
    for advice in WHAT_TO_DO.values():
        assert set(advice) == {"Windows", "macOS", "Linux"}
        assert all(len(text) > 20 and text.endswith(".") for text in advice.values())


def test_the_page_on_the_rig_test_gives_the_same_advice() -> None:
    page = (Path(__file__).parents[2] / "docs" / "rig-test.md").read_text("utf-8")
    for name, advice in WHAT_TO_DO.items():
        row = next(line for line in page.splitlines() if line.startswith(f"| `{name}` | ")
                   and line.count("|") == 5)  # fmt: skip
        assert all(text in row for text in advice.values())
