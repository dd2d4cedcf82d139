"""Audio that jumps: a pilot's tones tell, by their phases, where the sample count is not time.

Four quiet tones go from an output through a cable straight into an input. While nothing is lost
their phases stand still against the sample count, or turn slowly where two clocks differ. Audio
that was lost, repeated, or replaced by silence moves all four at once, and by how much each moves
tells the number of frames, as the hands of a clock together tell more than each alone.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.model import LostBuffers
from sigbench.units import db_to_ratio

PILOT_HZ = (1033.7, 1571.3, 2293.9, 3187.1)
"""Multiples of 0.1 Hz, so that 10 s of them can be repeated without a seam, and of nothing more."""

PILOT_SECONDS = 10.0
PILOT_PEAK_DBFS = -30.0  # far above any input's noise, and -90 dB of crosstalk of it are no matter

LONGEST_JUMP_SECONDS = 2.5  # either way; the tones repeat after 10 s
LEAST_JUMP_FRAMES = 1

_HOP_SECONDS = 0.02  # the tones, 540 Hz apart and more, are clear of one another in so short a time
_STEADY_CYCLES = 0.03  # phase error of a hop in which nothing happened; a frame is 0.07 at 3187 Hz
_FIT_CYCLES = 0.02  # disagreement of the tones on a jump: noise at -65 dBFS makes 0.005
_NEARER = 1e-9  # cycles a frame by which the shorter of two jumps is preferred
_STEADY_SHARE = 0.12  # change of amplitude of a hop in which nothing happened, 1 dB
_AUDIBLE = 3.0  # times the rest of the hop: is a pilot there at all?
_LEARN_HOPS = 5  # before the pilot counts as found, and after each jump
_DRIFT_HOPS = 64  # over which the turning of the phases is followed, 1.3 s
_REST_SHARE = 0.003  # power of what is no pilot, -25 dB: 0.3 % of a hop's samples are wrong
_REST_TIMES = 6.0  # or so many times what is usual on this input
_ALIKE = 0.02  # power of the difference between samples that agree, re the pilot's
_APART = 4.0  # sum of it, over what agreeing samples have, that proves an edge: some samples
_LEAST_SPOILED = 8  # frames: a shorter disturbance without a jump is a click on the cable


@dataclass(frozen=True, slots=True)
class _Hop:
    """Amplitudes of the tones in one hop, turned back by the sample count."""

    number: int
    tones: NDArray[np.complex128]
    samples: NDArray[np.float64]
    rest: float  # mean square of what is no pilot
    power: float  # mean square of the pilot

    @property
    def audible(self) -> bool:
        return self.power > _AUDIBLE * self.rest


def pilot(samplerate: int) -> NDArray[np.float64]:
    """Ten seconds of the pilot, shape (frames,), to be repeated without a seam."""
    time = np.arange(round(PILOT_SECONDS * samplerate)) / samplerate
    count = len(PILOT_HZ)
    signal = np.zeros(len(time))
    for k, frequency in enumerate(PILOT_HZ):
        signal += np.cos(2 * np.pi * frequency * time - np.pi * k * k / count)
    return signal * float(db_to_ratio(PILOT_PEAK_DBFS)) / float(np.max(np.abs(signal)))


def tone_jumps(
    signal: NDArray[np.float64], samplerate: int, frequency_hz: float
) -> tuple[LostBuffers, ...]:
    """Places at which the phase of a steady tone steps against the sample count.

    For a tone that was played through the rig, where there is no pilot: it comes back with the
    computer's jumps in it, of unknown lengths. A tone that is interrupted and goes on in its old
    phase did not jump: that is for the dropouts check.

    Parameters
    ----------
    signal : ndarray of float64, shape (frames,)
        One channel.
    samplerate : int
        Frames a second.
    frequency_hz : float
        Of the tone as it was played, from 100 Hz on.

    Notes
    -----
    Steps of less than 0.03 of a period are not told from noise and drift, nor are whole periods.
    """
    watch = PilotWatch(samplerate, (frequency_hz,))
    return tuple(loss for loss in watch.feed(signal) if loss.frames is None)


class PilotWatch:
    """Watches the input that the pilot comes back at.

    Parameters
    ----------
    samplerate : int
        Frames a second.
    frequencies : tuple of float
        Its tones, in Hz. A single one tells of a jump, but not how far it went, and nothing of one
        over a whole number of its periods.

    Notes
    -----
    Works in hops of 20 ms, so that the same losses are found in blocks of any size. What was lost
    is told about 0.12 s after it happened. Clocks may differ by some hundred ppm.

    Examples
    --------
    >>> watch = PilotWatch(48_000)
    >>> played = np.tile(pilot(48_000), 1)
    >>> cut = np.delete(played, slice(100_000, 100_512))
    >>> watch.feed(cut) + watch.finish()
    (LostBuffers(frame=100000, frames=512, spoiled=0),)
    """

    def __init__(self, samplerate: int, frequencies: tuple[float, ...] = PILOT_HZ) -> None:
        self._samplerate = samplerate
        self._hop = round(_HOP_SECONDS * samplerate)
        time = np.arange(self._hop) / samplerate
        self._frequencies = np.array(frequencies)
        window = np.hanning(self._hop + 2)[1:-1]
        carriers = np.exp(-2j * np.pi * np.outer(self._frequencies, time))
        # Least squares of the four tones under the window, so that none leaks into another.
        columns = np.concatenate([carriers.conj(), carriers]).T * np.sqrt(window)[:, np.newaxis]
        self._fit: NDArray[np.complex128] = 2 * (
            np.linalg.pinv(columns)[: len(frequencies)] * np.sqrt(window)
        )
        self._carriers = carriers.conj()
        self._rest = np.empty(0)
        self._number = 0
        self._learned: deque[_Hop] = deque(maxlen=_DRIFT_HOPS)
        self._before: list[_Hop] = []  # the first since the pilot was last as it should be
        self._after: deque[_Hop] = deque(maxlen=_LEARN_HOPS + 1)  # the last ones
        self._doubtful = 0
        self._found_at: int | None = None

    @property
    def found(self) -> bool:
        """Whether the pilot has been heard."""
        return self._found_at is not None

    @property
    def found_at(self) -> int | None:
        """The frame from which on it was first heard; None while it has not been."""
        return self._found_at

    @property
    def doubtful_seconds(self) -> float:
        """How long the pilot has not been as it should be, up to now."""
        return self._doubtful * self._hop / self._samplerate

    def feed(self, samples: NDArray[np.float64]) -> tuple[LostBuffers, ...]:
        """Take in samples of the pilot's input, shape (frames,); what was lost, as it is known."""
        self._rest = np.concatenate([self._rest, samples])
        found: list[LostBuffers] = []
        used = 0
        while len(self._rest) - used >= self._hop:
            found += self._step(self._measured(self._rest[used : used + self._hop]))
            used += self._hop
        self._rest = self._rest[used:]
        return tuple(found)

    def finish(self, *, broken: bool = False) -> tuple[LostBuffers, ...]:
        """What was lost at the very end.

        Parameters
        ----------
        broken : bool
            Whether the audio ended because the device failed: then the samples since the last whole
            hop count as lost, for too little is there to tell.
        """
        end = self._number * self._hop + len(self._rest)
        start = end
        if self._doubtful and self._learned:
            start = self._left_at()
        elif broken:
            start = end - len(self._rest)
        self._doubtful = 0
        return (LostBuffers(start, None, end - start),) if start < end else ()

    def _measured(self, samples: NDArray[np.float64]) -> _Hop:
        start = self._number * self._hop
        raw = self._fit @ samples
        rest = samples - np.real(raw @ self._carriers)
        power = float(np.sum(np.abs(raw) ** 2)) / 2
        # Turned back by whole cycles since frame 0, kept exact by taking them modulo one.
        cycles = np.mod(self._frequencies * (start / self._samplerate), 1.0)
        self._number += 1
        tones: NDArray[np.complex128] = raw * np.exp(-2j * np.pi * cycles)
        return _Hop(self._number - 1, tones, samples, float(np.mean(rest**2)), power)

    def _step(self, hop: _Hop) -> Iterator[LostBuffers]:
        if self.found and not self._doubtful and self._fits(hop):
            self._learned.append(hop)
            return
        self._after.append(hop)
        settled = len(self._after) > _LEARN_HOPS and self._steady(list(self._after)[1:])
        if not self.found:
            if settled:
                self._learn_anew()
            return
        self._doubtful += 1
        if len(self._before) < _LEARN_HOPS:
            self._before.append(hop)
        if settled:
            yield from self._resolved()

    def _learn_anew(self) -> None:
        """Take the last hops for the pilot as it is now."""
        self._learned.clear()
        self._learned.extend(list(self._after)[1:])
        if self._found_at is None:
            self._found_at = self._learned[0].number * self._hop
        self._before.clear()
        self._after.clear()
        self._doubtful = 0

    def _steady(self, hops: list[_Hop]) -> bool:
        """Whether the pilot is there and goes on as one signal through these hops."""
        if not all(hop.audible for hop in hops):
            return False
        first, last = hops[0], hops[-1]
        turn = np.angle(last.tones / first.tones) / (last.number - first.number)
        return all(
            self._alike(first.tones * np.exp(1j * turn * (hop.number - first.number)), hop.tones)
            for hop in hops[1:]
        ) and bool(np.all(np.abs(turn) < 2 * np.pi * _STEADY_CYCLES))

    def _alike(self, expected: NDArray[np.complex128], seen: NDArray[np.complex128]) -> bool:
        size = np.abs(expected)
        return bool(
            np.all(np.abs(np.angle(seen / expected)) < 2 * np.pi * _STEADY_CYCLES)
            and np.all(np.abs(np.abs(seen) - size) < _STEADY_SHARE * size)
        )

    def _fits(self, hop: _Hop) -> bool:
        usual = float(np.mean([known.rest for known in self._learned]))
        return (
            hop.audible
            and hop.rest < max(_REST_SHARE * hop.power, _REST_TIMES * usual)
            and self._alike(self._expected(hop.number), hop.tones)
        )

    def _expected(self, number: int) -> NDArray[np.complex128]:
        """The tones as they would be in a hop if nothing had happened."""
        tones = np.array([hop.tones for hop in self._learned])
        offset, phases, slope = self._turning()
        here = phases.mean(axis=0) + slope * (number - self._learned[-1].number - offset.mean())
        size = np.mean(np.abs(tones), axis=0)
        return np.asarray(size * tones[-1] / np.abs(tones[-1]) * np.exp(1j * here))

    def _turning(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Of the hops known: their numbers and phases re the last, and the turning in a hop."""
        hops = self._learned
        offset = np.array([hop.number - hops[-1].number for hop in hops], dtype=np.float64)
        tones = np.array([hop.tones for hop in hops])
        phases = np.unwrap(np.angle(tones / hops[-1].tones), axis=0)
        centred = offset - offset.mean()
        return offset, phases, centred @ phases / np.sum(centred**2)

    def _resolved(self) -> Iterator[LostBuffers]:
        """What happened, now that the pilot is steady again."""
        steady = self._after[1]
        expected = self._expected(steady.number)
        jump = self._jump(np.angle(steady.tones / expected) / (2 * np.pi))
        left = self._left_at()
        spoiled = max(0, self._back_at() - left)
        if jump is None:
            yield LostBuffers(left, None, spoiled)
        elif jump != 0 or spoiled >= _LEAST_SPOILED:
            if jump > 0 and spoiled < _LEAST_SPOILED:
                spoiled = 0  # a clean cut: the edge is known to some frames only
            spoiled = max(spoiled, -jump)  # what came twice
            yield LostBuffers(left, max(0, jump + spoiled), spoiled)
        self._learn_anew()

    def _jump(self, cycles: NDArray[np.float64]) -> int | None:
        """Frames by which the tones are ahead; None where no number explains all four.

        Two clocks make a jump a broken number of frames: what is common to all tones beside the
        whole number is taken off before they are asked whether they agree.
        """
        if len(cycles) == 1:
            return 0 if abs(cycles[0]) < _STEADY_CYCLES else None
        reach = round(LONGEST_JUMP_SECONDS * self._samplerate)
        frames = np.arange(-reach, reach + 1)
        hands = self._frequencies / self._samplerate
        error = cycles[:, np.newaxis] - np.outer(hands, frames)
        error -= np.round(error)
        part = np.clip(hands @ error / np.sum(hands**2), -0.6, 0.6)
        worst = np.max(np.abs(error - np.outer(hands, part)), axis=0)
        best = int(np.argmin(worst + _NEARER * np.abs(frames)))
        return int(frames[best]) if worst[best] < _FIT_CYCLES else None

    def _wave(self, tones: NDArray[np.complex128], number: int) -> NDArray[np.float64]:
        """The samples of a hop with such tones."""
        cycles = np.mod(self._frequencies * (number * self._hop / self._samplerate), 1.0)
        raw = tones * np.exp(2j * np.pi * cycles)
        return np.real(raw @ self._carriers)

    def _left_at(self) -> int:
        """Frame up to which the samples are what was expected."""
        hops = self._before
        if not hops:
            return self._number * self._hop
        seen = np.concatenate([hop.samples for hop in hops])
        wave = np.concatenate([self._wave(self._expected(hop.number), hop.number) for hop in hops])
        return hops[0].number * self._hop + self._agreeing(seen, wave)

    def _back_at(self) -> int:
        """Frame from which on the samples are the pilot as it is now."""
        hops = list(self._after)
        if hops[0].number < hops[1].number - 1:  # from before the disturbance
            hops = hops[1:]
        seen = np.concatenate([hop.samples for hop in hops])
        now, turn = hops[-1], self._turning()[2]
        wave = np.concatenate(
            [
                self._wave(now.tones * np.exp(1j * turn * (hop.number - now.number)), hop.number)
                for hop in hops
            ]
        )
        end = (hops[-1].number + 1) * self._hop
        return end - self._agreeing(seen[::-1], wave[::-1])

    def _agreeing(self, seen: NDArray[np.float64], wave: NDArray[np.float64]) -> int:
        """How many samples from the first one on agree, until they clearly do not."""
        power = float(np.mean(wave**2))
        agreement = np.concatenate([[0.0], np.cumsum(_ALIKE * power - (seen - wave) ** 2)])
        fallen = np.flatnonzero(np.maximum.accumulate(agreement) - agreement > _APART * power)
        return int(np.argmax(agreement[: fallen[0]])) if len(fallen) else len(seen)
