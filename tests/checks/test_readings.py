"""States that every check shares: clipped, lost, silent, DC."""

import numpy as np
import pytest

from sigbench.checks import TAKE_CHECKS, measure
from sigbench.errors import RequestError, SignalError
from sigbench.model import CheckSettings, LostBuffers
from tests.checks.takes import only, seconds, sine, take


def clipped() -> np.ndarray:
    return np.clip(2 * sine(440, 0, 1), -1, 1 - 2.0**-15)


@pytest.mark.parametrize("check", TAKE_CHECKS)
def test_clipping_spoils_its_channel_and_no_other(check):
    found = measure(take(clipped(), sine(440, -20, 1), bits=16), check)
    for reading in found.readings:
        if reading.channel == 1 or reading.channels == (1, 2):
            assert reading.state == "invalid", reading
            assert reading.value is None
            assert reading.why
    level = only(found, "level_rms", 2)
    assert level.state == "ok"
    assert level.value == pytest.approx(-20, abs=0.01)


@pytest.mark.parametrize("check", ["tone", "idle"])
def test_lost_buffers_spoil_tone_and_idle(check):
    lost = (LostBuffers(24_000, 512),)
    found = measure(take(sine(440, -20, 1), lost=lost), check)
    assert {r.state for r in found.readings} == {"invalid"}
    assert "lost buffers" in (only(found, "level_rms").why or "")


def test_a_clipped_tone_without_a_named_check_is_still_a_tone():
    assert measure(take(clipped(), bits=16)).check == "tone"


def test_the_mean_is_a_reading_only_of_an_input_that_passes_dc():
    signal = 0.02 + sine(1000, -20, 1)
    refused = only(measure(take(signal), "idle"), "dc_offset")
    assert (refused.value, refused.state) == (None, "invalid")
    given = only(measure(take(signal, dc_coupled=True), "idle"), "dc_offset")
    assert given.value == pytest.approx(0.02, abs=1e-6)


@pytest.mark.parametrize("check", [None, *TAKE_CHECKS])
@pytest.mark.parametrize("constant", [0.0, 0.1])
def test_a_constant_gives_no_number_but_its_level(check, constant):
    found = measure(take(np.full(24_000, constant)), check)
    for reading in found.readings:
        if reading.name.startswith("level_") or reading.upper_bound or reading.value == ():
            continue
        if constant and reading.name == "crest_factor":
            continue
        assert reading.value is None, reading
        assert reading.why


def test_without_a_check_music_is_no_noise():
    t = seconds(2)
    rng = np.random.default_rng(3)
    words = rng.normal(0, 0.1, len(t)) * (np.sin(2 * np.pi * 1.5 * t) > 0.3)
    found = measure(take(words))
    assert found.check == "idle"
    for name in ("noise_rms", "noise_a", "noise_468", "spurs"):
        assert only(found, name).state == "invalid"
    assert only(found, "level_rms").state == "ok"
    # Named, the check is done as asked.
    assert only(measure(take(words), "idle"), "noise_rms").state == "ok"


@pytest.mark.parametrize(("frequency", "dbfs"), [(997.0, -75.0), (50.0, -40.0), (60.1, -40.0)])
def test_without_a_check_a_whine_or_hum_is_no_note(frequency, dbfs):
    assert measure(take(sine(frequency, dbfs))).check == "idle"


@pytest.mark.parametrize("frames", [1, 100, 2000])
def test_too_short_a_take_gives_one_sentence(frames):
    with pytest.raises(SignalError, match="too short to measure"):
        measure(take(np.full(frames, 0.1)))


def test_a_driven_channel_that_is_not_there_is_refused():
    with pytest.raises(RequestError, match="cannot be the driven one"):
        measure(take(sine(440, -20, 0.5)), "tone", CheckSettings(driven_channel=2))
