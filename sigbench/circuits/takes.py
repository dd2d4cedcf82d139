"""Takes of a circuit's outputs, made of pieces of its voltages, with noise; and its rails.

A transient of seconds would take minutes, so short pieces are worked out. Each is a whole number of
periods of the mains and of its note, and is repeated: for the idle and tone takes as it is, for the
jack take with the openings of a contact in between, for the pot take with the level that the
control's divider gives at each moment.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigbench.circuits.instrument import (
    OUTPUTS,
    PIECE_SECONDS,
    SIDES,
    Channel,
    Parts,
    Tone,
    netlist,
    programme,
)
from sigbench.circuits.spice import transient
from sigbench.model import Event, Rail, Source, Take

SAMPLERATE = 48_000
FULL_SCALE_VOLTS = 8.0
"""Peak volts at the interface for 0 dBFS: a usual +17 dBu; common practice, no source."""

CONVERTER_NOISE = 10 ** (-105 / 20) / np.sqrt(2)  # RMS of full scale, a modest interface
SECONDS = {"idle": 3.0, "loud": 1.0, "quiet": 1.0, "low": 1.0}
JOINT = 384  # samples, 8 ms, over which one piece goes over into another
JACK_PIECES = 60  # of a tenth of a second
TURNS = 4  # from end to end
REST_SECONDS = 1.0

TAPS = tuple(
    (at, f"tapped the {place} board")
    for at, place in ((2.0, "regulator"), (4.5, "regulator"), (7.0, "jack"), (9.5, "jack"))
)
"""What a person does during the take "tapped": seconds, and the mark that is set."""
TAPPED_SECONDS = 12.0
TAP_OPENS, KNOCK_OPENS = 0.85, 0.1
"""How often a bad contact opens when its own board is tapped, or another one."""

HEATS = ((24.0, "heat gun on the regulator board"), (48.0, "heat gun on the output board"))
"""The same for the take "heated"."""
HEATED_SECONDS = 72.0
WARMS_SECONDS, COOLS_SECONDS = 8.0, 25.0  # time constants of a board

METER_HZ = 1000.0
"""Where an ordinary multimeter's AC volts fall off; common practice, no source."""
TRACK_OHMS, AFTER_OHMS = 10e3, 100e3  # of the control, and of what its wiper feeds
POT_SHARE = 0.5  # of the loud note's voltage, for the control is turned up to its end

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Recorded:
    """What is found at a circuit: takes by (output, name), and the rails as a perfect meter reads.

    The names are "idle", "loud", "quiet" and "low" for the notes, "down" for none with the volume
    down, "jack" for a note held while the contacts are moved, "pot" for one held while the volume
    is turned; "tapped" and "heated" for one held while boards are, with marks.
    """

    takes: dict[tuple[str, str], Take]
    rails: tuple[Rail, ...]


def record(parts: Parts, rng: np.random.Generator, *, worked_on: bool = False) -> Recorded:
    """What an interface records of every output, and the rails.

    Parameters
    ----------
    parts : Parts
    rng : numpy Generator
        For the noise of amplifiers and converter, the hand at the control and the moments at which
        contacts open.
    worked_on : bool
        Whether boards are tapped and heated as well: the takes "tapped" and "heated".
    """
    tones = programme(parts)
    nodes = [f"v({o}_{s})-v(ground_{o})" for o in OUTPUTS for s in SIDES]
    nodes += ["v(vcc)", "v(vee)"]
    end = tones[-1].start + tones[-1].seconds + 0.001
    volts = transient(netlist(parts), nodes, seconds=end, samplerate=SAMPLERATE)
    pieces = {tone.name: _piece(volts, tone) for tone in tones}
    lead_ins = {tone.name: _lead_in(volts, tone) for tone in tones}
    if "held" in pieces:
        pieces["held"] = _blended(pieces["loud"][:JOINT], pieces["held"])
        lead_ins["held"] = lead_ins["loud"]
    # Each piece runs into what came before its own beginning, so that it can be repeated.
    pieces = {n: _blended(lead_ins[n][::-1], piece[::-1])[::-1] for n, piece in pieces.items()}
    found = {name: _repeated(pieces[name], seconds) for name, seconds in SECONDS.items()}
    # The pot's own few ohms aside, what does not come from the voice is as it was.
    found["down"] = found["idle"]
    found["jack"] = _moved(pieces["loud"], pieces.get("held"), rng)
    found["pot"] = _turned(pieces["idle"], pieces["loud"], parts, rng)
    takes = {
        (output, name): _take(whole[:, 2 * k : 2 * k + 2], parts, name, rng)
        for k, output in enumerate(OUTPUTS)
        for name, whole in found.items()
    }
    if worked_on:
        (hands,) = rng.spawn(1)
        warming = _warming(volts, tones, pieces["loud"])
        heat = _heat(len(warming) - 1, parts, hands)
        for k, output in enumerate(OUTPUTS):
            own = slice(2 * k, 2 * k + 2)
            held = pieces["held"][:, own] if "held" in pieces else None
            tapped = _tapped(pieces["loud"][:, own], held, parts, np.random.default_rng(heat.seed))
            takes[output, "tapped"] = _take(tapped, parts, "tapped", hands, TAPS)
            heated = _heated([piece[:, own] for piece in warming], held, heat)
            takes[output, "heated"] = _take(heated, parts, "heated", hands, HEATS)
    return Recorded(takes, measured_rails(pieces["idle"][:, -2:], parts))


def _piece(volts: Floats, tone: Tone) -> Floats:
    first = round(tone.start * SAMPLERATE)
    return volts[first : first + round(tone.seconds * SAMPLERATE)]


def _lead_in(volts: Floats, tone: Tone) -> Floats:
    """What comes just before a piece; the note is there already."""
    first = round(tone.start * SAMPLERATE)
    return volts[first - JOINT : first]


def _blended(beginning: Floats, piece: Floats) -> Floats:
    """The piece, which grows out of another beginning."""
    share = (0.5 - 0.5 * np.cos(np.pi * np.arange(len(beginning)) / len(beginning)))[:, np.newaxis]
    blended = piece.copy()
    blended[: len(beginning)] = (1 - share) * beginning + share * piece[: len(beginning)]
    return blended


def _repeated(piece: Floats, seconds: float) -> Floats:
    return np.resize(piece, (round(seconds * SAMPLERATE), piece.shape[1]))


def _moved(loud: Floats, held: Floats | None, rng: np.random.Generator) -> Floats:
    """The note, and here and there the piece in which a contact opens."""
    pieces = [loud] * JACK_PIECES
    if held is not None:
        count = int(rng.integers(4, 7))
        for place in rng.choice(np.arange(10, JACK_PIECES), size=count, replace=False):
            pieces[place] = held
    return np.concatenate(pieces)


def _turned(idle: Floats, loud: Floats, parts: Parts, rng: np.random.Generator) -> Floats:
    """The note while the volume is turned, and what comes by other ways as it is."""
    travel = _hand(rng)
    silent = np.resize(idle, (len(travel), idle.shape[1]))
    note = POT_SHARE * (np.resize(loud, silent.shape) - silent)
    for channel, side in enumerate(parts.sides):
        heard = _divided(travel, _contact_ohms(travel, side, rng))
        heard /= _divided(np.array([parts.volume]), np.array([side.wiper_ohms]))
        note[:, channel::2] *= heard[:, np.newaxis]
    return silent + note


def _warming(volts: Floats, tones: tuple[Tone, ...], loud: Floats) -> list[Floats]:
    """The note, from cold to hot, in pieces."""
    for tone in tones:
        if tone.name == "warming":
            size = len(loud)
            return [loud, *_piece(volts, tone).reshape(-1, size, volts.shape[1])]
    return [loud]


@dataclass(frozen=True, slots=True)
class _Heat:
    """What heat does during a take: which piece is heard in each tenth of a second, and openings.

    The same for all outputs.
    """

    pieces: tuple[int, ...]
    openings: tuple[int, ...]
    seed: int


def warmth(seconds: NDArray[np.floating], mark: int) -> Floats:
    """How hot a board is, from 0 to 1, which is heated from one of `HEATS` to the next."""
    start = HEATS[mark][0]
    end = HEATS[mark + 1][0] if mark + 1 < len(HEATS) else HEATED_SECONDS
    hot = 1 - np.exp(-np.clip(seconds - start, 0, end - start) / WARMS_SECONDS)
    cooled: Floats = hot * np.exp(-np.clip(seconds - end, 0, None) / COOLS_SECONDS)
    return cooled


def _heat(hottest: int, parts: Parts, rng: np.random.Generator) -> _Heat:
    blocks = round(HEATED_SECONDS / PIECE_SECONDS)
    hot = warmth((np.arange(blocks) + 0.5) * PIECE_SECONDS, 0)
    openings: list[int] = []
    if parts.heat_opens:
        first, last = (round((HEATS[k][0] + 6 * (1 - k)) / PIECE_SECONDS) for k in (0, 1))
        openings = sorted(rng.choice(np.arange(first, last, 15), size=4, replace=False).tolist())
    return _Heat(
        tuple(np.rint(hottest * hot).astype(int).tolist()),
        tuple(openings),
        int(rng.integers(2**32)),
    )


def _tapped(loud: Floats, held: Floats | None, parts: Parts, rng: np.random.Generator) -> Floats:
    """The note while boards are tapped; a bad contact on one may open, mostly then."""
    whole = _repeated(loud, TAPPED_SECONDS)
    for at, words in TAPS:
        own = parts.opening is not None and ("rail" in parts.opening.contact) == (
            "regulator" in words
        )
        opens = rng.random() < (TAP_OPENS if own else KNOCK_OPENS)
        first = round(rng.integers(1, 4) * PIECE_SECONDS * SAMPLERATE + at * SAMPLERATE)
        if held is not None and opens:
            whole[first : first + len(held)] = held
    return whole


def _heated(warming: list[Floats], held: Floats | None, heat: _Heat) -> Floats:
    """The note while boards are heated."""
    whole = np.concatenate([warming[k] for k in heat.pieces])
    if held is not None:
        for block in heat.openings:
            first = round(block * PIECE_SECONDS * SAMPLERATE)
            whole[first : first + len(held)] = held
    return whole


def _hand(rng: np.random.Generator) -> Floats:
    """Travel from 0 to 1 against time: from the upper end down and up again, at uneven speed."""
    rest = np.ones(round(REST_SECONDS * SAMPLERATE))
    course = [rest]
    for turn in range(TURNS):
        frames = round(rng.uniform(1.3, 2.6) * SAMPLERATE)
        way = np.linspace(0, 1, frames)
        uneven = way + rng.uniform(-0.12, 0.12) * np.sin(2 * np.pi * way)
        down = turn % 2 == 0
        course.append(1 - uneven if down else uneven)
        if not down:
            course.append(rest)
    return np.concatenate(course)


def _contact_ohms(travel: Floats, side: Channel, rng: np.random.Generator) -> Floats:
    """Of the wiper: some ohms that vary, and far more for moments in a worn place."""
    ohms = side.wiper_ohms * (1 + 0.5 * rng.random(len(travel)))
    for start, end in side.worn:
        inside = np.flatnonzero((travel > start) & (travel < end))
        at = 0
        while at < len(inside):
            at += int(SAMPLERATE * rng.exponential(0.012)) + 1
            lasts = int(SAMPLERATE * rng.exponential(0.004)) + 1
            ohms[inside[at : at + lasts]] = side.worn_ohms * rng.uniform(0.3, 1.7)
            at += lasts
    return ohms


def _divided(travel: Floats, ohms: Floats) -> Floats:
    """Share of the voltage that a linear control passes on: a loaded divider (textbook)."""
    inner = TRACK_OHMS * travel * (1 - travel)
    return travel * AFTER_OHMS / (AFTER_OHMS + inner + ohms)


def _take(
    volts: Floats,
    parts: Parts,
    name: str,
    rng: np.random.Generator,
    done: tuple[tuple[float, str], ...] = (),
) -> Take:
    samples = volts.copy()
    hot = warmth(np.arange(len(volts)) / SAMPLERATE, 1) if name == "heated" else 0.0
    for channel, side in enumerate(parts.sides):
        before = 0.0 if name == "down" else parts.volume * side.gang * side.source_noise_volts
        after = side.noise_volts * (1 + (side.heat_noise - 1) * hot)
        hiss = rng.standard_normal(len(volts))
        hiss *= np.hypot(before, after) * np.sqrt(SAMPLERATE / 2 / 20e3)
        samples[:, channel] += hiss
    samples /= FULL_SCALE_VOLTS
    noise = rng.standard_normal(volts.shape)
    noise *= CONVERTER_NOISE
    samples += noise
    steps = 2.0**23
    samples *= steps
    np.rint(samples, out=samples)
    samples /= steps
    np.clip(samples, -1.0, 1.0 - 1 / steps, out=samples)
    source = Source("simulated", None, None, SAMPLERATE, samples.shape[1], len(samples))
    marks = tuple(Event("mark", at, at, (), None, words) for at, words in done)
    return Take(samples, SAMPLERATE, source, bits=24, dc_coupled=True, marks=marks)


def measured_rails(idle: Floats, parts: Parts) -> tuple[Rail, ...]:
    """Both rails as a perfect meter reads them, of a piece of shape (frames, 2)."""
    spectrum = np.fft.rfft(idle, axis=0) / len(idle)
    hertz = np.arange(len(spectrum)) / PIECE_SECONDS
    seen = 2 * np.abs(spectrum[1:]) ** 2 / (1 + (hertz[1:, np.newaxis] / METER_HZ) ** 2)
    ripple = np.sqrt(seen.sum(axis=0))
    return tuple(
        Rail(
            f"{sign * parts.nominal_volts:+g} V",
            sign * parts.nominal_volts,
            measured_volts=float(spectrum[0, k].real),
            ripple_volts=float(ripple[k]),
        )
        for k, sign in enumerate((1, -1))
    )
