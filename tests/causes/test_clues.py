"""Clues from readings that are written down here by hand."""

import math
from dataclasses import replace

import numpy as np
import pytest

from sigbench.causes.clues import CLUES, Clue
from sigbench.causes.gather import gather
from sigbench.causes.observation import Observation
from sigbench.causes.ranking import rank
from sigbench.causes.records import BY_KEY
from sigbench.causes.wording import opening
from sigbench.checks.rails import measure_rails
from sigbench.model import SLEEVE_OPEN, Event, Measurement, Rail, Reading, Source

SOURCE = Source("file", "a.wav", None, 48_000, 2, 48_000)


def clue(observations: list[Observation], name: str) -> Clue:
    found = gather(observations)
    assert [c.name for c in found] == list(CLUES)
    return next(c for c in found if c.name == name)


def note(level: float = -10.0, *, hertz: float = 440.0, thd: float = -60.0) -> Observation:
    readings = [
        Reading(name, value, unit, channel, 0.01)
        for channel in (1, 2)
        for name, value, unit in (
            ("tone_level", level, "dBFS"),
            ("frequency", hertz, "Hz"),
            ("thd", thd, "dB"),
            ("clip_asymmetry", 0.0, "dB"),
        )
    ]
    return Observation("main", Measurement("tone", SOURCE, tuple(readings)))


def stereo(*readings: tuple[str, float, str, int | None, float]) -> list[Observation]:
    found = [
        Reading(name, value, unit, channel, doubt) for name, value, unit, channel, doubt in readings
    ]
    return [Observation("main", Measurement("tone", SOURCE, tuple(found)))]


@pytest.mark.parametrize(
    ("rms", "doubt", "weak"), [(3.5, 0.01, True), (0.1, 0.01, False), (3.5, 1.5, False)]
)
def test_a_stereo_sound_is_no_weak_channel(rms, doubt, weak):
    """As sampled strings: one partial is stronger at one side, the whole is not."""
    sides = [
        ("tone_level", -20.0, "dBFS", 1, doubt),
        ("tone_level", -23.5, "dBFS", 2, doubt),
        ("level_rms", -17.0, "dBFS", 1, 0.1),
        ("level_rms", -17.0 - rms, "dBFS", 2, 0.1),
    ]
    seen = stereo(*sides, ("balance", 3.5, "dB", None, doubt))
    assert (clue(seen, "weak channel").holds > 0.5) == weak


def sides(hertz, levels, *, whole=None, thd=(-60.0, -60.0)) -> Observation:
    """One note by its two channels."""
    whole = whole or levels
    by_channel = [
        Reading(name, pair[channel - 1], unit, channel, 0.01)
        for name, pair, unit in (
            ("tone_level", levels, "dBFS"),
            ("frequency", (hertz, hertz), "Hz"),
            ("level_rms", whole, "dBFS"),
            ("thd", thd, "dB"),
            ("clip_asymmetry", (0.0, 0.0), "dB"),
        )
        for channel in (1, 2)
    ]
    balance = Reading("balance", levels[0] - levels[1], "dB", None, 0.01)
    return Observation("main", Measurement("tone", SOURCE, (*by_channel, balance)))


@pytest.mark.parametrize(
    ("middle", "low", "seen"),
    [
        # A high-pass on 2: weaker on the low note, in its fundamental and as a whole.
        (sides(440.0, (-10.0, -10.3)), sides(65.0, (-14.0, -19.0)), True),
        # Its harmonics come through: relative to the fundamental they have grown.
        (sides(440.0, (-10.0, -10.3)),
         sides(65.0, (-14.0, -19.0), thd=(-49.0, -36.0)), True),
        # The stronger one is driven harder, and is a little less clean, as any amplifier.
        (sides(440.0, (-10.0, -10.3)),
         sides(65.0, (-14.0, -19.0), thd=(-43.0, -68.0)), True),
        # 2 presses the middle note together: 1 has lost nothing.
        (sides(440.0, (-10.0, -13.0)), sides(65.0, (-14.0, -15.0)), None),
        # The same with 1 a little weaker on the low note, for it may be thin all the same.
        (sides(440.0, (-10.0, -13.0)), sides(65.0, (-15.0, -14.0)), None),
        # A stereo sound: the partials differ, the whole does not.
        (sides(440.0, (-10.0, -10.0)), sides(65.0, (-20.0, -14.0), whole=(-9.0, -9.0)), None),
        # 2 is driven hard and distorts.
        (sides(440.0, (-10.0, -10.0)),
         sides(65.0, (-14.0, -17.0), thd=(-60.0, -14.0)), None),
        (sides(440.0, (-10.0, -10.3)), sides(65.0, (-14.0, -14.3)), False),
    ],
)  # fmt: skip
def test_a_thin_channel_is_the_weaker_one_on_the_low_note(middle, low, seen):
    found = clue([middle, low], "thin channel")
    if seen is None:
        assert found.holds is None
    else:
        assert found.holds > 0.9 if seen else found.holds < 0.1
    if seen:
        assert found.seen == "the low note has lost 4.7 dB on main 2"


@pytest.mark.parametrize(("growth", "seen"), [(0.0, None), (3.3, True)])
def test_an_instrument_that_places_its_low_notes_to_one_side_has_not_lost_bass(growth, seen):
    """A capacitor that takes 4.7 dB of the fundamental takes 1.7 dB of the second harmonic and
    less of the others (RC section of the first order, textbook): they gain 3 dB or more on it."""
    found = clue(
        [sides(440.0, (-10.0, -10.3), thd=(-3.0, -3.0)),
         sides(65.0, (-14.0, -19.0), thd=(3.0, 3.0 + growth))],
        "thin channel",
    )  # fmt: skip
    assert found.holds is None if seen is None else found.holds > 0.9


@pytest.mark.parametrize(("phones", "alone"), [((-14.0, -14.3), True), ((-14.0, -19.0), False)])
def test_whether_another_output_has_kept_its_bass(phones, alone):
    main = [sides(440.0, (-10.0, -10.3)), sides(65.0, (-14.0, -19.0))]
    other = [replace(o, output="phones") for o in (main[0], sides(65.0, phones))]
    found = clue(main + other, "thin at one output")
    assert (found.holds > 0.9) == alone
    assert found.seen == ("channel 2 of main" if alone else "channel 2 of every output")
    assert clue(main, "thin at one output").holds is None
    first = rank(gather(main + other)).causes[0]
    assert (first.name == BY_KEY["coupling lost"].name and first.score > 0.5) == alone


def test_a_channel_that_is_silent_on_the_quiet_note_alone_loses_more_of_it():
    loud = sides(440.0, (-10.0, -10.3))
    quiet = sides(440.0, (-34.0, -80.0))
    rest = [r for r in quiet.measurement.readings if r.channel != 2 or r.name == "level_rms"]
    silent = replace(quiet, measurement=replace(quiet.measurement, readings=tuple(rest)))
    found = clue([loud, silent], "weaker when quiet")
    assert found.holds > 0.99
    assert found.seen == "0.3 dB loud, at least 46.0 dB quiet on main"
    # Noise as strong as a note may hide one.
    noisy = [replace(r, value=-35.0) if r.name == "level_rms" else r for r in rest]
    hidden = replace(quiet, measurement=replace(quiet.measurement, readings=tuple(noisy)))
    assert clue([loud, hidden], "weaker when quiet").holds is None


@pytest.mark.parametrize(
    ("loud", "when_loud", "when_quiet"),
    [(-10.2, False, False), (-12.7, None, False), (-14.5, True, False), (-8.0, None, False)],
)
def test_what_a_control_may_do_itself_tells_nothing(loud, when_loud, when_quiet):
    seen = [sides(440.0, (-10.0, loud)), sides(440.0, (-34.0, -34.0))]
    for name, there in (("weaker when loud", when_loud), ("weaker when quiet", when_quiet)):
        holds = clue(seen, name).holds
        assert (holds is None) is (there is None)
        assert holds is None or (holds > 0.9 if there else holds < 0.1)


def test_what_was_measured_is_not_called_unmeasured():
    """Clean notes tell of no distortion, and two that do not tell of the bass were played."""
    good = [sides(440.0, (-10.0, -10.1)), sides(440.0, (-34.0, -34.1)),
            sides(65.0, (-20.0, -14.0), whole=(-9.0, -9.0))]  # fmt: skip
    said, doubts, _ = opening(replace(rank(gather(good)), first=None))
    assert said.startswith("Nothing that was measured")
    assert "quiet" not in said
    assert "low note" not in said
    assert doubts == (
        "Measured, and still not to be told: one channel has lost its bass (the two notes do not "
        "tell)."
    )
    less, _ = opening(replace(rank(gather(good[:1])), first=None))
    assert "the same note loud and quiet" in less
    assert "a low note beside a middle one" in less


def test_what_is_no_note_is_no_dead_output():
    """Speech, or the wrong file: loud, but without a note."""
    seen = stereo(*(("level_rms", -20.0, "dBFS", channel, 0.1) for channel in (1, 2)))
    assert clue(seen, "dead output").holds is None
    silent = stereo(*(("level_rms", -90.0, "dBFS", channel, 0.1) for channel in (1, 2)))
    assert clue(silent, "dead output").holds > 0.99


def idle(*readings: Reading) -> Observation:
    return Observation("main", Measurement("idle", SOURCE, readings))


def hum(value: float, **more) -> Reading:
    return Reading("hum_1x", value, "dBFS", 1, 0.1, **more)


def test_hum_is_judged_against_the_note():
    assert clue([note(-10.0), idle(hum(-60.0))], "hum 1x").holds > 0.99
    assert clue([note(-10.0), idle(hum(-100.0))], "hum 1x").holds < 0.01
    known = replace(idle(hum(-100.0)), rig_known=True)
    assert clue([note(-40.0), known], "hum 1x").holds > 0.9  # 60 dB below it


@pytest.mark.parametrize(
    ("name", "reading"),
    [
        ("hum 1x", hum(-100.0)),
        ("noise", Reading("noise_rms", -98.0, "dBFS", 1, 0.1)),
        ("tones", Reading("spurs", ((1000.0, -105.0),), "Hz, dBFS", 1, None)),
    ],
)
def test_what_an_untested_interface_does_as_well_accuses_nobody(name, reading):
    """A note recorded at -40 dBFS: an interface's own hum lies 60 dB below it."""
    weighted = Reading("noise_a", -100.0, "dBFS", 1, 0.1)
    seen = idle(reading, weighted)
    found = clue([note(-40.0), seen], name)
    assert found.holds is None
    assert "may be the rig's own: record it louder" in found.seen
    # Held against the rig, or beside a note that is loud enough, it is told.
    assert clue([note(-40.0), replace(seen, rig_known=True)], name).holds > 0.9
    assert clue([note(-10.0), seen], name).holds < 0.2


def test_a_channel_that_hisses_beside_another_is_told_however_soft():
    readings = [
        Reading(name, value, "dBFS", channel, 0.1)
        for channel, value in ((1, -95.0), (2, -108.0))
        for name in ("noise_rms", "noise_a")
    ]
    found = gather([note(-30.0), idle(*readings)])
    held = {c.name: c.holds for c in found}
    assert held["noise"] > 0.9
    assert held["noise in one channel"] > 0.9


@pytest.mark.parametrize("how", [{"upper_bound": True}, {"state": "rig-limited"}])
def test_a_bound_accuses_nobody(how):
    """What the noise hides, or the rig does itself, is no hum of the unit."""
    assert clue([note(-10.0), idle(hum(-60.0, **how))], "hum 1x").holds is None
    assert clue([note(-10.0), idle(hum(-120.0, **how))], "hum 1x").holds < 0.01


SAW = tuple(20 * math.log10(1 / k) for k in range(2, 13))
CUT = tuple(level + (3.0, -14.0, 2.0)[k % 3] for k, level in enumerate(SAW))


def wave(
    level: float,
    *harmonics: tuple[float, ...],
    output: str = "main",
    lean: float = 0.0,
    doubt: float = 0.1,
) -> Observation:
    """A note on both channels, with the harmonics of each: one pattern for both, or one each."""
    plain = note(level, thd=-1.9)
    kept = [r for r in plain.measurement.readings if r.name != "clip_asymmetry"]
    for channel in (1, 2):
        own = harmonics[(channel - 1) % len(harmonics)]
        kept += [
            Reading("harmonics", own, "dB", channel, (doubt,) * len(own)),
            Reading("harmonic_phases", (-90.0,) * len(own), "deg", channel, (1.0,) * len(own)),
            Reading("clip_asymmetry", lean, "dB", channel, 0.1),
        ]
    return Observation(output, replace(plain.measurement, readings=tuple(kept)))


def test_a_rich_sound_that_is_cut_at_one_output_has_another_wave_there():
    """Harmonics in sum are alike, to within a dB, and no single one is."""
    good = [wave(-10.0, SAW, output="phones"), wave(-40.0, SAW, output="phones")]
    both = [wave(-10.0, CUT, lean=6.0), wave(-40.0, CUT, lean=6.0), *good]
    found = {c.name: c for c in gather(both)}
    assert found["distortion"].holds > 0.99
    assert found["distortion"].seen == "39 % of the note on main 1 is not in it elsewhere"
    assert found["one-sided"].holds > 0.9
    assert found["half missing"].holds > 0.8
    for name in ("distortion in one channel", "distortion on every output", "distortion alike"):
        assert found[name].holds < 0.1
    one = [wave(-10.0, SAW, CUT), wave(-40.0, SAW, CUT), *good]
    assert clue(one, "distortion in one channel").holds > 0.9
    # Loud notes alone are cut: the output at which they differ from quiet ones is the one.
    loud = [wave(-10.0, CUT, output="phones"), *(replace(o, output="main") for o in good), good[1]]
    assert "on phones 1" in clue(loud, "distortion").seen
    assert clue(loud, "worse when quiet").holds < 0.1
    # And quiet ones alone, as by a stage that has lost its bias.
    quiet = [wave(-40.0, CUT, output="phones"), good[0], *(replace(o, output="main") for o in good)]
    assert "on phones 1" in clue(quiet, "distortion").seen
    assert clue(quiet, "worse when quiet").holds > 0.9


def test_a_sound_that_comes_out_otherwise_each_time_accuses_no_output():
    """Two oscillators that beat slowly: loud and quiet differ as much as the outputs do."""
    once, again = wave(-10.0, SAW), wave(-40.0, CUT)
    seen = [once, again, wave(-10.0, CUT, output="phones"), wave(-40.0, SAW, output="phones")]
    assert clue(seen, "distortion").holds is None


def test_a_rich_sound_is_no_distortion():
    """A sawtooth has 80 % of harmonics (Fourier series), loud and quiet, left and right."""
    rich = [note(-10.0, thd=-1.9), note(-40.0, thd=-1.9)]
    found = clue(rich, "distortion")
    assert found.holds is None
    assert found.seen == "the sound has 80 % of harmonics by itself: play a plainer one"
    # Held against another output, harmonic by harmonic, it is told.
    waves = [wave(-10.0, SAW), wave(-40.0, SAW)]
    alike = [*waves, *(replace(o, output="phones") for o in waves)]
    assert clue(alike, "distortion").holds < 0.1
    other = tuple(level + (1.0, -1.0, 0.5)[k % 3] for k, level in enumerate(SAW))
    again = tuple(level + (-1.0, 0.5, 1.0)[k % 3] for k, level in enumerate(SAW))
    unsure = [
        wave(level, harmonics, output="phones", doubt=2.0)
        for level, harmonics in ((-10.0, other), (-40.0, again))
    ]
    assert clue([*waves, *unsure], "distortion").holds is None
    # A sound that moves while it lasts, and comes out alike each time, tells.
    moving = [wave(level, SAW, doubt=2.0) for level in (-10.0, -40.0)]
    moving += [wave(level, other, output="phones", doubt=2.0) for level in (-10.0, -40.0)]
    assert clue(moving, "distortion").holds > 0.9
    clipped = [note(-10.0, thd=-20.0), note(-40.0, thd=-60.0)]
    assert clue(clipped, "distortion").holds > 0.9
    assert clue(clipped, "worse when quiet").holds < 0.1


def test_more_than_a_whole_is_written_out():
    """Harmonics may be stronger than the fundamental, as a flute's: 0.2 dB are 102 %."""
    loud = sides(440.0, (-10.0, -10.0), thd=(0.2, -40.0))
    found = clue([loud], "distortion in one channel")
    assert found.seen == "102 % and 1 % on main 1 and 2"


def test_a_channel_that_distorts_far_more_is_the_one():
    """Both are over the threshold, but 13 % beside 1 % is not alike."""
    loud = sides(440.0, (-10.0, -10.0), thd=(-40.0, -17.7))
    quiet = sides(440.0, (-34.0, -34.0), thd=(-64.0, -44.7))
    found = clue([loud, quiet], "distortion in one channel")
    assert found.holds > 0.9
    assert found.seen == "13 % and 1 % on main 2 and 1"
    assert clue([loud, quiet], "distortion").seen == "13 % on main 2"
    alike = sides(440.0, (-10.0, -10.0), thd=(-19.0, -17.7))
    clean = sides(440.0, (-34.0, -34.0), thd=(-64.0, -62.0))
    assert clue([alike, clean], "distortion in one channel").holds < 0.1


def test_a_channel_that_distorts_when_quiet_is_the_one():
    """Loud they are alike; quiet the gap at zero takes most of one."""
    loud = sides(440.0, (-10.0, -10.0), thd=(-39.6, -35.7))
    quiet = sides(440.0, (-34.0, -34.0), thd=(-63.8, -38.9))
    found = clue([loud, quiet], "distortion in one channel")
    assert found.holds > 0.9
    assert found.seen.endswith("on main 2 and 1")
    assert clue([loud, quiet], "distortion").seen == "1.6 % on main 2"


def rails(*typed: tuple[str, float, float, float | None]) -> Observation:
    listed = tuple(Rail(*rail) for rail in typed)
    return Observation("supply", measure_rails(listed), listed)


def test_a_rail_is_judged_by_its_own_tolerance():
    assert clue([rails(("+15 V", 15.0, 10.0, 13.9))], "rail low").holds < 0.05
    assert clue([rails(("+15 V", 15.0, 5.0, 13.9))], "rail low").holds > 0.95


@pytest.mark.parametrize(
    ("nominal", "volts", "low", "high"),
    [(5.0, 7.6, False, True), (-15.0, -17.5, False, True), (5.0, 4.4, True, False),
     (-15.0, -13.5, True, False), (5.0, 5.1, False, False)],
)  # fmt: skip
def test_a_rail_is_too_low_or_too_high(nominal, volts, low, high):
    typed = [rails(("rail", nominal, 5.0, volts))]
    for name, there in (("rail low", low), ("rail high", high)):
        holds = clue(typed, name).holds
        assert holds > 0.95 if there else holds < 0.05


def test_a_low_rail_does_not_hide_a_high_one():
    both = [rails(("+5 V", 5.0, 5.0, 7.6), ("+15 V", 15.0, 5.0, 5.0))]  # the low one is farther off
    assert "+5 V is off by +52 %" in clue(both, "rail high").seen
    assert "+15 V is off by −67 %" in clue(both, "rail low").seen
    assert min(clue(both, name).holds for name in ("rail high", "rail low")) > 0.95


def test_no_rail_is_missing_only_when_all_were_measured():
    good, left_out = ("+15 V", 15.0, 5.0, 15.0), ("-15 V", -15.0, 5.0, None)
    assert clue([rails(good)], "rail missing").holds < 0.01
    assert clue([rails(good, left_out)], "rail missing").holds is None
    gone = ("+5 V", 5.0, 5.0, 0.1)
    found = clue([rails(good, left_out, gone)], "rail missing")
    assert found.holds > 0.99
    assert "+5 V" in found.seen


def test_what_was_not_measured_gives_no_clue():
    assert all(c.holds is None for c in gather([]))


def jack(*events: Event, output: str = "main", seconds: float = 60.0) -> Observation:
    source = replace(SOURCE, frames=round(seconds * SOURCE.samplerate))
    return Observation(output, Measurement("jack", source, (), events))


def broke(start: float, *channels: int) -> Event:
    return Event("dropout", start, start + 0.05, channels or (1,), 40.0)


def test_what_follows_a_tap_comes_from_it():
    taps = [Event("mark", t, t, (), None, "tapped the regulator board") for t in (10.0, 30.0)]
    after = jack(*taps, broke(10.5), broke(11.0), broke(30.4))
    assert clue([after], "comes when tapped").holds > 0.9
    elsewhere = jack(*taps, broke(3.0), broke(20.0), broke(45.0), broke(50.0))
    assert clue([elsewhere], "comes when tapped").holds < 0.1
    assert clue([jack(*taps)], "comes when tapped").holds < 0.1
    assert clue([jack(broke(3.0))], "comes when tapped").holds is None
    assert clue([after], "comes when heated").holds is None


def test_one_output_or_every_output():
    both = [jack(broke(1), broke(2), broke(3)), jack(broke(1), broke(2), output="phones")]
    assert clue(both, "moved on every output").holds > 0.9
    one = [both[0], jack(output="phones")]
    assert clue(one, "moved on every output").holds < 0.1
    assert clue(both[:1], "moved on every output").holds is None


def hissing(dbfs: float, *, down: bool) -> Observation:
    readings = [
        Reading(name, dbfs, "dBFS", channel, 0.1)
        for name in ("noise_a", "noise_rms")
        for channel in (1, 2)
    ]
    return Observation("main", Measurement("idle", SOURCE, tuple(readings)), volume_down=down)


def test_hiss_that_goes_with_the_volume_comes_before_it():
    up = [note(-10.0), hissing(-60.0, down=False)]
    assert clue([*up, hissing(-90.0, down=True)], "hiss follows volume").holds > 0.9
    assert clue([*up, hissing(-60.5, down=True)], "hiss follows volume").holds < 0.1
    assert clue(up, "hiss follows volume").holds is None
    # With the volume down the unit is quieter, and no other hiss is told of.
    assert clue([note(-10.0), hissing(-60.0, down=True)], "noise").holds is None


def test_ripple_on_a_rail_is_a_clue_of_its_own():
    rail = Rail("+15 V", 15.0, measured_volts=15.0, ripple_volts=0.2)
    quiet = replace(rail, ripple_volts=0.003)
    for typed, there in ((rail, True), (quiet, False)):
        observation = Observation("supply", measure_rails((typed,)), (typed,))
        assert (clue([observation], "rail ripple").holds > 0.9) is there
        assert (clue([observation], "rail ripple").holds < 0.1) is not there
    assert clue([rails(("+15 V", 15.0, 5.0, 15.0))], "rail ripple").holds is None


def period_of(rng: np.random.Generator) -> np.ndarray:
    """One period of a rich sound: twelve partials that fall by and by, at phases by chance."""
    at = 2 * np.pi * np.arange(1024) / 1024
    return sum(
        np.cos(k * at + rng.uniform(0, 6)) * rng.uniform(0.5, 1) / k**1.2 for k in range(1, 13)
    )


def sampled(
    left: np.ndarray, right: np.ndarray, level: float, *, output: str = "main"
) -> Observation:
    """A note that dies away, so that each harmonic of one take is known to 1 dB, by its periods."""
    readings = []
    for channel, period in ((1, left), (2, right)):
        lines = np.fft.rfft(period)[1:14]
        ratios = (lines / lines[0])[1:]
        phases = np.angle(lines[1:]) - np.arange(2, 14) * np.angle(lines[0])
        own = level + 20 * math.log10(abs(lines[0]) / 512)
        power = 20 * math.log10(float(np.std(period)) * math.sqrt(2))
        thd = 10 * math.log10(float(np.sum(np.abs(ratios) ** 2)))
        centred = period - period.mean()
        lean = 20 * math.log10(centred.max() / -centred.min())
        doubts = (1.0,) * 12
        readings += [
            Reading("tone_level", own, "dBFS", channel, 0.01),
            Reading("level_rms", level + power, "dBFS", channel, 0.01),
            Reading("frequency", 260.0, "Hz", channel, 0.01),
            Reading("thd", thd, "dB", channel, 0.1),
            Reading("clip_asymmetry", lean, "dB", channel, 0.1),
            Reading(
                "harmonics", tuple((20 * np.log10(np.abs(ratios))).tolist()), "dB", channel, doubts
            ),
            Reading(
                "harmonic_phases", tuple(np.degrees(phases).tolist()), "deg", channel, (7.0,) * 12
            ),
        ]
    levels = [r.value for r in readings if r.name == "tone_level"]
    readings.append(Reading("balance", levels[0] - levels[1], "dB", None, 0.01))
    return Observation(output, Measurement("tone", SOURCE, tuple(readings)))


def held(left, right, *, output="main"):
    """The note loud and quiet."""
    return [sampled(left, right, level, output=output) for level in (-20.0, -40.0)]


@pytest.mark.parametrize("seed", range(8))
def test_a_sound_that_is_another_one_left_and_right_is_sound(seed):
    """As a sampled piano: each side has a wave and a level of its own, at every output."""
    rng = np.random.default_rng(seed)
    left, right = period_of(rng), 0.6 * period_of(rng)
    alike = held(left, right) + held(left, right, output="phones")
    ranking = rank(gather(alike))
    assert ranking.nothing_wrong
    assert (clue(alike, "distortion").holds or 0.0) < 0.5
    # Of one output alone nobody can tell whether the right side has to be as weak.
    alone = clue(held(left, right), "weak channel")
    assert alone.holds is None
    assert alone.seen.endswith("as the sound itself may be")


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("seed", range(8))
def test_a_sampled_sound_that_has_lost_one_half_is_accused_of_no_resistance(seed, sign):
    """Each side loses as much as its wave has there: the balance tells of no divider."""
    rng = np.random.default_rng(seed)
    sides = period_of(rng), 0.6 * period_of(rng)
    halves = [sign * np.maximum(sign * side, 0) for side in sides]
    seen = held(*halves) + held(*sides, output="phones")
    distorted = clue(seen, "distortion")
    assert distorted.holds > 0.9
    assert "on main" in distorted.seen
    assert clue(seen, "weak channel").holds is None
    named = [cause.name for cause in rank(gather(seen)).named]
    wrong = ("series resistance", "jack", "pot", "coupling lost", "crossover")
    assert not {BY_KEY[key].name for key in wrong} & set(named)


@pytest.mark.parametrize(("decibels", "there"), [(6.0, True), (0.3, False)])
def test_a_resistance_is_told_from_the_balance_of_the_sound_by_another_output(decibels, there):
    rng = np.random.default_rng(3)
    left, right = period_of(rng), 0.6 * period_of(rng)
    seen = held(10 ** (-decibels / 20) * left, right) + held(left, right, output="phones")
    weak = clue(seen, "weak channel")
    assert (weak.holds > 0.9) == there
    assert (weak.holds < 0.1) != there
    if there:
        assert clue(seen, "weak at one output").holds > 0.9
        assert rank(gather(seen)).causes[0].name == BY_KEY["series resistance"].name


def test_the_note_that_was_played_twice_is_the_one_that_is_compared():
    """A louder low note, whose fundamental the check has missed, is no middle one."""
    middle = [sides(440.0, (level, level), thd=(-60.0, -60.0)) for level in (-20.0, -44.0)]
    low = sides(250.0, (-10.0, -14.0))
    assert clue([*middle, low], "weak channel").holds < 0.1


def test_what_is_mostly_another_sound_tells_of_no_distortion():
    """The tone and its harmonics are a fortieth of all that is heard: not the note of it."""
    noise = sides(104.8, (-46.0, -48.0), whole=(-30.5, -30.5), thd=(-9.5, -22.6))
    found = clue([noise, replace(noise, output="phones")], "distortion")
    assert found.holds is None
    assert found.seen == "no harmonics to tell by"


def whining(*tones: tuple[float, float], right: float = 0.0) -> list[Observation]:
    """Idle noise with tones in both channels; on the right by some dB stronger."""
    spurs = [
        Reading(
            "spurs",
            tuple((hz, db + extra) for hz, db in sorted(tones, key=lambda tone: -tone[1])),
            "Hz, dBFS",
            channel,
            None,
        )
        for channel, extra in ((1, 0.0), (2, right))
    ]
    return [note(-10.0), idle(*spurs)]


@pytest.mark.parametrize("ppm", [0, 40, -90])
@pytest.mark.parametrize("lines", [(1, 2, 3, 4, 5), (8, 16), (1,), (4,)])
def test_tones_at_whole_kilohertz_are_of_a_clock_and_accuse_no_inverter(ppm, lines):
    """A frame a millisecond, of two crystals within 50 parts in a million each."""
    tones = [(1000.0 * k * (1 + 1e-6 * ppm), -60.0 - k) for k in lines]
    ranking = rank(gather(whining(*tones)))
    assert clue(whining(*tones), "tones at whole kilohertz").holds > 0.99
    assert not ranking.nothing_wrong
    assert ranking.none_of_these > 0.8
    assert any("frame clock" in sentence for sentence in opening(ranking))


@pytest.mark.parametrize("hertz", [530.0, 990.0, 1000.7, 1003.0, 2004.0])
def test_a_row_of_tones_that_is_not_at_whole_kilohertz_accuses_the_inverter(hertz):
    ranking = rank(gather(whining(*((k * hertz, -60.0 - k) for k in (1, 2, 3, 5)))))
    assert ranking.causes[0].name == BY_KEY["inverter"].name
    assert ranking.causes[0].score > 0.6
    assert not any("frame clock" in sentence for sentence in opening(ranking))


@pytest.mark.parametrize("pace", [50.0, 60.0, 100.0, 120.0])
def test_side_lines_of_the_mains_beside_tones_do_not_hide_their_row(pace):
    """Its supply has ripple: each tone swings at that pace (textbook amplitude modulation)."""
    row = [(k * 710.0, -60.0 - k) for k in (1, 2, 3)]
    beside = [(hz + side, db - 14) for hz, db in row for side in (-pace, pace)]
    found = clue(whining(*row, *beside), "tones in series")
    assert found.holds > 0.9
    assert found.seen == "710, 1420, 2130 Hz"


def test_tones_are_alike_where_left_and_right_are():
    """A ground that carries them reaches both channels of an output alike, and every output by
    the gain that it has for its own ground."""
    main = whining((530.0, -60.0), (1060.0, -66.0))
    louder = [replace(o, output="phones") for o in whining((530.0, -48.0), (1060.0, -54.0))]
    assert clue([*main, *louder], "tones alike").holds > 0.9
    assert clue(whining((530.0, -60.0), (1060.0, -66.0), right=8.0), "tones alike").holds < 0.1


def test_a_tone_on_a_harmonic_of_the_note_is_no_distortion():
    """11 kHz is the 25th harmonic of 440 Hz: a whine there is stronger beside a quiet note."""
    quiet = [note(-10.0, thd=-80.0), note(-40.0, thd=-41.0)]
    whine = whining((1000.0, -75.0), (11_000.0, -81.0))[1]
    assert clue(quiet, "distortion").holds > 0.5
    assert (clue([*quiet, whine], "distortion").holds or 0.0) < 0.1


def alone(observation: Observation, channel: int, output: str) -> Observation:
    """One channel of a stereo output as an output of its own, with one channel."""
    measurement = observation.measurement
    kept = [replace(r, channel=1) for r in measurement.readings if r.channel == channel]
    source = replace(measurement.source, channels=1)
    return Observation(output, replace(measurement, readings=tuple(kept), source=source))


@pytest.mark.parametrize("names", [("out 1", "out 2"), ("main L", "main R"), ("left", "right")])
def test_two_outputs_of_one_channel_each_are_held_against_each_other(names):
    def both(*notes: Observation) -> list[Observation]:
        return [alone(n, c, name) for n in notes for c, name in enumerate(names, 1)]

    good = [sides(440.0, (-10.0, -12.0)), sides(440.0, (-34.0, -36.0)), sides(65.0, (-14.0, -16.0))]
    assert rank(gather(both(*good))).nothing_wrong  # played by hand: not quite alike
    weak = both(sides(440.0, (-10.0, -19.0)), sides(440.0, (-34.0, -43.0)))
    assert clue(weak, "weak channel").holds > 0.9
    assert clue(weak, "weak channel").seen == f"{names[1]} weaker by 6.0 dB"
    thin = both(good[0], sides(65.0, (-14.0, -26.0)))
    assert clue(thin, "thin channel").holds > 0.9
    assert clue(thin, "thin channel").seen.endswith(f"on {names[1]}")
    harsh = both(sides(440.0, (-10.0, -10.0), thd=(-70.0, -20.0)), good[1])
    assert clue(harsh, "distortion in one channel").holds > 0.9
    assert names[1] in clue(harsh, "distortion").seen


def test_outputs_of_unlike_names_or_notes_are_no_pair():
    """Phones are louder or softer than main by design, and two voices are two sounds."""
    note = sides(440.0, (-10.0, -25.0))
    apart = [alone(note, 1, "main"), alone(note, 2, "phones")]
    assert clue(apart, "weak channel").holds is None
    other = [alone(note, 1, "out 1"), alone(sides(330.0, (-10.0, -25.0)), 2, "out 2")]
    assert clue(other, "weak channel").holds is None


def test_one_output_alone_whose_notes_tell_of_nothing():
    """No harmonic is stronger than elsewhere, loud or quiet, and no wave is compared."""
    quiet = [note(-10.0, thd=-200.0), note(-40.0, thd=-200.0)]
    assert clue(quiet, "distortion").holds < 0.1
    assert clue(quiet, "worse when quiet").holds is None


def one_channel(check: str, *readings: tuple[str, float, str], output="main", events=()):
    """A take of an instrument with one channel."""
    found = tuple(Reading(name, value, unit, 1, 0.01) for name, value, unit in readings)
    source = replace(SOURCE, channels=1)
    return Observation(output, Measurement(check, source, found, tuple(events)))


def test_of_one_channel_it_is_told_that_the_sound_breaks_off():
    """Which of two channels does it nobody can tell; that it does is plain."""
    gaps = [Event("dropout", t, t + 0.05, (1,), 50.0) for t in (1.0, 2.0, 3.0)]
    moved = one_channel("jack", events=gaps)
    assert clue([moved], "breaks").holds > 0.9
    assert clue([moved], "breaks in one channel").holds is None
    still = one_channel("jack", output="phones")
    assert clue([still], "breaks").holds < 0.1
    # One jack of two does it: it is that jack, and not what feeds both.
    ranking = rank(gather([moved, still]))
    assert ranking.causes[0].name == BY_KEY["jack"].name
    both = rank(gather([moved, one_channel("jack", output="phones", events=gaps)]))
    assert both.causes[0].name == BY_KEY["regulator joint"].name
    # In two channels each is told by itself, as before.
    assert (
        clue([Observation("main", Measurement("jack", SOURCE, (), tuple(gaps)))], "breaks").holds
        is None
    )


def test_what_leaves_the_difference_of_the_channels_is_their_sleeve():
    """Both loads lie in series between the two tips then (Kirchhoff); no supply does that."""
    events = tuple(Event("dip", t, t + 0.2, (1, 2), 5.0, SLEEVE_OPEN) for t in (1.0, 2.0, 3.0))
    moved = Observation("phones", Measurement("jack", SOURCE, (), events))
    assert clue([moved], "difference left").holds > 0.9
    assert clue([moved], "breaks in both channels").holds < 0.1
    assert rank(gather([moved])).causes[0].name == BY_KEY["loose sleeve"].name
    # A sound that is the same left and right would show nothing of it.
    still = Observation("phones", Measurement("jack", SOURCE, (), ()))
    assert clue([still], "difference left").holds is None


def humming(hum_1x, hum_2x, noise=(-100.0, -100.0), output="main", spurs=None) -> Observation:
    """Idle noise of two channels, in dBFS; the hum of both in `hum_1x` and `hum_2x`."""
    readings = []
    for c in (1, 2):
        one, two = hum_1x[c - 1], hum_2x[c - 1]
        total = 10 * math.log10(10 ** (one / 10) + 10 ** (two / 10))
        whole = 10 * math.log10(10 ** (total / 10) + 10 ** (noise[c - 1] / 10))
        for name, value in (
            ("hum_1x", one), ("hum_2x", two), ("hum_total", total),
            ("noise_rms", whole), ("noise_a", noise[c - 1]),
        ):  # fmt: skip
            readings.append(Reading(name, value, "dBFS", c, 0.1))
        if spurs is not None:
            readings.append(Reading("spurs", spurs, "Hz, dBFS", c, None))
    return Observation(output, Measurement("idle", SOURCE, tuple(readings)))


def test_a_channel_that_hisses_is_seen_beside_one_that_mostly_hums():
    """What is left of the other one's noise without its hum is no more than all of it."""
    hums = humming((-120.0, -120.0), (-98.0, -120.0), (-103.0, -80.0))
    assert clue([note(), hums], "noise in one channel").holds > 0.9
    # Where the noisier one is the one that hums, its hiss is known to be no stronger than all.
    drowned = humming((-120.0, -120.0), (-70.0, -120.0), (-80.0, -101.0))
    assert (clue([note(), drowned], "noise in one channel").holds or 0.0) < 0.5


def test_leakage_of_a_switch_mode_supply_is_no_open_diode():
    """A half-wave has its second harmonic 7.5 dB below the first, and through a capacitor 1.4 dB.

    Fourier series of the half-wave: 1/2 and 2/(3 pi): textbook. One output of two has it, and hum
    as loud as the note: only an open ground brings that much.
    """
    apart = 20 * math.log10(0.5 / (2 * 2 / (3 * math.pi)))
    assert apart == pytest.approx(1.4, abs=0.05)
    opened = humming((-12.0, -12.0), (-12.0 - apart, -12.0 - apart))
    quiet = humming((-115.0, -115.0), (-118.0, -118.0), output="phones")
    seen = [note(), opened, replace(note(), output="phones"), quiet]
    assert clue(seen, "hum drowns the note").holds > 0.9
    assert rank(gather(seen)).causes[0].name == BY_KEY["sleeve"].name


def test_hum_of_one_diode_a_rail_may_be_a_dry_reservoir():
    """Refilled once a period, the capacitor has its ripple at the mains frequency: textbook."""
    rail = (Rail("+12 V", 12.0, measured_volts=11.2, ripple_volts=0.9),)
    seen = [
        note(),
        humming((-60.0, -60.0), (-67.0, -67.0)),
        Observation("x", measure_rails(rail), rail),
    ]
    named = [cause.name for cause in rank(gather(seen)).causes[:2]]
    assert set(named) == {BY_KEY["diode"].name, BY_KEY["reservoir"].name}
    (diode,) = (c for c in rank(gather(seen)).causes if c.name == BY_KEY["diode"].name)
    assert "one diode feeds each rail" in diode.next


def test_tones_below_200_hz_are_hardly_a_whine():
    """An inverter or a regulator sings above that: common practice, no source."""
    scores = []
    for hertz in (31.0, 530.0):
        tones = tuple((k * hertz, -50.0 - 6 * k) for k in (1, 2, 3))
        seen = [note(), humming((-120.0, -120.0), (-120.0, -120.0), spurs=tones)]
        assert (clue(seen, "tones below 200 Hz").holds > 0.5) == (hertz < 200)
        causes = {cause.name: cause.score for cause in rank(gather(seen)).causes}
        scores.append(causes[BY_KEY["inverter"].name])
    assert scores[0] < scores[1] - 0.1


@pytest.mark.parametrize(
    ("thd", "seen"), [((-16.0, -67.0), True), ((-16.0, -17.0), False), ((-66.0, -67.0), False)]
)
def test_iron_that_saturates_distorts_low_notes_on_its_channel_alone(thd, seen):
    """Its flux is the integral of the voltage: a low note has more of it, at one level (textbook).

    A sound that is richer at the lower end of the keyboard is so on both channels.
    """
    notes = [sides(440.0, (-10.0, -10.0)), sides(80.0, (-10.4, -10.0), thd=thd)]
    assert ((clue(notes, "worse when low").holds or 0.0) > 0.5) == seen
    ranking = rank([*gather(notes), Clue("hum 1x", 0.001)])
    assert ranking.nothing_wrong != seen
    if seen:
        assert ranking.none_of_these > 0.5


def test_a_quiet_note_that_hardly_comes_through_tells_nothing_of_its_distortion():
    """A gap at zero swallows it: both outputs behind one such stage lose it alike."""
    loud = [sides(440.0, (-8.0, -9.7), thd=(-75.0, -23.0))]
    quiet = [sides(440.0, (-38.0, -48.0), thd=(-75.0, -75.0))]
    seen = [replace(o, output=name) for o in (*loud, *quiet) for name in ("main", "phones")]
    assert clue(seen, "weaker when quiet").holds > 0.9
    assert clue(seen, "worse when quiet").holds is None
    assert rank(gather(seen)).causes[0].name == BY_KEY["crossover"].name


def test_of_two_jacks_that_are_a_pair_one_may_hum_alone():
    """Each has a sleeve of its own."""

    def mono(output, hum):
        tone = one_channel(
            "tone", ("tone_level", -10.0, "dBFS"), ("frequency", 440.0, "Hz"), output=output
        )
        return [tone, one_channel(
            "idle", ("hum_1x", hum, "dBFS"), ("hum_2x", -118.0, "dBFS"),
            ("hum_total", hum, "dBFS"), output=output,
        )]  # fmt: skip

    seen = [*mono("main L", -50.0), *mono("main R", -120.0)]
    assert clue(seen, "hum on every output").holds < 0.1
    assert rank(gather(seen)).causes[0].name == BY_KEY["sleeve"].name


def test_a_weak_channel_is_known_not_to_be_dead():
    """That says nothing more, and so speaks against no cause that may be both."""
    assert clue([sides(440.0, (-10.0, -16.0))], "weak channel").holds > 0.9
    assert clue([sides(440.0, (-10.0, -16.0))], "dead channel").holds is None
    assert clue([sides(440.0, (-10.0, -10.1))], "dead channel").holds < 0.1
