"""The pilot around a simulated rig whose computer loses, repeats and silences audio."""

import numpy as np
import pytest

from sigbench.checks import measure
from sigbench.errors import CaptureFailed
from sigbench.interface.base import capture
from sigbench.interface.loopback import Converters, LoopbackInterface
from sigbench.interface.pilot import LEAD_SECONDS, PilotedInterface
from sigbench.model import CheckSettings, LostBuffers, readings_named
from sigbench.stimulus import sine

RATE = 48_000
LEAD = round(LEAD_SECONDS * RATE)


def rig(on_the_way_in=None, *, ppm=0.0, channels=3, **options):
    inner = LoopbackInterface(
        Converters(clock_ppm=ppm),
        samplerate=RATE,
        channels=channels,
        on_the_way_in=on_the_way_in,
        **options,
    )
    return PilotedInterface(inner, channels - 1)


def cut(at, frames):
    return lambda samples, rate: np.delete(samples, slice(LEAD + at, LEAD + at + frames), axis=0)


def silence(at, frames):
    def silenced(samples, rate):
        samples = samples.copy()
        samples[LEAD + at : LEAD + at + frames] = 0
        return samples

    return silenced


def take_of(interface, seconds=3.0, settle=0.0):
    tone = sine(440.0, -12.0, 10.0, RATE).samples
    return capture(interface, seconds=seconds, stimulus=tone, settle=settle)


@pytest.mark.parametrize("ppm", [0.0, 80.0])
def test_without_a_loss_the_take_is_the_instruments_alone(ppm):
    interface = rig(ppm=ppm)
    take = take_of(interface)
    assert (take.channels, take.frames, take.lost) == (2, 3 * RATE, ())
    assert interface.channels == 2
    found = measure(take, "tone", CheckSettings(frequency_hz=440.0))
    share = [r.value for r in readings_named(found.readings, "thd_n", unit="dB")]
    assert max(share) < -85  # nothing of the pilot is in it


def test_the_stimulus_begins_with_the_take():
    latency = Converters().latency_frames
    tone = sine(440.0, -12.0, 0.5, RATE).samples
    take = capture(rig(), seconds=1.5, stimulus=tone)
    sounding = np.flatnonzero(np.abs(take.samples[:, 0]) > 0.05)
    assert sounding[0] == pytest.approx(latency, abs=300)  # the stimulus fades in
    assert sounding[-1] == pytest.approx(latency + RATE // 2, abs=300)


def test_a_jump_is_marked_where_it_is():
    take = take_of(rig(cut(50_000, 512)))
    (loss,) = take.lost
    assert loss.frame == pytest.approx(50_000, abs=3)
    assert (loss.frames, loss.spoiled) == (512, 0)
    assert take.source.lost_buffers == 1


def test_it_counts_from_the_take_also_after_settling():
    take = take_of(rig(cut(50_000, 512)), settle=0.5)
    (loss,) = take.lost
    assert loss.frame == pytest.approx(50_000 - RATE // 2, abs=3)
    assert take_of(rig(cut(10_000, 512)), settle=0.5).lost == ()


def test_silence_of_the_computers_is_no_dropout_of_the_instruments():
    take = take_of(rig(silence(70_000, 2400)))
    (loss,) = take.lost
    assert loss.spoiled == pytest.approx(2400, abs=6)
    found = measure(take, "dropouts")
    assert {event.kind for event in found.events} == {"lost_buffers"}
    assert [r.value for r in readings_named(found.readings, "dropouts")] == [0.0, 0.0]


def test_a_dropout_of_the_instruments_beside_it_counts():
    def both(samples, rate):
        samples = silence(70_000, 2400)(samples, rate)
        samples[LEAD + 100_000 : LEAD + 102_000, :2] = 0  # not on the pilot's input
        return samples

    found = measure(take_of(rig(both)), "dropouts")
    assert sorted(event.kind for event in found.events) == ["dropout", "lost_buffers"]


def test_a_long_dropout_with_a_short_loss_in_it_stays_the_instruments():
    def both(samples, rate):
        samples = samples.copy()
        samples[LEAD + 60_000 : LEAD + 84_000, :2] = 0
        return np.delete(samples, slice(LEAD + 70_000, LEAD + 70_256), axis=0)

    take = take_of(rig(both))
    assert len(take.lost) == 1
    assert [event.kind for event in measure(take, "dropouts").events] == ["dropout"]


def test_a_loss_at_the_very_end_is_in_the_take():
    (loss,) = take_of(rig(silence(3 * RATE - 1000, 5000))).lost
    assert loss.frame == pytest.approx(3 * RATE - 1000, abs=3)
    assert take_of(rig(silence(3 * RATE + 500, 1000))).lost == ()


def test_losses_lie_in_the_stream_that_is_told():
    blocks = list(rig(cut(50_000, 512)).stream(seconds=3.0))
    positions = [block.first_frame for block in blocks]
    lengths = [len(block.samples) for block in blocks]
    assert positions == [sum(lengths[:k]) for k in range(len(lengths))]
    assert sum(lengths) == 3 * RATE
    assert sum(len(block.lost) for block in blocks) == 1


def test_without_its_cable_it_says_so():
    interface = rig()
    interface._inner.connect({1: 1, 2: 2})
    with pytest.raises(CaptureFailed, match="pilot tone does not come back"):
        take_of(interface)


def test_a_short_take_without_its_cable_says_so_at_its_end():
    interface = rig()
    interface._inner.connect({1: 1, 2: 2})
    with pytest.raises(CaptureFailed, match="pilot tone does not come back"):
        take_of(interface, seconds=0.5)


def test_until_a_late_pilot_has_come_the_take_is_not_to_be_trusted():
    def delayed(samples, rate):
        return np.concatenate([np.zeros((LEAD + 30_000, 3)), samples])[: len(samples)]

    (loss,) = take_of(rig(delayed)).lost
    assert (loss.frame, loss.frames) == (0, None)
    assert loss.spoiled == pytest.approx(30_000 + Converters().latency_frames, abs=2 * 960)


def test_a_cable_that_is_pulled_says_so():
    with pytest.raises(CaptureFailed, match="pilot tone has gone away"):
        take_of(rig(silence(RATE, 20 * RATE)), seconds=6.0)


class Dying(LoopbackInterface):
    """Goes away in mid-take."""

    def stream(self, **options):
        for block in super().stream(**options):
            if block.first_frame > LEAD + RATE:
                raise CaptureFailed("it stopped")
            yield block


def until_it_dies(on_the_way_in=None):
    inner = Dying(samplerate=RATE, channels=3, on_the_way_in=on_the_way_in)
    blocks = []
    with pytest.raises(CaptureFailed, match="it stopped"):
        blocks.extend(PilotedInterface(inner, 2).stream(seconds=3.0))
    return blocks


@pytest.mark.parametrize("silent", [4000, 700])
def test_what_became_of_the_last_moment_of_a_dying_device_is_marked(silent):
    end = sum(len(block.samples) for block in until_it_dies())
    (loss,) = until_it_dies(silence(end - silent, 9 * RATE))[-1].lost
    assert loss.frame <= end - silent + 3
    assert loss.frame + loss.spoiled == end


class Flagging(LoopbackInterface):
    """Reports a loss at two places, of which one is none."""

    def stream(self, **options):
        from dataclasses import replace

        for block in super().stream(**options):
            places = [LEAD + 50_200, LEAD + 100_000]
            end = block.first_frame + len(block.samples)
            here = [p for p in places if block.first_frame <= p < end]
            yield replace(block, lost=tuple(LostBuffers(p) for p in here))


def test_what_the_audio_system_reports_counts_once():
    inner = Flagging(samplerate=RATE, channels=3, on_the_way_in=cut(50_000, 512))
    take = take_of(PilotedInterface(inner, 2))
    assert [(loss.frames, loss.spoiled) for loss in take.lost] == [(512, 0), (None, 0)]
    assert take.lost[1].frame == 100_000


def test_one_input_is_not_enough():
    with pytest.raises(ValueError, match="beside"):
        PilotedInterface(LoopbackInterface(channels=1), 1)
