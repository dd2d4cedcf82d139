"""The rig test: what computers do to audio on its way, detected rather than trusted.

`path_stimulus` is played through a loopback cable, and `find_path_faults` tells from what came back
which of ten things happened to it. Each answer is yes, no, or "cannot tell" with the reason.

`sigbench.rig.path_stimulus` is what is played, `path_clock` finds when it came back, `path_channel`
measures what came back on each channel, and this module judges.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from sigbench.errors import RequestError, SignalError
from sigbench.interface.base import Block, Interface, capture
from sigbench.model import LostBuffers, Samples, Take
from sigbench.rig.path_advice import WHAT_TO_DO, System
from sigbench.rig.path_channel import Channel, amplitude_at, amplitudes_at, band_powers, spectrum_of
from sigbench.rig.path_clock import (
    DRIFT_SIGMAS,
    REPEAT,
    SPEED_TOLERANCE,
    Clock,
    find_clock,
    speed_of,
)
from sigbench.rig.path_stimulus import (
    BITS,
    BURST_DBFS,
    FAINT_NOISE_HZ,
    FAINT_TONE_DBFS,
    HIGH_DBFS,
    HIGH_TONE,
    LOW_HZ,
    STEP_16,
    STEP_24,
    STIMULUS_SECONDS,
    TONE_DBFS,
    Floats,
    frames_of,
    path_stimulus,
    peak_of,
    require_range,
    same_on_all,
)
from sigbench.units import db_to_ratio, dbfs_to_rms, power_ratio_to_db, ratio_to_db, rms_to_dbfs

STANDARD_RATES = (
    *(8000, 11025, 12000, 16000, 22050, 24000, 32000),
    *(44_100, 48_000, 88_200, 96_000, 176_400, 192_000),
)
"""Sample rates of computers, sound cards and headsets, Hz (common practice, no source)."""

SPARE_SECONDS = 1.0  # recorded after the stimulus: the latency, with room
RATIO_TOLERANCE = 0.005  # of a speed, to be explained by two standard rates
DRIFT_PPM = 0.5  # less is one clock: no two free crystals agree so well (common practice)
GAIN_STEP_DB = 0.3  # a change of gain that no converter makes (common practice, no source)
BOOST_DB = 2.0  # rise of the response that no converter has (common practice, no source)
BURST_DISTORTION_DB = -34.0  # a burst distorted by 2 % was clipped before the converter
GATE_DB = 6.0  # faint sounds that come back this much weaker than loud ones are suppressed
GATE_BESIDE_AGC_DB = 25.0  # the same where the gain moves anyway
GATE_ZEROS_SECONDS = 0.005  # shortest silence in the middle of a sound
DIGITAL_GAIN_DB = 0.05  # in a digital loop, 100 % is exact
CALIBRATED_GAIN_DB = 0.5  # and here knobs and temperature have their say
COARSE_STEP = 2.0**-19.5  # halfway, in decibels, between a step of 16 bits and one of 24
PLATEAU = 0.99  # of full scale: where a converter clips
TRUNCATION_OVER_NOISE = 2.5  # 14 lines of noise come no further above 14 others
TRUNCATION_SHARE = 0.25  # of the rounding error of 16 bits that proves it, amplitude
MIX_DB = -26.0  # of another output's tone: no cable leaks so much (common practice, no source)
HIGH_PASS_HZ = 12.0  # converters and their capacitors lie below (common practice, no source)
EDGE_DB = 25.0  # fall of a band edge; half-band converters fall by 12 dB to half of the rate
EDGE_WIDTH = 0.8  # share of the edge's frequency where the response must still be whole
IMAGE_DBFS = -130.0  # weaker lines are rounding of 24 bits
IMAGE_OVER_FLOOR = 25.0  # power re the median around: one false line in a million
IMAGES_NEEDED = 2  # one line may be anything
IMAGE_ALONE_DB = -60.0  # re the tone: but not one as strong as this
DITHER_DBFS = -95.5
"""Noise of 16 bits with dither is more: -95.1 dBFS with the least of dithers (one step wide), -93.3
with the usual one (Lipshitz, Wannamaker, Vanderkooy 1992: 2/12 and 3/12 of a step squared)."""


@dataclass(frozen=True, slots=True)
class PathFinding:
    """One thing that may have happened to the audio on its way.

    Parameters
    ----------
    name : str
        One of `FINDINGS`.
    present : bool or None
        None: it cannot be told, and `evidence` says why.
    evidence : str
        What was seen, in numbers.
    what_to_do : dict of str to str
        For ``Windows``, ``macOS`` and ``Linux``; empty where it is absent.
    value, uncertainty : float or None
        The figure behind it, where there is one.
    unit : str
        Its unit.
    """

    name: str
    present: bool | None
    evidence: str
    what_to_do: dict[System, str]
    value: float | None = None
    uncertainty: float | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class PathTest:
    """The take of a rig test, and what was found in it."""

    take: Take
    findings: tuple[PathFinding, ...]

    @property
    def clean(self) -> bool:
        """Whether nothing was found; what cannot be told does not count against the rig."""
        return not any(finding.present for finding in self.findings)


FINDINGS = tuple(WHAT_TO_DO)


def run_path_test(
    interface: Interface,
    *,
    outputs: int | None = None,
    expected_loop_dbfs: float | Sequence[float] | None = None,
    attempts: int = 3,
    on_block: Callable[[Block], None] | None = None,
) -> PathTest:
    """Play the test through the loopback cables of a rig and say what happened to it.

    Takes 16 s. Turn monitors and headphones down first: it plays up to full scale.

    Parameters
    ----------
    outputs : int, optional
        How many outputs to play on; by default as many as inputs are recorded.
    expected_loop_dbfs : float or sequence of float, optional
        As for `find_path_faults`.
    attempts : int
        How often to try when the computer loses audio, marked or not.
    on_block : callable, optional
        As for `sigbench.interface.base.capture`.

    Raises
    ------
    DeviceNotFound, CaptureFailed, RequestError
        As for `capture`.
    """
    outputs = interface.channels if outputs is None else outputs
    stimulus = path_stimulus(interface.samplerate, outputs)
    for _ in range(max(1, attempts)):
        take = capture(
            interface,
            seconds=STIMULUS_SECONDS + SPARE_SECONDS,
            stimulus=stimulus,
            on_block=on_block,
        )
        findings = find_path_faults(
            take.samples,
            take.samplerate,
            outputs=outputs,
            expected_loop_dbfs=expected_loop_dbfs,
            lost=take.lost,
        )
        if not findings[0].evidence.endswith(REPEAT):
            break
    return PathTest(take, findings)


def find_path_faults(
    recorded: Samples,
    samplerate: int,
    *,
    outputs: int | None = None,
    expected_loop_dbfs: float | Sequence[float] | None = None,
    lost: Sequence[LostBuffers] = (),
) -> tuple[PathFinding, ...]:
    """Tell from what came back what happened to the audio on its way.

    Parameters
    ----------
    recorded : ndarray of float64, shape (frames, channels)
        What came back of `path_stimulus`, from up to 1 s before its arrival on.
    samplerate : int
        The rate that was asked for.
    outputs : int, optional
        How many outputs it was played on; by default as many as there are channels.
    expected_loop_dbfs : float or sequence of float, optional
        Level at which a sine of 0 dBFS came back when the rig was calibrated, for all channels or
        for each.
    lost : sequence of LostBuffers
        What the computer lost meanwhile; with any loss nothing can be told.

    Returns
    -------
    tuple of PathFinding
        One for each of `FINDINGS`, in that order.

    Raises
    ------
    SignalError
        If there are no samples, or some are not numbers.
    RequestError
        If the sample rate is too low, or the expected levels are not one for each channel.
    """
    if recorded.ndim != 2 or recorded.size == 0 or not np.all(np.isfinite(recorded)):
        raise SignalError("The rig test needs samples, one column a channel, all of them numbers.")
    channels = recorded.shape[1]
    outputs = channels if outputs is None else outputs
    expected = _expected(expected_loop_dbfs, channels)
    require_range(samplerate, outputs)
    if lost:
        at = ", ".join(f"{loss.frame / samplerate:.2f} s" for loss in lost[:3])
        return _all_unknown(f"The computer lost audio at {at}: {REPEAT}")
    strongest = int(np.argmax(np.var(recorded, axis=0)))
    speed = speed_of(recorded[:, strongest], samplerate)
    if speed is None:
        return _all_unknown(
            "Nothing came back of what was played: join the outputs to the inputs with cables and "
            "turn the gain up."
        )
    if abs(speed - 1) > SPEED_TOLERANCE:
        others = _all_unknown("Cannot be told until the sample rate is right.")
        return (_wrong_rate(speed, samplerate), *others[1:])
    clock = find_clock(recorded[:, strongest], samplerate)
    if isinstance(clock, str):
        return _all_unknown(clock)
    lines = [Channel(recorded[:, n], n + 1, clock) for n in range(channels)]
    live = [line for line in lines if line.came_back]
    if not live:
        return _all_unknown(
            "What came back is too weak to be judged: turn the gain, and all volumes, up."
        )
    return _Judge(tuple(live), clock, outputs, channels, expected).findings()


def _expected(given: float | Sequence[float] | None, channels: int) -> tuple[float | None, ...]:
    if given is None:
        return (None,) * channels
    values = (float(given),) * channels if isinstance(given, int | float) else tuple(given)
    if len(values) != channels:
        raise RequestError(
            f"{len(values)} expected levels do not fit {channels} channels: give one for each."
        )
    return values


def _all_unknown(reason: str) -> tuple[PathFinding, ...]:
    return tuple(PathFinding(name, None, reason, dict(WHAT_TO_DO[name])) for name in FINDINGS)


def _finding(
    name: str,
    present: bool | None,
    evidence: str,
    value: float | None = None,
    unit: str = "",
    uncertainty: float | None = None,
) -> PathFinding:
    advice: dict[System, str] = {} if present is False else dict(WHAT_TO_DO[name])
    return PathFinding(name, present, evidence, advice, value, uncertainty, unit)


def _wrong_rate(speed: float, samplerate: int) -> PathFinding:
    explained = [
        f"played at {played} Hz and recorded at {recorded} Hz"
        for played in STANDARD_RATES
        for recorded in STANDARD_RATES
        if samplerate in (played, recorded) and abs(speed * recorded / played - 1) < RATIO_TOLERANCE
    ]
    cents = 1200 * math.log2(speed)
    why = " or ".join(explained) if explained else "no two standard rates explain it"
    return _finding(
        "wrong_rate",
        True,
        f"The pitch came back {speed:.4f} times as high ({cents:+.0f} cents): {why}.",
        speed,
        "1",
    )


# --- what that means ------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Judge:
    """All channels on which something came back, and what is to be said of them."""

    lines: tuple[Channel, ...]
    clock: Clock
    outputs: int
    inputs: int
    expected: tuple[float | None, ...]

    def findings(self) -> tuple[PathFinding, ...]:
        found = (
            self._right_rate(),
            self._resampling,
            self._automatic_gain,
            self._noise_suppression(),
            self._software_volume(),
            self._truncation,
            self._mono,
            self._swapped(),
            self._high_pass(),
            self._drift,
        )
        silent = self.inputs - len(self.lines)
        if not silent:
            return found
        note = f" Nothing came back on {silent} of {self.inputs} inputs: they were not judged."
        return tuple(replace(f, evidence=f.evidence + note) for f in found)

    def _verdict(self, name: str, votes: Sequence["_Vote"]) -> PathFinding:
        """One finding from those of the channels: yes if one says yes, no if all say no."""
        yes = [v for v in votes if v.present]
        unsure = [v for v in votes if v.present is None]
        chosen = yes or unsure or list(votes)
        texts: dict[str, list[int]] = {}
        for vote in chosen:
            texts.setdefault(vote.text, []).append(vote.channel)
        # Channels that say the same are told together.
        evidence = " ".join(f"{_channels(numbers)}: {text}." for text, numbers in texts.items())
        present = True if yes else None if unsure else False
        return _finding(name, present, evidence, chosen[0].value, chosen[0].unit)

    def _right_rate(self) -> PathFinding:
        return _finding(
            "wrong_rate",
            False,
            f"The pitch came back right within {max(abs(self.clock.ppm), 1):.0f} ppm.",
            self.clock.ratio,
            "1",
        )

    @cached_property
    def _drift(self) -> PathFinding:
        ppm, uncertainty = self.clock.ppm, self.clock.uncertainty
        present = abs(ppm) > max(DRIFT_PPM, DRIFT_SIGMAS * uncertainty)
        if not present and DRIFT_SIGMAS * uncertainty > 10 * DRIFT_PPM:
            text = f"Noise hides differences below {DRIFT_SIGMAS * uncertainty:.0f} ppm."
            return _finding("clock_drift", None, text, ppm, "ppm", uncertainty)
        width = max(uncertainty, 0.01)
        text = (
            f"The outputs run {abs(ppm):.2f} ± {width:.2f} ppm "
            f"{'faster' if ppm > 0 else 'slower'} than the inputs: two devices with a clock each."
            if present
            else f"Outputs and inputs keep the same clock within {abs(ppm) + width:.2f} ppm."
        )
        return _finding("clock_drift", present, text, ppm, "ppm", uncertainty)

    # Rate conversion

    @cached_property
    def _resampling(self) -> PathFinding:
        return self._verdict("resampling", [self._resampled(line) for line in self.lines])

    def _resampled(self, line: Channel) -> "_Vote":
        rate = line.samplerate
        hz, db = line.response
        images = self._images(line)
        edge = _band_edge(hz, db)
        texts = []
        if edge is not None and edge < 0.485 * rate:
            other = _rate_of_edge(edge)
            if 0.51 * other < 0.49 * rate:
                texts.append(
                    f"the band ends at {edge / 1000:.2f} kHz, as at {other} Hz, not at {rate} Hz"
                )
        if images is not None:
            other, found = images
            there = ", ".join(f"{f:.0f} Hz at {level:.0f} dBFS" for f, level in found[:3])
            texts.append(f"images as from a conversion between {rate} and {other} Hz: {there}")
        top = float(np.max(db[hz > 0.492 * rate]))
        if not texts and line.digital and top < -1.0:
            texts.append(
                f"a path without converters, yet {-top:.0f} dB are missing at half of the rate"
            )
        if texts:
            return _Vote(line.channel, True, "; ".join(texts))
        if top < -EDGE_DB and edge is not None:
            return _Vote(
                line.channel,
                None,
                f"the band ends at {edge / 1000:.2f} kHz, below half of the rate, as after a good "
                "conversion to another rate, but a few converters have such a filter of their own; "
                "compare the system's rate with that of the test",
            )
        return _Vote(
            line.channel, False, f"no images; the band reaches half of the rate ({top:.0f} dB)"
        )

    def _images(self, line: Channel) -> tuple[int, list[tuple[float, float]]] | None:
        """The rate whose conversion explains most lines beside the high tone, and those lines."""
        rate, ratio = line.samplerate, line.clock.ratio
        part = line.cut("high", 0.02, 0.02)
        idle = line.cut("idle", 0.02, 0.02)
        power, quiet = spectrum_of(part), spectrum_of(idle)
        limit = float(dbfs_to_rms(IMAGE_DBFS)) ** 2
        if self._truncation.present:  # all that rounding can leave in one line
            limit = max(limit, (STEP_16 * db_to_ratio(line.loop_db)) ** 2 / 12)
        tone = rate * HIGH_TONE[0] / HIGH_TONE[1]
        best: tuple[int, list[tuple[float, float]]] | None = None
        for other in STANDARD_RATES:
            if other == rate or other < 32_000:
                continue
            found = []
            for hz in _image_frequencies(tone, rate, other):
                at = round(hz * ratio / rate * len(part))
                if not 80 < at < len(power) - 80:
                    continue
                around = np.concatenate((power[at - 60 : at - 12], power[at + 13 : at + 61]))
                peak = float(np.max(power[at - 3 : at + 4]))
                there = round(hz / rate * len(idle))
                before = float(np.max(quiet[max(there - 6, 0) : there + 7]))
                if peak > max(IMAGE_OVER_FLOOR * float(np.median(around)), limit, 4 * before):
                    found.append((hz, float(power_ratio_to_db(2 * peak))))
            strongest = max((level for _, level in found), default=-math.inf)
            alone = strongest > HIGH_DBFS + line.loop_db + IMAGE_ALONE_DB
            if (alone or len(found) >= IMAGES_NEEDED) and (
                best is None or len(found) > len(best[1])
            ):
                best = other, sorted(found, key=lambda line: -line[1])
        return best

    # Level

    @cached_property
    def _automatic_gain(self) -> PathFinding:
        return self._verdict("automatic_gain", [self._regulated(line) for line in self.lines])

    def _regulated(self, line: Channel) -> "_Vote":
        end = {name: gains[1] for name, gains in line.steps.items()}
        loud, mids, soft = end["step2"], [end["step1"], end["step3"], end["step5"]], end["step4"]
        clipped = line.plateau is not None and line.plateau < 1.02 * float(
            peak_of(TONE_DBFS["step2"]) * db_to_ratio(max(loud, max(mids)))
        )
        texts = []
        gated = soft < min(mids) - GATE_DB
        squeezed = soft - min(mids) if clipped else max(max(mids) - loud, soft - min(mids))
        if squeezed > GAIN_STEP_DB:
            texts.append(
                f"a tone at −8, −20 and −40 dBFS came back with gains of {loud:+.1f}, "
                f"{float(np.mean(mids)):+.1f} and {soft:+.1f} dB"
            )
        elif loud - min(mids) > GAIN_STEP_DB:
            texts.append(f"the louder tone came back with {loud - min(mids):.1f} dB more gain")
        apart = max(mids) - min(mids)
        if apart > GAIN_STEP_DB:
            texts.append(f"the same tone came back with gains that differ by {apart:.1f} dB")
        moves = []
        for name, (soon, late) in line.steps.items():
            if name == "step4" and late < soon:
                continue  # a gate that closes
            if name == "step5" and gated:
                continue  # and opens again
            if name == "step2" and clipped:
                continue
            moves.append(late - soon)
        moved = max(moves, key=abs)
        if abs(moved) > GAIN_STEP_DB:
            texts.append(f"the level moved by {moved:+.1f} dB while the tone stood still")
        limited = self._limited_db(line)
        if limited is not None and limited > GAIN_STEP_DB:
            texts.append(f"a burst at full scale came back {limited:.1f} dB too low")
        lift = max(float(np.max(line.low_response)), float(np.max(line.response[1])))
        if lift > BOOST_DB:
            texts.append(f"some frequencies came back {lift:.1f} dB too strong")
        if texts:
            return _Vote(
                line.channel, True, "; ".join(texts), max(squeezed, apart, abs(moved)), "dB"
            )
        if clipped:
            return _Vote(
                line.channel, None, "the input clipped at a tone of −8 dBFS: turn the gain down"
            )
        return _Vote(
            line.channel,
            False,
            f"steps in level came back within {GAIN_STEP_DB:g} dB and stood still",
            max(abs(squeezed), apart, abs(moved)),
            "dB",
        )

    def _limited_db(self, line: Channel) -> float | None:
        """How much too low the burst came back; None if it was clipped, by whatever."""
        if line.plateau is not None:
            return None
        part = line.cut("burst", 0.08, 0.02)
        first = amplitude_at(part, line.tone)
        harmonics = amplitudes_at(part, np.arange(2, 8) * line.tone)
        distorted = ratio_to_db(float(np.linalg.norm(harmonics)) / max(first, 1e-12))
        if distorted > BURST_DISTORTION_DB:
            return None
        return line.steps["step5"][1] - float(ratio_to_db(first / peak_of(BURST_DBFS)))

    def _noise_suppression(self) -> PathFinding:
        return self._verdict("noise_suppression", [self._gated(line) for line in self.lines])

    def _gated(self, line: Channel) -> "_Vote":
        rate = line.samplerate
        loud = line.steps["step5"][1]
        tone = line.cut("faint tone", 0.35, 0.05)
        noise = line.cut("faint noise", 0.85, 0.05)
        noise_per_tone = line.floor * math.sqrt(3 * 2 / len(tone))  # Hann window: 1.5 bins
        expected = peak_of(FAINT_TONE_DBFS) * db_to_ratio(loud)
        if expected < 4 * noise_per_tone:
            return _Vote(line.channel, None, "noise covers the faint sounds: turn the gain up")
        tone_db = float(
            ratio_to_db(max(amplitude_at(tone, line.tone), 1e-12) / peak_of(FAINT_TONE_DBFS))
        )
        start, end = frames_of("faint noise", rate)
        sent = same_on_all(rate)[start + round(0.85 * rate) : end - round(0.05 * rate)]
        edges = np.array(FAINT_NOISE_HZ)
        got, idle, was = (
            float(band_powers(x, rate, edges)[0])
            for x in (noise, line.cut("idle", 0.03, 0.03), sent)
        )
        was *= float(db_to_ratio(loud)) ** 2
        noise_db = float(power_ratio_to_db(max(got - idle, 1e-4 * was) / was))
        fainter = BITS["bits2"] * STEP_16
        if fainter * db_to_ratio(loud) > 8 * noise_per_tone and not self._truncation.present:
            came = amplitude_at(line.cut("bits2", 0.35, 0.05), line.tone)
            tone_db = min(tone_db, float(ratio_to_db(max(came, 1e-12) / fainter)))
        lost = max(loud - tone_db, -noise_db if was > 0.3 * idle else 0.0)
        zeros = max(_longest_zeros(tone), _longest_zeros(noise)) / rate
        coarse = self._coarse(line) or (line.grid or 0.0)
        texts = []
        if lost > GATE_DB:
            texts.append(
                f"a faint tone came back {loud - tone_db:.0f} dB and faint noise {-noise_db:.0f} "
                "dB weaker than they should"
            )
        if zeros > GATE_ZEROS_SECONDS:
            texts.append(f"{1000 * zeros:.0f} ms of digital zeros while something was played")
        if texts and coarse and expected < coarse:
            return _Vote(
                line.channel, None, "the faint sounds lie below one step of the samples that came"
            )
        if texts and self._automatic_gain.present and lost < GATE_BESIDE_AGC_DB:
            return _Vote(
                line.channel, None, "the gain moves by itself: switch that off first and repeat"
            )
        silent = max(_longest_zeros(line.cut(n, 0.05, 0.02)) / rate for n in ("idle", "pause"))
        noisy = not line.digital and line.floor > 0.6 * coarse
        if silent > 0.1 and noisy and not texts:
            if self._drift.present:
                return _Vote(line.channel, None, "the clocks differ: repeat with one device")
            texts.append(
                f"{1000 * silent:.0f} ms of digital zeros in the pauses, beside noise of "
                f"{float(rms_to_dbfs(line.floor)):.0f} dBFS during tones"
            )
        if texts:
            return _Vote(line.channel, True, "; ".join(texts), lost, "dB")
        return _Vote(
            line.channel,
            False,
            f"faint sounds came back within {max(abs(lost), 0.1):.1f} dB",
            lost,
            "dB",
        )

    def _software_volume(self) -> PathFinding:
        return self._verdict("software_volume", [self._turned_down(line) for line in self.lines])

    def _turned_down(self, line: Channel) -> "_Vote":
        loop = line.loop_db
        if self._automatic_gain.present:
            return _Vote(
                line.channel, None, "the gain moves by itself: switch that off first and repeat"
            )
        if self._mono.present:
            return _Vote(line.channel, None, "the channels are mixed: mend that first")
        texts = []
        grid = line.grid
        if grid is not None and not _power_of_two(grid):
            bits = 24 if grid < COARSE_STEP else 16
            share = grid * 2.0 ** (bits - 1)
            texts.append(
                f"the steps of the samples are {share:.3f} of those of {bits} bits "
                f"({float(ratio_to_db(share)):+.1f} dB)"
            )
        if line.plateau is not None and line.plateau < PLATEAU:
            texts.append(f"the input clips at {100 * line.plateau:.1f} % of full scale")
        if line.digital and abs(loop) > DIGITAL_GAIN_DB:
            texts.append(f"a path without converters changes the level by {loop:+.2f} dB")
        if texts:
            return _Vote(line.channel, True, "; ".join(texts), loop, "dB")
        if line.digital:
            return _Vote(line.channel, False, "the level came back exactly", loop, "dB")
        wanted = self.expected[line.channel - 1]
        if wanted is None:
            return _Vote(
                line.channel,
                None,
                f"the loop has a gain of {loop:+.2f} dB, and nothing says what it should be: "
                "calibrate the rig once with all volumes at 100 %",
                loop,
                "dB",
            )
        off = loop - wanted
        text = f"the loop has a gain of {loop:+.2f} dB, {wanted:+.2f} dB when it was calibrated"
        if abs(off) <= CALIBRATED_GAIN_DB:
            return _Vote(line.channel, False, text, loop, "dB")
        if off < 0:
            return _Vote(
                line.channel, True, f"{text}: a volume, or the gain control, was turned down",
                loop, "dB",
            )  # fmt: skip
        return _Vote(line.channel, None, f"{text}: the gain control was turned up", loop, "dB")

    # Resolution

    @cached_property
    def _truncation(self) -> PathFinding:
        return self._verdict("truncation_16_bit", [self._truncated(line) for line in self.lines])

    def _coarse(self, line: Channel) -> float | None:
        """The step of the samples, if it is that of 16 bits or coarser."""
        return line.grid if line.grid is not None and line.grid > COARSE_STEP else None

    def _truncated(self, line: Channel) -> "_Vote":
        coarse = self._coarse(line)
        if coarse is not None:
            bits = 1 - math.log2(coarse)
            return _Vote(
                line.channel, True, f"all samples lie on steps of {bits:.1f} bits", bits, "bit"
            )
        # What rounding adds, as the peak of a sine: step / sqrt(12) RMS.
        error, error_24 = (step / math.sqrt(6) for step in (STEP_16, STEP_24))
        orders = np.arange(2, 16)
        hidden, clearest = True, 0.0
        for name in ("bits1", "bits2", "faint tone"):
            part, sent = line.cut(name, 0.05, 0.05), self._sent(name, line.samplerate)
            first = amplitude_at(part, line.tone)
            gain = float(db_to_ratio(line.loop_db))
            came = first / float(np.max(np.abs(sent)))
            hidden = hidden and came < 0.5 * gain
            harmonics = amplitudes_at(part, orders * line.tone)
            between = amplitudes_at(part, (orders + 0.37) * line.tone)
            distortion, noise = float(np.linalg.norm(harmonics)), float(np.linalg.norm(between))
            limit = TRUNCATION_SHARE * error * max(gain, came)
            least = max(TRUNCATION_OVER_NOISE * noise, error_24)
            if distortion > max(limit, least):
                share = 100 * distortion / max(first, 1e-12)
                level = float(rms_to_dbfs(float(np.std(sent))))
                return _Vote(
                    line.channel,
                    True,
                    f"a tone at {level:.0f} dBFS came back with {share:.0f} % distortion, as from "
                    "steps of 16 bits without dither",
                    share,
                    "%",
                )
            clearest = max(clearest, limit / least)
        if hidden:
            return _Vote(line.channel, None, "the faint tones did not come back")
        if clearest < 1:
            return _Vote(line.channel, None, "noise covers the steps of 16 bits: turn the gain up")
        noise_dbfs = float(rms_to_dbfs(max(line.floor, 1e-15))) - line.loop_db
        if noise_dbfs > DITHER_DBFS:
            return _Vote(
                line.channel,
                None,
                "no steps of 16 bits without dither, but the loop's noise, "
                f"{noise_dbfs:.0f} dBFS as played, would hide those with dither",
            )
        return _Vote(line.channel, False, "faint tones came back without steps of 16 bits")

    def _sent(self, name: str, samplerate: int) -> Floats:
        start, end = frames_of(name, samplerate)
        trim = round(0.05 * samplerate)
        return same_on_all(samplerate)[start + trim : end - trim]

    # Channels

    @cached_property
    def _mono(self) -> PathFinding:
        if self.outputs < 2:
            return _finding("mono", None, "Played on one output only: there is nothing to mix.")
        votes = []
        for line in self.lines:
            heard = line.heard[: self.outputs]
            order = np.argsort(heard)[::-1]
            leak = float(ratio_to_db(max(heard[order[1]], 1e-12) / max(heard[order[0]], 1e-12)))
            text = (
                f"output {order[1] + 1} is heard beside output {order[0] + 1} at {leak:.1f} dB"
                if leak > MIX_DB
                else f"only output {order[0] + 1} is heard, the others below {MIX_DB:.0f} dB"
            )
            votes.append(_Vote(line.channel, leak > MIX_DB, text, leak, "dB"))
        strongest = [int(np.argmax(line.heard[: self.outputs])) for line in self.lines]
        for n, output in enumerate(strongest):
            if strongest.count(output) > 1 and not votes[n].present:
                text = (
                    f"output {output + 1} is heard on several inputs: one channel goes to all of "
                    "them, or one cable does"
                )
                votes[n] = _Vote(self.lines[n].channel, True, text)
        return self._verdict("mono", votes)

    def _swapped(self) -> PathFinding:
        name = "swapped_channels"
        if self.outputs < 2 or self.inputs < 2:
            return _finding(name, None, "One channel only: there is nothing to swap.")
        if self._mono.present:
            return _finding(name, None, "The channels are mixed: mend that first.")
        pairs = [(line.channel, int(np.argmax(line.heard[: self.outputs])) + 1)
                 for line in self.lines]  # fmt: skip
        crossed = [(i, o) for i, o in pairs if i != o]
        if len({o for _, o in pairs}) < len(pairs):
            return _finding(name, None, "Several inputs hear the same output: mend that first.")
        if not crossed:
            return _finding(name, False, "Each input hears the output of its own number.")
        there = ", ".join(f"input {i} hears output {o}" for i, o in crossed)
        return _finding(
            name,
            True,
            f"{there[0].upper()}{there[1:]}: cables that are swapped look just the same as "
            "channels that the computer swaps.",
        )

    # Low end

    def _high_pass(self) -> PathFinding:
        return self._verdict("high_pass", [self._cut_off(line) for line in self.lines])

    def _cut_off(self, line: Channel) -> "_Vote":
        db = line.low_response
        below = np.flatnonzero(db < -3.0103)
        if len(below) == 0:
            return _Vote(line.channel, False, f"−3 dB lies below {LOW_HZ[0]:g} Hz")
        k = int(below[-1])
        if k + 1 >= len(db):
            return _Vote(line.channel, None, "the low tones came back too unevenly")
        share = (db[k] + 3.0103) / (db[k] - db[k + 1])
        corner = float(np.exp(np.interp(share, [0, 1], np.log([LOW_HZ[k], LOW_HZ[k + 1]]))))
        return _Vote(line.channel, corner > HIGH_PASS_HZ, f"−3 dB at {corner:.3g} Hz", corner, "Hz")


@dataclass(frozen=True, slots=True)
class _Vote:
    """What one channel says."""

    channel: int
    present: bool | None
    text: str
    value: float | None = None
    unit: str = ""


def _channels(numbers: Sequence[int]) -> str:
    if len(numbers) == 1:
        return f"Channel {numbers[0]}"
    return f"Channels {', '.join(map(str, numbers[:-1]))} and {numbers[-1]}"


def _power_of_two(step: float) -> bool:
    exponent = math.log2(step)
    return abs(exponent - round(exponent)) < 1e-4


def _longest_zeros(part: Floats) -> int:
    edges = np.diff((part == 0).astype(np.int8), prepend=0, append=0)
    lengths = np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)
    return int(lengths.max()) if len(lengths) else 0


def _band_edge(hz: Floats, db: Floats) -> float | None:
    """Frequency above which nothing comes, if the response falls off steeply there."""
    above = np.flatnonzero(db > -EDGE_DB + 5)
    if len(above) == 0 or above[-1] + 2 >= len(db):
        return None
    last = int(above[-1])
    edge = float(hz[last])
    inside = db[(hz > 0.7 * EDGE_WIDTH * edge) & (hz < EDGE_WIDTH * edge)]
    outside = db[hz > 1.03 * edge]
    if len(inside) == 0 or len(outside) == 0:
        return None
    steep = float(np.median(inside)) - float(np.max(outside)) > EDGE_DB
    return edge if steep and float(np.min(inside)) > -6 else None


def _rate_of_edge(edge: float) -> int:
    """The standard rate that a band edge tells of.

    Good filters end a little below half of the rate; poor ones let some through above.
    """
    above = [r for r in STANDARD_RATES if 0.99 * edge <= r / 2 < 1.12 * edge]
    return above[0] if above else min(STANDARD_RATES, key=lambda r: abs(math.log(r / 2 / edge)))


def _image_frequencies(tone: float, rate: int, other: int) -> tuple[float, ...]:
    """Where a conversion from a rate to another and back leaves images of a tone.

    Sampling at a rate repeats the spectrum around its multiples; what a conversion's filter leaves
    of that folds at half the new rate. Frequencies at which the tone's own harmonics fold are left
    out.
    """

    def fold(hz: float, at: int) -> float:
        rest = hz % at
        return min(rest, at - rest)

    between = {fold(abs(j * rate + sign * tone), other) for j in (0, 1, 2) for sign in (1, -1)}
    after = {
        fold(abs(j * other + sign * hz), rate)
        for hz in between for j in (0, 1, 2) for sign in (1, -1)
    }  # fmt: skip
    harmonics = rate / HIGH_TONE[1]
    return tuple(
        sorted({round(hz, 3) for hz in after if abs(hz / harmonics - round(hz / harmonics)) > 0.02})
    )
