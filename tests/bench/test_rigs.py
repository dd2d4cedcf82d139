"""Rigs are remembered: all that is known of them comes back, and one of them is in use."""

from dataclasses import replace

import pytest

from sigbench.bench.documents import run_from_json, run_to_json
from sigbench.bench.folder import Bench
from sigbench.bench.rigs import IN_USE, rig_in_use, rigs, save_rig
from sigbench.errors import BenchError, RequestError
from sigbench.model import Reading, RigSetup
from tests.bench.records import run_of
from tests.report.test_rig_page import CALIBRATION, LIMITS

SETUP = RigSetup(
    "Bench at home",
    "USB line interface",
    "ALSA",
    96_000,
    (3, 4),
    (1, 2),
    "at 9 o'clock",
    play_device="another one",
    play_host="ALSA",
    pilot=(5, 5),
    exclusive=True,
    calibration=CALIBRATION,
    limits=LIMITS,
)


@pytest.fixture
def folder(tmp_path):
    with Bench.create(tmp_path / "bench") as bench:
        return bench.folder


def test_a_rig_comes_back_as_it_was(folder):
    assert rig_in_use(folder) is None
    save_rig(folder, SETUP)
    assert rig_in_use(folder) == SETUP
    assert rigs(folder) == {SETUP.name: SETUP}


def test_the_one_in_use_stays_when_another_is_stored_beside_it(folder):
    save_rig(folder, SETUP)
    save_rig(folder, replace(SETUP, name="road"), use=False)
    assert rig_in_use(folder) == SETUP
    assert rig_in_use(folder, "road").name == "road"
    assert set(rigs(folder)) == {"Bench at home", "road"}


def test_a_rig_that_is_not_there_is_told_with_those_that_are(folder):
    save_rig(folder, SETUP)
    with pytest.raises(RequestError, match="no rig 'van'; there are: 'Bench at home'"):
        rig_in_use(folder, "van")


def test_a_rig_needs_a_name(folder):
    with pytest.raises(RequestError, match="needs a name"):
        save_rig(folder, replace(SETUP, name=" "))


@pytest.mark.parametrize("text", ["", "../../etc/passwd", "gone.json", "\x00", "a\nb"])
def test_a_file_of_the_one_in_use_that_names_none(folder, text):
    save_rig(folder, SETUP)
    (folder / "rigs" / IN_USE).write_text(text)
    assert rig_in_use(folder) is None


def test_a_damaged_rig_is_said_in_one_sentence(folder):
    save_rig(folder, SETUP)
    place = folder / "rigs" / "bench-at-home.json"
    place.write_text(place.read_text().replace('"samplerate": 96000', '"samplerate": "many"', 1))
    with pytest.raises(BenchError, match="damaged or was changed by hand"):
        rig_in_use(folder)


def test_a_limit_that_is_no_number_stays_out_of_the_file(folder):
    silent = replace(LIMITS, readings=(Reading("noise_a", float("-inf"), "dBFS", 1),))
    save_rig(folder, replace(SETUP, limits=silent))
    (reading,) = rig_in_use(folder).limits.readings
    assert (reading.value, reading.state) == (None, "invalid")


def test_a_run_remembers_the_rig_it_was_made_with(tmp_path):
    run = run_of("0a1b2c")
    run = replace(run, rig=replace(run.rig, calibration=CALIBRATION, limits=LIMITS))
    assert run_from_json(run_to_json(run), tmp_path) == run


def test_a_run_of_an_older_version_has_none(tmp_path):
    import json

    document = json.loads(run_to_json(run_of("0a1b2c")))
    del document["rig"]["calibration"], document["rig"]["limits"]
    assert run_from_json(json.dumps(document).encode(), tmp_path).rig.limits is None
