"""The table on the terminal: complete, calm, and within its width."""

import io
import math
import re

import pytest
from rich.console import Console

from sigbench.cli.show import print_measurement
from sigbench.model import Cause, Event, Measurement, Reading, Source

STEREO = Source("file", "voice.wav", "0" * 64, 48_000, 2, 480_000)

FULL = Measurement(
    "tone",
    STEREO,
    (
        Reading("tone_level", -6.0213, "dBFS", 1, 0.0031),
        Reading("thd", -60.02, "dB", 1, 0.12),
        Reading("thd", 0.0998, "%", 1, 0.0014),
        Reading("hum_1x", -110.2, "dBFS", 1, 4.34, upper_bound=True),
        Reading("noise_a", -98.0, "dBFS", 1, 0.2, "rig-limited"),
        Reading("harmonics", tuple(-60.0 - k for k in range(30)), "dB", 1),
        Reading("spurs", ((1234.5, -95.0),), "dBFS", 1),
        Reading.invalid("thd_n", "dB", "input clipped on 212 samples", channel=2),
        Reading("balance", 0.12, "dB", None, 0.01, channels=(1, 2)),
        Reading("polarity", -1.0, "", None, channels=(1, 2)),
    ),
    (
        Event("dropout", 3.2101, 3.2475, (1,), 41.2),
        Event("mark", 4.0, 4.0, (1, 2), None, "tapped the board"),
    ),
    (Cause("dry joint", 0.81, ("breaks in one channel only",), ("no hum",), "reflow the jack"),),
)


def shown(measurement: Measurement, *, width: int = 80, encoding: str = "utf-8") -> str:
    raw = io.BytesIO()
    stream = io.TextIOWrapper(raw, encoding=encoding, newline="\n")
    console = Console(file=stream, width=width, highlight=False, markup=False, emoji=False)
    print_measurement(measurement, console)
    stream.flush()
    return raw.getvalue().decode(encoding)


def line_with(text: str, lines: str) -> str:
    (line,) = [line for line in lines.splitlines() if text in line]
    return line


def test_everything_that_was_found_is_shown():
    text = shown(FULL)
    assert text.startswith("voice.wav\nTone check, 10 s, 2 channels at 48 kHz\n")
    # U = 2 u with two digits at most, and the value with as many decimals (GUM 7.2.6).
    assert re.search(r"−6\.021 ± 0\.00[67] +dBFS", line_with("Tone level", text))
    assert "below −110 dBFS" in line_with("Hum at mains frequency", text)
    assert "the rig's own limit" in text
    assert "no valid number: input clipped on 212 samples" in " ".join(text.split())
    assert re.search(r"and \d+ more", " ".join(text.split()))  # of thirty overtones
    assert "reversed" in line_with("Polarity", text)
    assert "at 3.210 s for 37.4 ms, channel 1, 41.2 dB" in line_with("Dropout", text)
    assert "channel 1 and 2: tapped the board" in line_with("Mark set by hand", text)
    for part in ("dry joint", "breaks in one channel only", "no hum", "reflow the jack"):
        assert part in text


def test_readings_are_grouped_by_channel():
    text = shown(FULL)
    heads = [line for line in text.splitlines() if line.startswith("Channel")]
    assert heads == ["Channel 1 (left)", "Channel 2 (right)", "Channels 1 and 2"]


def test_a_reading_in_two_units_has_its_name_once():
    text = shown(FULL)
    first, second = text[text.index("Distortion (THD)") :].splitlines()[:2]
    assert first.rstrip().endswith("dB")
    assert second.startswith("   ")
    assert second.rstrip().endswith("%")


def test_numbers_line_up():
    lines = shown(FULL).splitlines()
    columns = {line.index("±") for line in lines if " ± " in line and not line.startswith("±")}
    assert len(columns) == 2  # one for channel 1, one for the pair


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_it_stays_within_the_width(width: int):
    lines = shown(FULL, width=width).splitlines()
    assert max(map(len, lines)) <= width


@pytest.mark.parametrize("encoding", ["ascii", "cp437", "cp1252"])
def test_a_console_without_some_signs_gets_ascii_and_the_width_holds(encoding: str):
    text = shown(FULL, encoding=encoding)
    assert "-6.02" in text
    assert "?" not in text
    assert max(map(len, text.splitlines())) <= 80


def test_no_escape_codes_when_it_goes_into_a_pipe():
    assert "\x1b" not in shown(FULL)


def test_many_events_are_counted_and_not_all_listed():
    clicks = tuple(Event("click", k / 10, k / 10, (1,), 12.0) for k in range(300))
    text = shown(Measurement("dropouts", STEREO, (), clicks))
    assert "300 events" in text
    assert "and 280 more" in text
    assert len(text.splitlines()) < 30


def test_digital_silence_is_words_and_not_infinity():
    text = shown(Measurement("idle", STEREO, (Reading("level_rms", -math.inf, "dBFS", 1),)))
    assert "inf" not in text
    assert "nothing at all" in text


def test_only_numbers_with_an_uncertainty_need_its_explanation():
    explanation = "expanded uncertainty"
    assert explanation in shown(FULL)
    silent = Reading.invalid("tone_level", "dBFS", "no tone was found", channel=1)
    assert explanation not in shown(Measurement("tone", STEREO, (silent,)))


def test_a_reason_that_several_readings_share_is_written_once():
    clipped = [
        Reading.invalid(name, "dB", "input clipped on 212 samples", channel=1)
        for name in ("thd", "thd_n", "sinad")
    ]
    single = Reading.invalid("frequency", "Hz", "no tone was found", channel=1)
    text = shown(Measurement("tone", STEREO, (*clipped, single)))
    assert text.count("no valid number [1]") == 3
    assert line_with("input clipped", text).strip() == "[1] input clipped on 212 samples"
    assert "no valid number: no tone was found" in line_with("Frequency", text)
