"""Pot: a volume control is turned from end to end a few times while a steady sound sounds."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sigbench.checks.clicks import own_clicks_words
from sigbench.checks.marks import counted, pauses
from sigbench.checks.readings import (
    SILENT,
    level_readings,
    mains_readings,
    reading,
    spoil_clipped,
)
from sigbench.measure.crackle import CrackleDetector
from sigbench.measure.dropouts import LOST_POSITION_SECONDS, SIMULTANEOUS_SECONDS
from sigbench.measure.estimate import Estimate
from sigbench.measure.mains import measure_mains
from sigbench.measure.rhythm import RegularClicks
from sigbench.measure.scrape import Burst, bursts_a_second, scrape_of_cells
from sigbench.measure.taper import taper_named
from sigbench.measure.travel import AGAINST, UNSTEADY_DB, Gang, Turning, turnings
from sigbench.measure.turned_level import CHANGES, Track, hear, without_own_clicks
from sigbench.measure.wear import BINS, LEAST_DEAD, Spot, Stretch
from sigbench.model import CheckSettings, Event, EventKind, Measurement, Reading, Take
from sigbench.units import true_minus

CRACKLE_TRANSIENTS = 3  # so many peaks make a crackle, fewer are a click; our own choice
LONGEST_CLICK_SECONDS = 0.05  # peaks that run into one another for longer are a crackle as well
MAINS_SECONDS = 10.0
SHORTEST_SECONDS = 1.0  # nobody turns a control from end to end in less
OF_TRAVEL = {
    "worn_travel": "%",
    "worn_share": "%",
    "dead_travel": "%",
    "dead_share": "%",
    "jumps": "1",
    "dropouts": "1",
    "top_level": "dBFS",
    "end_residue": "dB",
}
"""Readings, and their units, of a control whose travel is known."""

OF_CRACKLE = {"crackle_rate": "1/s", "crackle_energy": "dB"}
GANG_KNOWN_DB = 0.3  # uncertainty from which on a gang error is not taken for the largest
NO_USUAL_LAW = 7.0  # percent of travel that a guessed law misses an even hand by; known ones 4
PART_DB = -20.0  # a control that leaves more was perhaps turned along a part of its travel only
NO_PAIR = "no two channels are turned together"


def check_pot(take: Take, settings: CheckSettings) -> Measurement:
    """Find worn and dead places, crackle, gang error and end residue of a turned control.

    Parameters
    ----------
    take : Take
        A steady sound, while the control goes slowly from end to end at least three times. Without
        a sound (a control that carries DC, or none at all) only the crackle is measured.
    settings : CheckSettings
        `taper` is the law of the control; without it, it is guessed from where the hand spent its
        time. The nominal mains frequency helps with the hum.

    Raises
    ------
    RequestError
        If there is no such taper.

    Notes
    -----
    A take shorter than `SHORTEST_SECONDS` has no turn in it, and says so.
    """
    taper = None if settings.taper is None else taper_named(settings.taper)
    if take.seconds < SHORTEST_SECONDS:
        return _too_short(take)
    tracks = listen(take)
    turned = turnings(tracks, taper=taper)
    readings: list[Reading] = []
    for track in tracks:
        column = track.channel - 1
        signal = take.samples[:, column]
        readings += level_readings(signal, take, track.channel)
        if np.ptp(signal) == 0:
            readings += _invalid(track.channel, SILENT, with_crackle=True)
            continue
        found = [(t, g) for t in turned for g in t.gangs if g.channel == track.channel]
        of_control = _gang_readings(*found[0]) if found else _untold(track, take)
        readings += [_without_own_words(r, track) for r in of_control]
        readings += _hum(signal, take.samplerate, track.channel, settings)
    if take.channels >= 2:
        readings += _pair_readings(turned)
    events = _events(tracks, turned, take)
    return Measurement("pot", take.source, spoil_clipped(readings, take), events)


def listen(take: Take) -> tuple[Track, ...]:
    """The channels of a take, without what the control is not to blame for.

    That is what the computer lost, what happened in a pause, and what keeps time, as a sample loop
    does: the sound's own. Their `turnings` are what the
    check is made of, and what a report draws. A take shorter than
    `SHORTEST_SECONDS` gives none.
    """
    if take.seconds < SHORTEST_SECONDS:
        return ()
    paused = pauses(take.marks)

    def own(burst: Burst) -> bool:
        pause = any(burst.start < end and start < burst.end for start, end in paused)
        return not pause and not _near_a_loss(burst.start, burst.end, take)

    tracks = without_own_clicks(hear(take.samples, take.samplerate), _regular(take))
    return tuple(replace(track, bursts=tuple(filter(own, track.bursts))) for track in tracks)


def _regular(take: Take) -> tuple[RegularClicks, ...]:
    """Clicks at even intervals."""
    detector = CrackleDetector(take.samplerate, take.channels)
    for block in take.blocks():
        detector.feed(block)
    detector.finish()
    return detector.regular


def _without_own_words(measured: Reading, track: Track) -> Reading:
    """A rate of crackle, with what is the sound's own and not in it."""
    words = own_clicks_words(track.own)
    if measured.name != "crackle_rate" or not words:
        return measured
    return replace(measured, why="; ".join([measured.why, *words] if measured.why else words))


def _too_short(take: Take) -> Measurement:
    why = f"the take holds no turn from end to end: {take.seconds:.2f} s"
    readings: list[Reading] = []
    for channel, signal in enumerate(take.samples.T, start=1):
        readings += level_readings(signal, take, channel)
        readings += _invalid(channel, why, with_crackle=True)
    if take.channels >= 2:
        readings += _pair_readings(())
    return Measurement("pot", take.source, spoil_clipped(readings, take))


def _hum(
    signal: NDArray[np.float64], samplerate: int, channel: int, settings: CheckSettings
) -> list[Reading]:
    """The mains comb of the first part: that is enough for a first clue to the supply."""
    head = signal[: round(MAINS_SECONDS * samplerate)]
    mains = measure_mains(head, samplerate, nominal_hz=settings.mains_hz)
    readings = mains_readings(mains, channel, silent=not np.any(head))
    if len(head) == len(signal):
        return readings
    part = f"in the first {MAINS_SECONDS:g} s"
    return [replace(r, why=f"{r.why}; {part}" if r.why else part) for r in readings]


def _near_a_loss(start: float, end: float, take: Take) -> bool:
    """Whether the computer lost audio there; a loss is placed to a block of the audio system."""
    return any(
        start - LOST_POSITION_SECONDS <= (mark.frame + mark.spoiled) / take.samplerate
        and mark.frame / take.samplerate <= end + LOST_POSITION_SECONDS
        for mark in take.lost
    )


def _law(turned: Turning) -> str:
    """By which law travel is given."""
    if turned.against is not None:
        how = "" if turned.told else ", by which both channels give the same place"
        return (
            f"travel by the law {turned.taper.name}{how}; channel {turned.against} moves against "
            "this one (a pan or balance control): travel counts from where this one is silent"
        )
    loaded = _loaded(turned)
    guessed = "" if turned.told else ", guessed from the turning"
    text = f"travel by the law {turned.taper.name}{guessed}{loaded}"
    if turned.alike:
        text += f"; fits as well: {', '.join(taper.name for taper in turned.alike)}"
    if turned.miss > NO_USUAL_LAW:
        text += (
            f"; no usual law fits an even hand better than within {turned.miss:.0f} % of travel: "
            "tell the law, or turn it at one speed from end to end"
        )
    if turned.top_spread > UNSTEADY_DB:
        text += (
            f"; the highest level of the passes differs by {turned.top_spread:.1f} dB (standard "
            "deviation): the sound is not steady, or the control was not turned to its end"
        )
    return text


def _loaded(turned: Turning) -> str:
    """What a load may do to a law of reverse audio: the level does not tell that there is one."""
    taper = turned.taper
    if taper.kind != "audio" or taper.at_half <= 0.5:
        return ""
    off = [
        f"{100 * taper.too_low(ratio):.0f} % if it is {1 / ratio:.0f} times the track"
        for ratio in (0.1, 0.2)
    ]
    return (
        "; if a next stage loads the control, which the level does not tell, places in its upper "
        f"half are read too low: by up to {off[0]}, {off[1]}; told as audio:N, with the N percent "
        "that are heard at half travel, they are right"
    )


def _gang_readings(turned: Turning, gang: Gang) -> list[Reading]:
    channel = gang.channel
    law = _law(turned)
    residue = gang.end_residue
    if residue.value > PART_DB and not residue.upper_bound:
        law += (
            f"; the level moves by {-residue.value:.1f} dB only: if the control was not turned "
            "from end to end, 100 % is the highest place met"
        )
    remark = "; ".join([law, *_one_way(gang.worn or ()), *([gang.why] if gang.why else [])])
    own_steps = None if turned.steps is None else "the steps of the control included"
    why = None
    if residue.upper_bound:
        why = "noise or hum covers what is left at the lower end: it is not above this"
    return [
        *_stretches("worn", gang.worn, channel, remark, gang.why),
        *_stretches("dead", gang.dead, channel, remark, gang.why),
        reading("jumps", "1", Estimate(gang.jumps, 0.0), channel=channel, why=own_steps),
        reading("dropouts", "1", Estimate(gang.lost, 0.0), channel=channel),
        reading("top_level", "dBFS", gang.top_level, channel=channel),
        reading("end_residue", "dB", residue, channel=channel, why=why),
        reading("crackle_rate", "1/s", gang.crackle_rate, channel=channel, why=own_steps),
        reading("crackle_energy", "dB", gang.crackle_energy, channel=channel, why=own_steps),
    ]


def _one_way(stretches: Sequence[Stretch]) -> list[str]:
    """Which of them show in one direction alone."""
    return [
        f"{s.start:.1f} to {s.end:.1f} % crackles only when it is turned {s.way}: in {s.passes} of "
        f"{s.crossings} such passes"
        for s in stretches
        if s.way is not None
    ]


def _stretches(
    kind: str,
    stretches: tuple[Stretch, ...] | None,
    channel: int,
    remark: str,
    why: str | None,
) -> list[Reading]:
    """Where the stretches are, and how much of the travel they take all together."""
    names = f"{kind}_travel", f"{kind}_share"
    if stretches is None:
        why = why or "too few passes"
        return [Reading.invalid(name, "%", why, channel=channel) for name in names]
    places = tuple((round(s.start, 1), round(s.end, 1)) for s in stretches)
    each = tuple(s.uncertainty for s in stretches)
    # Both ends of each stretch; nothing narrower than a bin of the map is told from nothing.
    share = Estimate(
        sum(s.end - s.start for s in stretches),
        math.sqrt(sum(2 * u**2 for u in each) + (100 / BINS) ** 2),
    )
    return [
        Reading(names[0], places, "%", channel, each, why=remark),
        reading(names[1], "%", share, channel=channel, why=remark),
    ]


def _untold(track: Track, take: Take) -> list[Reading]:
    """Of a channel whose level tells no travel: its crackle alone."""
    channel = track.channel
    why = track.why or AGAINST
    if why == CHANGES:
        return _invalid(channel, why, with_crackle=True)
    if track.full <= 0:
        scrape = scrape_of_cells(track.cells, track.bursts)
        rate = reading("crackle_rate", "1/s", scrape.rate, channel=channel)
        energy = reading("crackle_energy", "dBFS", scrape.level, channel=channel)
        remark = "no sound to compare with: scrape noise alone, over the whole take"
        return [
            *_invalid(channel, why, with_crackle=False),
            replace(rate, why=remark),
            replace(energy, why=energy.why or remark),
        ]
    rate = reading(
        "crackle_rate", "1/s", bursts_a_second(len(track.bursts), take.seconds), channel=channel
    )
    return [
        *_invalid(channel, why, with_crackle=False),
        replace(rate, why="over the whole take"),
        Reading.invalid("crackle_energy", "dB", why, channel=channel),
    ]


def _invalid(channel: int, why: str, *, with_crackle: bool) -> list[Reading]:
    units = OF_TRAVEL | OF_CRACKLE if with_crackle else OF_TRAVEL
    return [Reading.invalid(name, unit, why, channel=channel) for name, unit in units.items()]


def _pair_readings(turned: Sequence[Turning]) -> list[Reading]:
    pairs = [t for t in turned if len(t.gangs) == 2]
    if not pairs:
        return _no_gang_error(NO_PAIR, (1, 2))
    return [reading for pair in pairs for reading in _gang_error(pair)]


def _gang_error(pair: Turning) -> list[Reading]:
    first, second = pair.channels
    channels = (first, second)
    if not pair.gang_error:
        return _no_gang_error("both channels are never heard above the noise together", channels)
    law = _law(pair)
    curve = Reading(
        "gang_error",
        tuple((place, round(error.value, 3)) for place, error in pair.gang_error),
        "dB",
        None,
        tuple(error.uncertainty for _, error in pair.gang_error),
        why=law,
        channels=channels,
    )
    known = [(p, e) for p, e in pair.gang_error if e.uncertainty <= GANG_KNOWN_DB]
    if not known:
        why = f"nowhere known within {GANG_KNOWN_DB:g} dB"
        return [curve, Reading.invalid("gang_error_most", "dB", why, channels=channels)]
    place, error = max(known, key=lambda point: abs(point[1].value))
    most = Estimate(abs(error.value), error.uncertainty)
    why = f"at {place:g} % of travel"
    return [curve, reading("gang_error_most", "dB", most, channels=channels, why=why)]


def _no_gang_error(why: str, channels: tuple[int, int]) -> list[Reading]:
    return [
        Reading.invalid(name, "dB", why, channels=channels)
        for name in ("gang_error", "gang_error_most")
    ]


def _events(tracks: Sequence[Track], turned: Sequence[Turning], take: Take) -> tuple[Event, ...]:
    """Bursts and lost contact with their times; the same one in two channels as one event."""
    told = {channel for t in turned for channel in t.channels}
    # Channels of a pan control count from opposite ends, and share events.
    single = [
        _event(spot, "travel" if t.against is None else f"channel {spot.channel}'s travel")
        for t in turned
        for spot in t.spots
    ]
    single += [
        _bare_event(track, burst)
        for track in tracks
        if track.channel not in told
        for burst in track.bursts
    ]
    events: list[Event] = []
    for event in sorted(single, key=lambda e: (e.start, e.channels)):
        for k in range(len(events) - 1, -1, -1):
            other = events[k]
            if event.start - other.start > SIMULTANEOUS_SECONDS:
                continue
            if other.kind == event.kind and not set(event.channels) & set(other.channels):
                depths = [d for d in (event.depth, other.depth) if d is not None]
                events[k] = replace(
                    other,
                    end=max(other.end, event.end),
                    channels=tuple(sorted((*other.channels, *event.channels))),
                    depth=max(depths, default=None),
                )
                break
        else:
            events.append(event)
    lost = [
        Event(
            "lost_buffers",
            loss.frame / take.samplerate,
            (loss.frame + (loss.frames or 0)) / take.samplerate,
            tuple(range(1, take.channels + 1)),
        )
        for loss in take.lost
    ]
    return counted((*events, *lost), take.marks)


def _kind(burst: Burst) -> EventKind:
    long = burst.end - burst.start > LONGEST_CLICK_SECONDS
    return "crackle" if long or burst.transients >= CRACKLE_TRANSIENTS else "click"


def _event(spot: Spot, travel: str) -> Event:
    words = []
    if spot.travel is not None:
        low, high = spot.travel
        if high - low > 100 * LEAST_DEAD:
            way = "jump from" if spot.jump else "between"
            to = "to" if spot.jump else "and"
            words.append(f"{way} {low:.1f} % {to} {high:.1f} % of {travel}")
        else:
            words.append(f"at {0.5 * (low + high):.1f} % of {travel}")
    if spot.number is not None:
        words.append(f"pass {spot.number + 1}")
    words.append(true_minus(f"{spot.burst.peak_db:.0f} dB re the sound"))
    text = ", ".join(words)
    if spot.lost is not None:
        return Event("dropout", *spot.lost, (spot.channel,), spot.lost_db, text)
    return Event(_kind(spot.burst), spot.burst.start, spot.burst.end, (spot.channel,), None, text)


def _bare_event(track: Track, burst: Burst) -> Event:
    reference = "dB re the sound" if track.full > 0 else "dBFS"
    text = true_minus(f"{burst.peak_db:.0f} {reference}")
    return Event(_kind(burst), burst.start, burst.end, (track.channel,), None, text)
