"""Losses that show in the level alone: a sound that never rests falls silent, and is there again.

A predictor sees the shortest and shallowest breaks, but only in sounds that can be predicted. A
choir, a rotating speaker or the wind cannot, and yet everybody hears it when they are gone. Here
a loss is a stretch in which the level lies 20 dB or more below what it was, for much longer than
the sound is ever so quiet by itself, with an edge of some milliseconds on either side and the same
sound before and after. A note that is released and struck again has slower edges.

Levels are those of 1 ms, after a high-pass without the mean of the last 3 ms: what a coupling
capacitor does after a break is slow, however far above the sound its thump is.
Without the lines of 50 and 60 Hz the same is seen of a lead that is open and picks up hum as loud
as the sound was, or of a sound that is lost while hum goes on: half of the fall is enough there,
but what is left has to be a comb of the mains, and nothing of the sound may be beside it.

All limits are our own choice.
"""

from collections import deque
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigbench.measure.mains import NOMINAL_HZ, TOLERANCE
from sigbench.measure.streaming import Kept, moving_sums
from sigbench.measure.under_hum import LOST_DB
from sigbench.model import Samples

LOSS_DB = 20.0
MAX_FRAMES = 5000  # what stays away for longer has ended

# Frames are stretches of 1 ms here, samples come at 6 kHz.
FRAME = 6
_QUIET = 10 ** (-LOSS_DB / 10)  # of the level
_QUIET_UNDER_HUM = 0.1  # the same where lines are taken out, which are never quite at 50 or 60 Hz
LOOK = 44  # frames that must follow the end of a loss before it is told
_EMPHASIS = 0.8  # y[n] = x[n] - 0.8 x[n - 1]: a high-pass of 190 Hz
_STILL = 3  # frames, of which the mean is taken out; in them a thump of 50 ms sinks by little
_LATE = _STILL - 1  # frames after a step that have some of it
_SMEARED = 4  # frames that a level is taken over beside hum: a pulse in them counts
_THUMP_DEGREE = 2  # of what is taken for a thump in some ten milliseconds
_BEFORE = 192  # frames that tell the level
_PART = 24  # in each part of them the sound must be there
_NEAR = 8  # frames beside an edge; in a release with a time constant of 4 ms they are weak
_EPOCH = 128  # frames between looks at the level
_GRID = 4  # every so many frames it is asked whether it is quiet
_SHORTEST = 12  # frames of a loss: three of the grid lie in it
_LEAST = 5
_PERIOD = 40  # frames: more than a period of the lowest A; pauses of its own are no longer
_MEMORY = 1024  # frames in which the sound's own pauses are remembered
_LONGER = 3  # times the longest of them, and `_LEAST` more
_KEPT = 1400  # frames that are still asked for
_HYSTERESIS = 2.0
_FULL = 0.4  # of the level, beside an edge
_FULL_BY_HUM = 0.15  # where hum comes in place of the sound no note was let go: chords may beat
_THERE = 0.1  # of it, anywhere near
_EDGE = 0.04  # of the mean power: a sample that has more is not in the loss
_LEAST_AFTER, _MOST_AFTER = 0.25, 6.0  # times the level before
_ALIKE = 0.6  # cosine of the spectra before and after
_SPAN = 256  # samples of these
_TAIL_DB = 40.0  # a sound this far below the loudest so far is dying away
_HUM_FRAMES = (40, 240)  # of what is left that are asked whether they are hum, at least and at most
_HUM_MARGIN = 6  # frames beside the edges
_HUM_LINES = 16
_HUM_LEFT = 0.03  # of its power: what is none
_HUM_FIRST = 3  # lines, which hold much of any hum
_HUM_FIRST_SHARE = 0.3  # of its power
_LOW_LINES = 6  # which hum is mostly made of
_HUM_BEFORE = 0.25  # of these: what was there already
_HUM_EDGE = 9.0  # times what the comb misses: a sample that has more is not in the loss
_OFF = np.linspace(-TOLERANCE, TOLERANCE, 11)
_FINER = np.array([-0.001, -0.0005, 0.0005, 0.001])  # of the frequency
_RECURS = 0.3  # cosine of hum and itself a period later, at a mains a percent away

_Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class LevelLoss:
    """A loss in one channel: its samples, how many had come when it was told, and depth in dB."""

    start: int
    end: int
    seen: int
    depth: float
    hum: bool  # stands in its place


@dataclass(frozen=True, slots=True)
class _Fall:
    """A sound that has fallen silent."""

    edge: int  # sample
    level: float  # power of a frame before
    before: Samples
    shortest: int  # frames that it must be away for


@dataclass(frozen=True, slots=True)
class _Comb:
    """Multiples of a frequency, fitted to some samples."""

    cycles: float  # a sample
    first: int  # of the samples
    weights: _Array
    missed: float  # power of what is none of them
    power: float  # of all of it
    lines: _Array  # power of each

    def beside(self, heard: Samples, first: int) -> _Array:
        """What else there is in samples from the first on."""
        return heard - _columns(self.cycles, first - self.first, len(heard)) @ self.weights


@dataclass(slots=True)
class _Pause:
    """A stretch that is quiet: its first frame, and when to look at what it may be."""

    start: int
    looked_at: int
    fall: _Fall | None = None


class LevelLossWatch:
    """Watches the level of one channel.

    Everything is decided frame by frame, so that blocks of any sizes give the same losses.

    Parameters
    ----------
    rate : float
        Samples a second, 6 kHz or so.
    under_hum : bool
        Whether losses are looked for in whose place there is hum of the mains.
    """

    def __init__(self, rate: float = 6000.0, *, under_hum: bool = False) -> None:
        self._rate = rate
        self._under_hum = under_hum
        self._quiet_share = _QUIET_UNDER_HUM if under_hum else _QUIET
        self._full = _FULL_BY_HUM if under_hum else _FULL
        self._smeared = _SMEARED if under_hum else 1
        self._late = _LATE + self._smeared - 1
        # y[n] = x[n] - x[n - P] has nothing of what recurs each P samples.
        self._periods = [round(rate / hertz) for hertz in NOMINAL_HZ if under_hum]
        self._delay = sum(self._periods)  # for so long what was there is still in y
        lead = self._delay + 1
        self._samples = Kept(begin=-lead, before=lead)  # nothing was before the take
        self._powers = Kept()  # of the frames; losses are mended in it
        self._sums = np.zeros(_LATE)  # of the last frames
        self._singly = np.zeros(self._smeared - 1)  # their powers
        self._at = 0  # the next frame to look at
        self._free = 0  # where the last pause ended
        self._next_epoch = _EPOCH
        self._quiet = 0.0  # power of a frame, below which it is quiet
        self._loudest = 0.0
        self._pause: _Pause | None = None
        self._pauses: deque[tuple[int, int]] = deque()  # the sound's own, if they are long
        self._waiting: deque[tuple[_Fall, int, int]] = deque()  # that may be losses, with frames

    @property
    def decided(self) -> int:
        """Sample before which no more loss will end."""
        return (self._waiting[0][2] if self._waiting else self._at - 2) * FRAME - FRAME

    @property
    def open_since(self) -> int | None:
        """Sample at which the loss began that it is in."""
        if self._pause is None or self._pause.fall is None:
            return None
        away = self._at - self._pause.start
        return self._pause.fall.edge if away >= max(LOOK, self._pause.fall.shortest) else None

    @property
    def _undecided(self) -> int:
        """Frame at which the first pause began that may be a loss."""
        if self._waiting:
            return self._waiting[0][1]
        return self._at if self._pause is None else self._pause.start

    def feed(self, samples: Samples) -> list[LevelLoss]:
        """Take the next samples; the losses that are certain now."""
        self._take(samples)
        known = self._powers.end
        losses: list[LevelLoss] = []
        while self._at < known:
            if self._pause is None:
                self._skip_epochs(known)
                self._listen(min(known, max(self._next_epoch, self._at + 1)))
            else:
                self._wait(known, self._pause)
            while self._waiting and self._waiting[0][2] + LOOK <= self._at:
                losses += self._judge(*self._waiting.popleft())
            if self._pause is None and self._at >= self._next_epoch:
                self._reckon()
        return losses

    def _take(self, samples: Samples) -> None:
        self._samples.append(samples)
        first, last = self._powers.end, self._samples.end // FRAME
        if last > first:
            moves = self._moves(first, last).reshape(-1, FRAME)
            powers = np.vecdot(moves, moves)
            sums = np.concatenate([self._sums, _sums(moves)])
            self._sums = sums[-_LATE:].copy()
            # Less a mean m, frames have the powers P + m (FRAME m - 2 S), with S the sums of each.
            total = sums[_LATE:] + sums[1:-1]
            total += sums[:-_LATE]
            own = sums[_LATE:]
            own *= 2 * _STILL
            own -= total
            own *= total
            own *= 1 / (_STILL**2 * FRAME)
            powers -= own
            self._powers.append(self._smear(powers) if self._smeared > 1 else powers)
        self._powers.forget(self._at - _KEPT)
        # All of a pause tells how deep it is, however long ago it began.
        first = min(self._at - _KEPT, self._undecided - 2 * _NEAR)
        self._samples.forget(first * FRAME - self._delay - 1)

    def _smear(self, powers: _Array) -> _Array:
        """Powers of frames as the means of as many as a level is taken over."""
        singly = np.concatenate([self._singly, powers])
        self._singly = singly[1 - self._smeared :].copy()
        return moving_sums(singly, self._smeared) * (1 / self._smeared)

    def _moves(self, first: int, last: int) -> _Array:
        """The samples of some frames after the high-pass."""
        heard = self._heard(first * FRAME - self._delay - 1, last * FRAME)
        moves = -_EMPHASIS * heard[:-1]
        moves += heard[1:]
        for period in self._periods:
            moves = moves[period:] - moves[:-period]
        return moves

    def _heard(self, first: int, last: int) -> Samples:
        """Some samples as they came."""
        return self._samples.part(first, last)

    def _power(self, first: int, last: int) -> _Array:
        return self._powers.part(first, last)

    def _skip_epochs(self, known: int) -> None:
        """Go on over whole epochs in which it is never quiet, all at once."""
        count = (known - self._at) // _EPOCH
        least = max(self._powers.begin + _BEFORE, self._free + 3 * _GRID)
        if self._waiting or self._at + _EPOCH != self._next_epoch or count < 1 or self._at < least:
            return
        powers = self._power(self._at - _BEFORE, self._at + count * _EPOCH)
        before = powers[_EPOCH * np.arange(count + 1)[:, np.newaxis] + np.arange(_BEFORE)]
        parts = before.reshape(count + 1, -1, _PART).mean(axis=2)
        quiet = self._quiet_share * parts.mean(axis=1)
        quiet[0] = self._quiet
        grid = powers[_BEFORE - 2 * _GRID + -self._at % _GRID :: _GRID]
        highest = np.maximum(np.maximum(grid[:-2], grid[1:-1]), grid[2:]).reshape(count, -1)
        found = highest.min(axis=1) < quiet[:-1]
        skipped = int(np.argmax(found)) if found.any() else count
        self._at += skipped * _EPOCH
        self._next_epoch = self._at + _EPOCH
        self._quiet = float(quiet[skipped])
        self._loudest = max(self._loudest, float(parts[: skipped + 1].max()))

    def _listen(self, until: int) -> None:
        """Go on to the next pause, or to a frame."""
        first = -(-self._at // _GRID) * _GRID - 2 * _GRID  # two frames of the grid before
        first = max(first, -(-self._free // _GRID) * _GRID)
        quiet = self._power(first, until)[::_GRID] < self._quiet
        for place in np.flatnonzero(quiet[2:] & quiet[1:-1] & quiet[:-2]):
            at = first + int(place) * _GRID
            begin = max(self._free, self._powers.begin, at - _PERIOD)
            loud = np.flatnonzero(self._power(begin, at + 2 * _GRID) >= self._quiet)
            start = begin + int(loud[-1]) + 1 if len(loud) else begin
            if start <= at:
                self._at = at + 2 * _GRID + 1
                least = _shortest(self._usual(start)) - self._late
                self._pause = _Pause(start, max(start + least, self._at))
                return
        self._at = until

    def _usual(self, start: int) -> int:
        """The longest of the sound's own pauses lately, as far as they were noted."""
        while self._pauses and self._pauses[0][0] < start - _MEMORY:
            self._pauses.popleft()
        return max((b - a for a, b in self._pauses if b - a < _PERIOD), default=0)

    def _wait(self, known: int, pause: _Pause) -> None:
        """Go on to the end of a pause."""
        if self._at == pause.looked_at:
            pause.fall = self._fallen(pause.start)
        stop = pause.start + MAX_FRAMES if self._at >= pause.looked_at else pause.looked_at
        until = min(known, stop)
        sounds = self._power(self._at, until) >= _HYSTERESIS * self._quiet
        at = int(np.argmax(sounds))
        if not sounds[at]:
            self._at = until
            if until == pause.start + MAX_FRAMES:
                self._end_pause()
            return
        end = self._at + at
        fall = pause.fall
        if fall is not None and end * FRAME >= fall.edge + self._delay + fall.shortest * FRAME:
            self._waiting.append((fall, pause.start, end))
        else:
            self._pauses.append((pause.start, end))
        self._at = end
        self._end_pause()

    def _end_pause(self) -> None:
        self._pause = None
        self._free = self._at

    def _reckon(self) -> None:
        """Take the level of now for what is loud."""
        self._next_epoch = self._at + _EPOCH
        before = self._power(self._at - _BEFORE, self._at)
        if len(before) < _BEFORE:
            return
        parts = before.reshape(-1, _PART).mean(axis=1)
        self._quiet = self._quiet_share * float(parts.mean())
        self._loudest = max(self._loudest, float(parts.max()))

    def _fallen(self, start: int) -> _Fall | None:
        """What fell silent, if it was there all the time, and at once was not."""
        before = self._power(start - self._late - _BEFORE, start - self._late)
        if len(before) < _BEFORE:
            return None
        parts = before.reshape(-1, _PART).mean(axis=1)
        level = float(parts.mean())
        if level < 10 ** (-_TAIL_DB / 10) * self._loudest or float(parts.min()) < _THERE * level:
            return None
        moves = self._moves(start - _NEAR, start + _SHORTEST)
        powers = (moves - _continued_line(moves, _NEAR * FRAME, len(moves))) ** 2
        (loud,) = np.nonzero(powers[: (_NEAR + 2) * FRAME] > _EDGE * level / FRAME)
        edge = (start - _NEAR) * FRAME + (int(loud[-1]) + 1 if len(loud) else _NEAR * FRAME)
        fell = edge - self._delay
        heard = self._heard(fell - _BEFORE * FRAME, fell).copy()
        if max(_share(before, -_NEAR), _share(_deep(heard), -_NEAR)) < self._full:
            return None
        usual = _longest_run(self._power(start - _MEMORY, start) < self._quiet)
        return _Fall(fell, level, heard, _shortest(usual))

    def _judge(self, fall: _Fall, start: int, end: int) -> list[LevelLoss]:
        """The loss, if the same sound is there again after a pause, and at once."""
        after = self._power(end + 1 + self._late, end + LOOK - 1)
        heard = self._heard((end + 1) * FRAME, (end + LOOK - 1) * FRAME)
        deep, deep_before = _deep(heard), float(_deep(fall.before).mean())
        level = fall.level
        near = max(float(after[:_NEAR].mean()) / level, float(deep[:_NEAR].mean()) / deep_before)
        inside = _moving(self._moves(start + 1, end - 1))
        depth = float(10 * np.log10(level / max(inside, 1e-12 * FRAME)))
        if (
            depth < -10 * np.log10(self._quiet_share)
            or not _LEAST_AFTER < near < _MOST_AFTER
            or max(_share(after, _NEAR), _share(deep, _NEAR)) < self._full
            or min(float(half.mean()) for half in np.array_split(after, 2)) < _THERE * level
            or likeness(fall.before[:-FRAME], self._heard((end + 1) * FRAME, (end + LOOK) * FRAME))
            < _ALIKE
        ):
            return []
        if self._under_hum:
            loss = self._lost_under_hum(fall, end)
            if loss is not None:
                self._power(start, end)[:] = level
            return [] if loss is None else [loss]
        moves = self._moves(end - _SHORTEST, end + _NEAR)
        powers = (moves - _continued_line(moves, 0, (_SHORTEST - 2) * FRAME)) ** 2
        loud = powers[(_SHORTEST - 2) * FRAME :] > _EDGE * level / FRAME
        edge = (end - 2) * FRAME + int(np.argmax(loud))
        self._power(start, end)[:] = level
        return [LevelLoss(fall.edge, edge, (end + LOOK) * FRAME, depth, False)]

    def _lost_under_hum(self, fall: _Fall, end: int) -> LevelLoss | None:
        """The loss, if what is left is a comb of the mains, new or old, and not the sound."""
        least, most = (frames * FRAME for frames in _HUM_FRAMES)
        margin = _HUM_MARGIN * FRAME
        first, last = fall.edge + margin, end * FRAME - margin
        if last - first < least:
            return None
        late = self._comb_of(max(first, last - most), last)
        if late is None:
            return None
        before = _fitted(fall.before, late.cycles, fall.edge - len(fall.before))
        new = before.lines[:_LOW_LINES].sum() < _HUM_BEFORE * late.lines[:_LOW_LINES].sum()
        sound = before.power if new else before.missed
        depth = float(10 * np.log10(sound / max(late.missed, 1e-12)))
        if depth < LOST_DB:
            return None
        early = late if last - first <= most else self._comb_of(first, first + most)
        if early is None:
            return None
        edge = max(_EDGE * sound, _HUM_EDGE * late.missed)
        begin = fall.edge - _NEAR * FRAME
        beside = early.beside(self._heard(begin, first), begin)
        (loud,) = np.nonzero(beside**2 > edge)
        start = begin + int(loud[-1]) + 1 if len(loud) else fall.edge
        beside = late.beside(self._heard(last, (end + _NEAR) * FRAME), last)
        (loud,) = np.nonzero(beside**2 > edge)
        stop = last + int(loud[0]) if len(loud) else end * FRAME
        return LevelLoss(start, stop, (end + LOOK) * FRAME, depth, bool(new))

    def _comb_of(self, first: int, last: int) -> _Comb | None:
        """The comb that some samples are, if they are one of the mains."""
        heard = self._heard(first, last)

        nominal = max(NOMINAL_HZ, key=lambda hertz: _recurs(heard, round(self._rate / hertz)))
        if _recurs(heard, round(self._rate / nominal)) < _RECURS:
            return None
        combs = [_fitted(heard, nominal * (1 + off) / self._rate, first) for off in _OFF]
        best = min(range(len(combs)), key=lambda place: combs[place].missed)
        found = combs[best]
        if found.missed > 2 * _HUM_LEFT * found.power or best in (0, len(combs) - 1):
            return None  # or a note beside the mains
        finer = (_fitted(heard, found.cycles * (1 + off), first) for off in _FINER)
        found = min([found, *finer], key=lambda comb: comb.missed)
        low = float(found.lines[:_HUM_FIRST].sum())
        is_hum = low > _HUM_FIRST_SHARE * float(found.lines.sum())
        return found if found.missed < _HUM_LEFT * found.power and is_hum else None


def _shortest(usual: int) -> int:
    """How many frames a pause must have where the sound's own are so long."""
    return max(_SHORTEST, _LEAST + _LONGER * usual)


def _deep(heard: Samples) -> _Array:
    """Powers of the frames without the high-pass: a low note rests between its edges."""
    whole = heard[len(heard) % FRAME :]
    moves = without_trend(whole, _THUMP_DEGREE).reshape(-1, FRAME)
    return np.vecdot(moves, moves)


def _sums(rows: _Array) -> _Array:
    """Sums of the samples of each frame, in one order for frames at any place."""
    total = rows[:, 0] + rows[:, 1]
    for k in range(2, FRAME):
        total += rows[:, k]
    return np.asarray(total)


def _moving(moves: _Array) -> float:
    """Power of a frame of what is no thump."""
    parts = np.array_split(moves, max(1, len(moves) // (_PART * FRAME)))
    still = (without_trend(part, _THUMP_DEGREE) for part in parts)
    return FRAME * float(sum(np.vdot(part, part) for part in still)) / len(moves)


def _continued_line(moves: _Array, first: int, last: int) -> _Array:
    """The line through some of the samples, at all of them: a thump that sinks."""
    time = np.arange(len(moves)) - (first + last - 1) / 2
    near, there = time[first:last], moves[first:last]
    slope = float(near @ there) / float(near @ near)
    return np.asarray(float(there.mean()) + slope * time)


@lru_cache(maxsize=64)
def _polynomials(n: int, degree: int) -> _Array:
    """Orthonormal ones, of shape (n, degree + 1)."""
    return np.linalg.qr(np.vander(np.linspace(-1, 1, n), degree + 1))[0]


def without_trend(signal: Samples, degree: int) -> Samples:
    """`signal` less its least-squares polynomial."""
    basis = _polynomials(len(signal), degree)
    return signal - basis @ (basis.T @ signal)


def _recurs(heard: Samples, period: int) -> float:
    """Cosine of some samples and those a period later."""
    moves = without_trend(heard, _THUMP_DEGREE)
    one, other = moves[:-period], moves[period:]
    return float(one @ other / np.sqrt((one @ one) * (other @ other) + 1e-60))


def _columns(cycles: float, first: int, count: int) -> _Array:
    """Multiples of a frequency, in cycles a sample, and a thump that sinks."""
    time = np.arange(first, first + count)[:, np.newaxis]
    angles = 2 * np.pi * cycles * time * np.arange(1, _HUM_LINES + 1)
    return np.concatenate([np.cos(angles), np.sin(angles), time**0, time / 1000], axis=1)


def _fitted(heard: Samples, cycles: float, first: int) -> _Comb:
    """A comb by least squares."""
    columns = _columns(cycles, 0, len(heard))
    gram = columns.T @ columns
    gram[np.diag_indices(len(gram))] += 1e-9 * len(heard)
    weights: _Array = np.asarray(np.linalg.solve(gram, columns.T @ heard), dtype=np.float64)
    cosines, sines = weights[:_HUM_LINES], weights[_HUM_LINES : 2 * _HUM_LINES]
    lines: _Array = np.asarray((cosines**2 + sines**2) / 2, dtype=np.float64)
    missed = float(np.mean((heard - columns @ weights) ** 2))
    return _Comb(cycles, first, weights, missed, float(lines.sum()) + missed, lines)


def _share(powers: _Array, count: int) -> float:
    """Mean of the first few powers, or the last if `count` is negative, re the mean of all."""
    part = powers[:count] if count > 0 else powers[count:]
    return float(part.mean() / (powers.mean() + 1e-30))


def _longest_run(quiet: NDArray[np.bool_]) -> int:
    """How many neighbours are quiet, of those runs that may be of one period."""
    edges = np.flatnonzero(np.diff(quiet.astype(np.int8), prepend=0, append=0))
    runs = edges[1::2] - edges[::2]
    return int(np.max(runs[runs < _PERIOD], initial=0))


def likeness(before: Samples, after: Samples) -> float:
    """Cosine between the magnitude spectra of the last and the first 43 ms, at 6 kHz."""
    window = np.hanning(_SPAN)
    one, other = (
        np.convolve(np.abs(np.fft.rfft(without_trend(part, _THUMP_DEGREE) * window)), np.ones(3))
        for part in (before[-_SPAN:], after[:_SPAN])
    )
    return float(np.dot(one, other) / np.sqrt(np.dot(one, one) * np.dot(other, other) + 1e-60))
