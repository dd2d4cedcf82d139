"""Work out with ngspice what is heard of the simulated unit's states, and keep it.

    python -m sigbench.circuits.work_out [STATE ...]

Some ten seconds of work a state; those that are named, or all. Run it after any change of the
netlist or the states; a test says when it is needed.
"""

import gzip
import hashlib
import sys
from dataclasses import replace

import msgspec
import numpy as np
from numpy.typing import NDArray

from sigbench.circuits import spice
from sigbench.circuits.heard import (
    ADDED_SECONDS,
    GAIN_SECONDS,
    KEPT,
    LEVELS,
    LONGEST_OPENING,
    NOTE_HZ,
    PERIOD_SECONDS,
    Break,
    Heard,
    Side,
    kept,
)
from sigbench.circuits.instrument import (
    GAP_SECONDS,
    HELD_SECONDS,
    LOUD_VOLTS,
    OUTPUTS,
    SIDES,
    Channel,
    Opening,
    Parts,
    Tone,
    netlist,
)
from sigbench.circuits.states import SIMULATED
from sigbench.circuits.takes import SAMPLERATE, measured_rails

Floats = NDArray[np.float64]

HARMONICS = 30
SETTLES_SECONDS = 2.0  # before the first piece; what drifts on after that is taken off
LEAST_VOLTS = 3e-6  # of a line: 131 dB below full scale
LEAST_TERM = 1e-7  # of a curve
LEAST_ADDED = 1e-4  # volts
OPENS_AT = 0.05  # of the held note
_PERIOD = round(PERIOD_SECONDS * SAMPLERATE)


def work_out(parts: Parts) -> Heard:
    """What is heard of a circuit.

    Parameters
    ----------
    parts : Parts
        If a contact opens, only which one and how far counts, not when.

    Raises
    ------
    RequestError
        If ngspice is missing or finds no solution.
    """
    parts, tones = _opened_once(parts), _course(parts.opening)
    circuit = netlist(parts, tones=tones)
    nodes = [f"v({o}_{s})-v(ground_{o})" for o in OUTPUTS for s in SIDES]
    end = tones[-1].start + tones[-1].seconds + 0.001
    volts = spice.transient(
        circuit, [*nodes, "v(vcc)", "v(vee)"], seconds=end, samplerate=SAMPLERATE
    )
    pieces = {tone.name: _piece(volts, tone) for tone in tones}
    hertz = np.geomspace(2.0, 20_000.0, 80)
    hertz[np.argmin(np.abs(hertz - NOTE_HZ))] = NOTE_HZ
    small = spice.response(netlist(_straight(parts), tones=()), nodes, hertz)
    outputs = {}
    for row, output in enumerate(OUTPUTS):
        left, right = (
            _side(
                {name: piece[:, 2 * row + k] for name, piece in pieces.items()},
                hertz, small[:, 2 * row + k], channel,
                opens=parts.opening is not None and reaches(parts.opening, output, SIDES[k]),
            )
            for k, channel in enumerate(parts.sides)
        )  # fmt: skip
        outputs[output] = (left, right)
    positive, negative = (
        (_short(rail.measured_volts or 0.0), _short(rail.ripple_volts or 0.0))
        for rail in measured_rails(pieces["idle"][:, -2:], parts)
    )
    return Heard(fingerprint(parts), parts.mains_hz, (positive, negative), outputs)


def fingerprint(parts: Parts) -> str:
    """Of the netlist of a circuit, and of what is worked out from it."""
    text = netlist(_opened_once(parts), tones=_course(parts.opening))
    extra = [(c.noise_volts, c.source_noise_volts, c.worn) for c in parts.sides]
    return hashlib.sha256(f"{text}{extra}".encode()).hexdigest()


def _opened_once(parts: Parts) -> Parts:
    if parts.opening is None:
        return parts
    spans = ((OPENS_AT, OPENS_AT + LONGEST_OPENING),)
    return replace(parts, opening=replace(parts.opening, spans=spans))


def _course(opening: Opening | None) -> tuple[Tone, ...]:
    """Nothing, then the note at each level, and one that is held while a contact opens."""
    wanted = [("idle", 0.0, PERIOD_SECONDS)]
    for level in LEVELS:
        wanted.append((f"{level:g}", level, PERIOD_SECONDS))
        # Before the levels that are cut on one side: these leave a charge in the capacitors.
        if level == LOUD_VOLTS and opening is not None:
            wanted.append(("held", level, HELD_SECONDS))
    tones, at = [], SETTLES_SECONDS
    for name, level, seconds in wanted:
        tones.append(Tone(name, NOTE_HZ if level else 0.0, level, at, seconds))
        at += seconds + GAP_SECONDS
    return tuple(tones)


def _piece(volts: Floats, tone: Tone) -> Floats:
    first = round(tone.start * SAMPLERATE)
    return volts[first : first + round(tone.seconds * SAMPLERATE)]


def _straight(parts: Parts) -> Parts:
    """The same network with amplifiers that work: a stuck one has no response to speak of."""
    usual, good = Parts(line_rails=parts.line_rails), Channel()

    def side(channel: Channel) -> Channel:
        return replace(
            channel,
            amplifier_offset_volts=good.amplifier_offset_volts,
            phones_offset_volts=good.phones_offset_volts,
            phones_bias_volts=good.phones_bias_volts,
            mute_amperes=good.mute_amperes,
        )

    return replace(
        parts,
        opening=None,
        positive_volts=usual.positive_volts,
        negative_volts=usual.negative_volts,
        joint_ohms=usual.joint_ohms,
        left=side(parts.left),
        right=side(parts.right),
    )


def _side(
    pieces: dict[str, Floats],
    hertz: Floats,
    small: NDArray[np.complex128],
    channel: Channel,
    *,
    opens: bool,
) -> Side:
    idle = _still(pieces["idle"])
    gain, poles, zeros = network(hertz, small)
    side = Side(
        _lines(idle), (), poles, zeros, gain, channel.noise_volts, channel.source_noise_volts,
        channel.worn, None,
    )  # fmt: skip
    curves = _trimmed(
        [_terms(_still(pieces[f"{level:g}"]) - idle, level, side) for level in LEVELS]
    )
    return replace(side, curves=curves, breaks=_break(pieces) if opens else None)


def _still(piece: Floats) -> Floats:
    """Without the drift of what has not settled: by how much the second half differs."""
    half = len(piece) // 2
    drift = (piece[half:].mean() - piece[:half].mean()) / half
    return piece - drift * (np.arange(len(piece)) - (len(piece) - 1) / 2)


def _lines(idle: Floats) -> tuple[tuple[float, float, float], ...]:
    spectrum = np.fft.rfft(idle)[:-1] * 2 / len(idle)
    spectrum[0] /= 2
    return tuple(
        (float(k / PERIOD_SECONDS), _short(spectrum[k].real), _short(spectrum[k].imag))
        for k in np.flatnonzero(np.abs(spectrum) > LEAST_VOLTS)
    )


def network(
    hertz: Floats, small: NDArray[np.complex128]
) -> tuple[float, tuple[float, ...], tuple[float, ...]]:
    """Gain, poles and zeros of a response: capacitors and resistors only, so all are real."""
    from scipy.optimize import least_squares

    at_note = np.argmin(np.abs(hertz - NOTE_HZ))
    wanted = small / abs(small[at_note])
    count = 4

    def model(x: Floats) -> NDArray[np.complex128]:
        poles, zeros = np.exp(x[:count]), np.exp(x[count : 2 * count])
        jf = 1j * hertz[:, np.newaxis]
        found = np.prod((jf + zeros) / (jf + poles), axis=1)
        return found / abs(found[at_note])

    def error(x: Floats) -> Floats:
        ratio = np.log(model(x) / sign / wanted)
        return np.concatenate([ratio.real, np.angle(np.exp(1j * ratio.imag))])

    sign = np.sign((1 / small[at_note]).real)
    lowest, highest = np.log(1e-6), np.log(2e4)
    best = None
    for corner in (0.3, 10.0, 300.0):
        start = np.log([corner, 1.6, 0.7, 0.1, 2e-6, 2e-6, 0.5, 0.09])
        found = least_squares(error, start, bounds=(lowest, highest), xtol=1e-12, ftol=1e-14)
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None
    poles, zeros = np.exp(best.x[:count]), np.exp(best.x[count:])
    jf = 1j * NOTE_HZ
    gain = 1 / abs(np.prod((jf + zeros) / (jf + poles)))
    return (
        _short(float(sign * gain)),
        tuple(_short(p) for p in poles),
        tuple(_short(z) for z in zeros),
    )


def _terms(note: Floats, level: float, side: Side) -> Floats:
    """Chebyshev coefficients of the curve before the network, by the harmonics of its sine."""
    numbers = np.arange(1, HARMONICS + 1)
    spectrum = np.fft.rfft(note)[np.rint(numbers * NOTE_HZ * PERIOD_SECONDS).astype(int)]
    spectrum *= 2 / len(note)
    # Back through the network, and from sines to cosines.
    spectrum /= side.response(numbers * NOTE_HZ)
    return (spectrum * 1j**numbers).real / level


def _trimmed(curves: list[Floats]) -> tuple[tuple[float, ...], ...]:
    table = np.array(curves)
    there = np.flatnonzero(np.abs(table).max(axis=0) > LEAST_TERM)
    last = int(there[-1]) + 1 if len(there) else 1
    return tuple(tuple(_short(v) for v in row[:last]) for row in table)


def reaches(opening: Opening, output: str, side: str) -> bool:
    """Whether a contact that opens is heard there: a rail feeds all, a tip one channel."""
    kind, *where = opening.contact.split()
    return kind == "rail" or where in ([output], [output, side])


def _break(pieces: dict[str, Floats]) -> Break:
    """How the held note differs from the steady one, while the contact is open and after."""
    count = len(pieces["held"])
    steady = np.resize(_still(pieces[f"{LOUD_VOLTS:g}"]), count)
    held = pieces["held"]
    opens, shuts = (round((OPENS_AT + t) * SAMPLERATE) for t in (0.0, LONGEST_OPENING))
    edge = 3  # frames
    found: list[tuple[float, ...]] = []
    added: list[tuple[float, ...]] = []
    for first, last in ((opens + edge, shuts - edge), (shuts + edge, count)):
        gains, rest = _followed(held[first:last], steady[first:last])
        found.append(gains)
        added.append(rest)
    return Break(found[0], found[1], added[0], added[1])


def _followed(held: Floats, steady: Floats) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Share of the steady note that is left, and what there is besides."""
    window = round(GAIN_SECONDS * SAMPLERATE)
    ramp = np.linspace(-1, 1, window)
    gains = []
    for first in range(0, len(held) - window, window):
        part = slice(first, first + window)
        basis = np.column_stack([steady[part], np.ones(window), ramp])
        gains.append(np.linalg.lstsq(basis, held[part], rcond=None)[0][0])
    middles = (np.arange(len(gains)) + 0.5) * window
    note = np.interp(np.arange(len(held)), middles, gains) * steady
    block = round(ADDED_SECONDS * SAMPLERATE)
    whole = len(held) // block * block
    rest = (held - note)[:whole].reshape(-1, block).mean(axis=1)
    return _until(gains, 1e-3), tuple(np.trim_zeros([_short(v, LEAST_ADDED) for v in rest], "b"))


def _until(values: list[float], alike: float) -> tuple[float, ...]:
    """Without the end in which nothing changes any more."""
    moves = np.flatnonzero(np.abs(np.array(values) - values[-1]) > alike)
    last = int(moves[-1]) + 2 if len(moves) else 1
    return tuple(_short(v, LEAST_ADDED) for v in values[:last])


def _short(value: float, least: float = 0.0) -> float:
    """Five digits are enough, four decimals where there is a least value."""
    if least:
        return round(float(value), 4) if abs(value) >= least else 0.0
    return float(f"{value:.5g}")


def main(wanted: list[str]) -> None:
    """Work out the named states anew, or all."""
    found = {name: h for name, h in kept().items() if name in SIMULATED} if wanted else {}
    for name in wanted or SIMULATED:
        print(name, file=sys.stderr)
        found[name] = work_out(SIMULATED[name])
    in_order = {name: found[name] for name in SIMULATED}
    KEPT.write_bytes(gzip.compress(msgspec.json.encode(in_order), mtime=0))


if __name__ == "__main__":
    main(sys.argv[1:])
