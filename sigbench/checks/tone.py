"""Tone: a held note. Level, pitch, distortion and balance of the outputs."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigbench.checks.held import Held, held_part
from sigbench.checks.readings import (
    in_percent,
    level_readings,
    mains_readings,
    reading,
    spoil_clipped,
    spoil_lost,
)
from sigbench.measure.balance import Unknown, crosstalk, level_difference, polarity_and_delay
from sigbench.measure.distortion import Distortion, measure_distortion
from sigbench.measure.estimate import Estimate
from sigbench.measure.fundamental import Fundamental, follow
from sigbench.measure.mains import NOTE_REACH_HZ, Mains, comb_waveform, measure_mains
from sigbench.measure.spectrum import cosine_window, power_spectrum
from sigbench.measure.tone import Line, NoTone, find_tone
from sigbench.model import CheckSettings, Measurement, Reading, Take
from sigbench.units import cents, nearest_note

LEAST_CYCLES = 10.0
LONGEST_SECONDS = 60.0  # of a note: more would sharpen no reading that matters, and take long
UNDRIVEN_DB = 30.0  # a channel this much weaker than its neighbour is taken as not driven

MAINS_HZ = (50.0, 60.0)

_PASSES = 2
_FAINT = 1e-6  # -60 dB beside the fundamental: what leaks from it into the fit is no matter

_UNITS = {
    "tone_level": ("dBFS",),
    "frequency": ("Hz",),
    "pitch_error": ("cents",),
    "frequency_drift": ("cents",),
    "thd": ("dB", "%"),
    "thd_n": ("dB", "%"),
    "sinad": ("dB",),
    "harmonics": ("dB",),
    "harmonic_phases": ("deg",),
    "clip_asymmetry": ("dB",),
}


@dataclass(frozen=True, slots=True, eq=False)
class _Channel:
    """What was found in one channel."""

    signal: NDArray[np.float64]
    mains: Mains | None
    note: Line | NoTone
    fundamental: Fundamental | None = None
    distortion: Distortion | None = None


def check_tone(take: Take, settings: CheckSettings) -> Measurement:
    """Measure a take in which one note is held; see `sigbench.checks.measure`."""
    return notes_and_readings(take, settings)[1]


def notes_and_readings(take: Take, settings: CheckSettings) -> tuple[tuple[Line, ...], Measurement]:
    """The notes that were found, one for each channel that has one, and the measurement."""
    found, held = _searched(take, settings)
    channels = [_analyse(c, take.samplerate, settings) for c in found]
    part = held.remark(take.samplerate)
    around = None if part is None else "of the whole take; the note was measured in a part of it"
    readings: list[Reading] = []
    for number, channel in enumerate(channels, start=1):
        whole = take.samples[:, number - 1]
        readings += _remarked(level_readings(whole, take, number), around)
        readings += _remarked(_tone_readings(channel, number, settings), part)
        readings += _hum_readings(channel, number, settings)
    for left in range(1, take.channels, 2):
        pair = (left, left + 1)
        alike = _pair_readings(channels[left - 1], channels[left], pair, take.samplerate, settings)
        readings += _remarked(alike, part)
    measurement = Measurement("tone", take.source, spoil_lost(spoil_clipped(readings, take), take))
    return tuple(c.note for c in found if isinstance(c.note, Line)), measurement


def _searched(take: Take, settings: CheckSettings) -> tuple[list[_Channel], Held]:
    """The note in each channel, in the part of the take in which it is held."""

    def strongest(channels: list[_Channel]) -> tuple[int, Line] | None:
        notes = [(n, c.note) for n, c in enumerate(channels) if isinstance(c.note, Line)]
        return max(notes, key=lambda entry: entry[1].power) if notes else None

    samplerate, expected = take.samplerate, settings.frequency_hz
    signals = list(take.samples.T)
    found = [_search(s, samplerate, settings, expected) for s in signals]
    held = Held(0, take.frames, True)
    best = strongest(found)
    if best is not None:
        held = held_part(signals[best[0]], samplerate, best[1].frequency_hz).first(
            round(LONGEST_SECONDS * samplerate)
        )
    if best is not None and not held.whole:
        signals = [s[held.start : held.stop] for s in signals]
        expected = best[1].frequency_hz if expected is None else expected
        found = [_search(s, samplerate, settings, expected) for s in signals]
    elif best is not None and expected is None:
        # The strongest channel says which note it is; the others are asked for the same one.
        note = best[1]
        found = [
            c
            if isinstance(c.note, Line) and abs(cents(c.note.frequency_hz, note.frequency_hz)) < 50
            else _search(c.signal, samplerate, settings, note.frequency_hz)
            for c in found
        ]
    return found, held


def _remarked(readings: Iterable[Reading], remark: str | None) -> list[Reading]:
    """The readings with one more remark beside each that has a value."""
    if remark is None:
        return list(readings)
    return [
        r if r.value is None else replace(r, why=remark if r.why is None else f"{r.why}; {remark}")
        for r in readings
    ]


def _hum_readings(channel: _Channel, number: int, settings: CheckSettings) -> list[Reading]:
    """The mains comb, without the lines that a partial of the note lies on."""
    readings = mains_readings(channel.mains, number, silent=not np.any(channel.signal))
    if channel.fundamental is None:
        return readings
    note = channel.fundamental.frequency.value
    if channel.mains is not None and channel.mains.frequency is not None:
        nominal: tuple[float, ...] = (channel.mains.frequency.value,)
    else:
        nominal = MAINS_HZ if settings.mains_hz is None else (settings.mains_hz,)
    why = {}
    for line, name in ((1, "hum_1x"), (2, "hum_2x")):
        for mains in nominal:
            partial = max(1, round(line * mains / note)) * note
            if abs(partial - line * mains) < NOTE_REACH_HZ:
                why[name] = f"a partial of the note, {partial:.1f} Hz, lies on this line"
    if why:
        why["hum_total"] = "a partial of the note lies on one of the two lowest lines of the hum"
    return [
        Reading.invalid(r.name, r.unit, why[r.name], channel=number)
        if r.name in why and r.value is not None
        else r
        for r in readings
    ]


def _search(
    signal: NDArray[np.float64],
    samplerate: int,
    settings: CheckSettings,
    expected_hz: float | None,
) -> _Channel:
    mains = measure_mains(signal, samplerate, nominal_hz=settings.mains_hz)
    spectrum = power_spectrum(signal, samplerate)
    return _Channel(signal, mains, find_tone(spectrum, mains, expected_hz=expected_hz))


def _analyse(channel: _Channel, samplerate: int, settings: CheckSettings) -> _Channel:
    note = channel.note
    if isinstance(note, NoTone):
        return channel
    seconds = len(channel.signal) / samplerate
    if seconds * note.frequency_hz < LEAST_CYCLES:
        reason = (
            f"the take holds {seconds * note.frequency_hz:.1f} cycles of the note, and "
            f"{LEAST_CYCLES:.0f} are needed: record longer"
        )
        return _Channel(channel.signal, channel.mains, NoTone(reason))
    # A windowed mean: the plain one of a broken number of cycles would add an offset.
    window = cosine_window(len(channel.signal))
    signal = channel.signal - np.dot(window, channel.signal) / np.sum(window)
    hum = comb_waveform(channel.mains, samplerate, len(signal), note_hz=note.frequency_hz)
    harmonics = None
    for _ in range(_PASSES):
        # What the first pass finds beside the fundamental is kept out of the second.
        try:
            fundamental = follow(
                signal,
                samplerate,
                note.frequency_hz,
                snr_hz=note.snr_hz,
                hum=hum,
                harmonics=harmonics,
            )
        except np.linalg.LinAlgError:
            reason = f"no tone found: what lies at {note.frequency_hz:.1f} Hz cannot be followed"
            return _Channel(channel.signal, channel.mains, NoTone(reason))
        distortion = measure_distortion(fundamental, samplerate, hum)
        harmonics = distortion.waveform
        if np.mean(np.square(harmonics)) < _FAINT * fundamental.power.value:
            break
    # Without the note, the mains comb is seen as it is.
    rest = fundamental.residual - distortion.waveform
    mains = measure_mains(rest, samplerate, nominal_hz=settings.mains_hz)
    return _Channel(channel.signal, mains, note, fundamental, distortion)


def _tone_readings(channel: _Channel, number: int, settings: CheckSettings) -> list[Reading]:
    tone, distortion = channel.fundamental, channel.distortion
    if tone is None or distortion is None:
        assert isinstance(channel.note, NoTone)
        return [
            Reading.invalid(name, unit, channel.note.reason, channel=number)
            for name, units in _UNITS.items()
            for unit in units
        ]
    top = distortion.band_hz[1]
    narrow = None if top >= 20_000 else f"the rate ends the band at {top:.0f} Hz"
    readings = [
        reading("tone_level", "dBFS", tone.level, channel=number),
        reading("frequency", "Hz", tone.frequency, channel=number),
        _pitch_error(tone.frequency, number, settings),
        reading("frequency_drift", "cents", tone.drift, channel=number),
    ]
    if distortion.thd is None:
        why = f"no harmonic of {tone.frequency.value:.0f} Hz lies below {top:.0f} Hz"
        readings += [
            Reading.invalid(name, unit, why, channel=number)
            for name in ("thd", "harmonics", "harmonic_phases")
            for unit in _UNITS[name]
        ]
    else:
        readings += [
            reading("thd", "dB", distortion.thd, channel=number, why=narrow),
            in_percent("thd", distortion.thd, channel=number, why=narrow),
            *_harmonic_readings(distortion, number),
        ]
    thd_n = distortion.thd_n
    readings += [
        reading("thd_n", "dB", thd_n, channel=number, why=narrow),
        in_percent("thd_n", thd_n, channel=number, why=narrow),
        reading("sinad", "dB", Estimate(-thd_n.value, thd_n.uncertainty), channel=number),
    ]
    if distortion.clip_asymmetry is None:
        why = "the averaged waveform does not cross zero"
        readings.append(Reading.invalid("clip_asymmetry", "dB", why, channel=number))
    else:
        readings.append(reading("clip_asymmetry", "dB", distortion.clip_asymmetry, channel=number))
    return readings


def _pitch_error(frequency: Estimate, number: int, settings: CheckSettings) -> Reading:
    if settings.frequency_hz is None:
        note, error = nearest_note(frequency.value, a4_hz=settings.a4_hz)
        why = f"against {note} at A4 = {settings.a4_hz:g} Hz"
    else:
        error = float(cents(frequency.value, settings.frequency_hz))
        why = f"against the {settings.frequency_hz:g} Hz asked for"
    uncertainty = float(cents(1 + frequency.uncertainty / frequency.value, 1.0))
    return reading("pitch_error", "cents", Estimate(error, uncertainty), channel=number, why=why)


def _harmonic_readings(distortion: Distortion, number: int) -> list[Reading]:
    harmonics = distortion.harmonics
    # The angle of a line in noise is as uncertain in radians as its amplitude is in nepers.
    phase_u = tuple(
        min(180.0, float(np.degrees(h.level.uncertainty / 8.686)))
        if not h.level.upper_bound
        else 180.0
        for h in harmonics
    )
    return [
        Reading(
            "harmonics",
            tuple(h.level.value for h in harmonics),
            "dB",
            number,
            tuple(float(h.level.uncertainty) for h in harmonics),
        ),
        Reading(
            "harmonic_phases", tuple(h.phase_degrees for h in harmonics), "deg", number, phase_u
        ),
    ]


def _pair_readings(
    left: _Channel,
    right: _Channel,
    channels: tuple[int, int],
    samplerate: int,
    settings: CheckSettings,
) -> list[Reading]:
    driven = settings.driven_channel
    missing = [n for n, c in zip(channels, (left, right), strict=True) if c.fundamental is None]
    if driven in channels:
        why = f"only channel {driven} was driven"
    elif missing:
        named = " and ".join(str(n) for n in missing)
        why = f"no tone in channel {named}: dead, muted or not connected"
    else:
        return [
            *_alignment_readings(left, right, channels, samplerate),
            *_crosstalk_readings(left, right, channels, samplerate, driven),
        ]
    invalid = [
        Reading.invalid(name, unit, why, channels=channels)
        for name, unit in (("balance", "dB"), ("polarity", ""), ("delay", "s"))
    ]
    return [*invalid, *_crosstalk_readings(left, right, channels, samplerate, driven)]


def _alignment_readings(
    left: _Channel, right: _Channel, channels: tuple[int, int], samplerate: int
) -> list[Reading]:
    # Hum and noise of each output are no part of its level: the notes alone are compared.
    balance = level_difference(_note_alone(left), _note_alone(right), samplerate)
    if isinstance(balance, Unknown):
        readings = [Reading.invalid("balance", "dB", balance.why, channels=channels)]
    else:
        readings = [reading("balance", "dB", balance, channels=channels)]
    alignment = polarity_and_delay(left.signal, right.signal, samplerate)
    if isinstance(alignment, Unknown):
        return readings + [
            Reading.invalid(name, unit, alignment.why, channels=channels)
            for name, unit in (("polarity", ""), ("delay", "s"))
        ]
    period = alignment.ambiguous_period
    of_delay = of_polarity = None
    if period is not None:
        of_delay = f"the sound repeats itself: known only up to multiples of {1000 * period:.3g} ms"
    if period is not None and alignment.symmetrical:
        of_polarity = (
            "this wave upside down looks like itself half a period later: the other polarity "
            f"with {500 * period:.3g} ms more or less delay fits as well"
        )
        of_delay = f"{of_delay}, or, with the other polarity, of {500 * period:.3g} ms"
    polarity = Estimate(float(alignment.polarity), 0.0)
    return [
        *readings,
        reading("polarity", "", polarity, channels=channels, why=of_polarity),
        reading("delay", "s", alignment.delay, channels=channels, why=of_delay),
    ]


def _note_alone(channel: _Channel) -> NDArray[np.float64]:
    assert channel.fundamental is not None
    assert channel.distortion is not None
    return channel.signal - channel.fundamental.residual + channel.distortion.waveform


def _crosstalk_readings(
    left: _Channel,
    right: _Channel,
    channels: tuple[int, int],
    samplerate: int,
    driven: int | None,
) -> list[Reading]:
    """Crosstalk where one channel of the pair is driven: as told, or plainly so."""
    levels = [c.fundamental.level.value if c.fundamental else -np.inf for c in (left, right)]
    remark = None
    if driven in channels:
        first = channels.index(driven)
    elif abs(levels[0] - levels[1]) > UNDRIVEN_DB and min(levels) > -np.inf:
        first = int(np.argmax(levels))
        remark = (
            f"channel {channels[1 - first]}, over {UNDRIVEN_DB:.0f} dB weaker, taken as undriven"
        )
    else:
        return []
    source, victim = (left, right)[first], (left, right)[1 - first]
    if source.fundamental is None:
        why = f"no tone in the driven channel {channels[first]}"
        return [Reading.invalid("crosstalk", "dB", why, channel=channels[1 - first])]
    result = crosstalk(source.signal, victim.signal, samplerate, source.fundamental.frequency.value)
    if isinstance(result, Unknown):
        return [Reading.invalid("crosstalk", "dB", result.why, channel=channels[1 - first])]
    return [reading("crosstalk", "dB", result, channel=channels[1 - first], why=remark)]
