"""A stored take is shown once more: the same events as when it was measured, and nothing stored."""

import hashlib
import time
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from sigbench.bench.folder import Bench
from sigbench.errors import BenchError, RequestError
from sigbench.live import showing
from sigbench.live.showing import Showing
from sigbench.model import Event, Output, Plan, Step, TakeRecord, Unit
from sigbench.recorded import Recorded, carry_out_recorded, read_recording
from tests.live.waiting import wait

RATE = 48_000
BREAKS = ((1.2, 1.45), (2.5, 2.56))  # seconds, of the left channel


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """A bench with a jack check that was recorded elsewhere, two marks in it; its unit and run."""
    place = tmp_path_factory.mktemp("showing")
    seconds = np.arange(4 * RATE) / RATE
    saw = 0.3 * sum(np.sin(2 * np.pi * 220 * k * seconds) / k for k in range(1, 12))
    noise = 1e-4 * np.random.default_rng(3).standard_normal((len(seconds), 2))
    sound = np.column_stack([saw, saw]) + noise
    for start, end in BREAKS:
        sound[(seconds >= start) & (seconds < end), 0] *= 1e-3
    soundfile.write(place / "jack.flac", sound, RATE, "PCM_24")
    with Bench.create(place / "bench") as bench:
        unit = bench.add_unit(Unit("Own", "Two-voice", "1", (Output("main"),)))
        bench.set_plan(unit, Plan("plan", (Step("jack", "main", "Move the plugs.", seconds=4),)))
        take = read_recording(place / "jack.flac", "jack")
        take = type(take)(
            take.samples,
            RATE,
            take.source,
            bits=24,
            marks=(
                Event("mark", 0.0, 0.0, (), place="main L"),
                Event("mark", 2.0, 2.0, (), place="main R"),
            ),
        )
        run = carry_out_recorded(bench, unit, "as received", 1, [Recorded("jack.flac", take)])
        bench.add_run(unit, run)
        return place / "bench", unit, run


def files_of(folder):
    """The content of all that is kept."""
    return {
        path: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file() and "sqlite" not in path.name and path.suffix not in (".lock", ".db")
    }


def shown(stored, pace="0"):
    folder, unit, run = stored
    work = Showing(folder, unit, run.id, 1)
    work.start()
    moment = wait(work, "ready")
    assert work.type_fields(moment.question, {"pace": pace}) == ()
    return work


def test_it_shows_the_events_that_were_measured(stored):
    before = files_of(stored[0])
    work = shown(stored)
    moment = wait(work, "shown")
    (measured,) = stored[2].measurements
    seen = work.seen()
    assert [e for e in seen.events if e.kind != "mark"] == [
        e for e in measured.events if e.kind != "mark"
    ]
    found = [(e.start, e.end) for e in seen.events if e.kind == "dropout"]
    assert np.array(found) == pytest.approx(np.array(BREAKS), abs=0.002)
    assert [e.place for e in seen.events if e.kind == "mark"] == ["main L", "main R"]
    assert [tally.place for tally in seen.tallies] == ["main L", "main R"]
    assert work.alerts(0).count("dropout") == len(BREAKS)
    work.answer(moment.question, "stop")
    wait(work, "over")
    assert work.moment.failed is None
    assert files_of(stored[0]) == before


def test_it_is_shown_again_and_stopped_by_answers(stored, monkeypatch):
    work = shown(stored)
    again = wait(work, "shown")
    clock = SimpleNamespace(monotonic=time.monotonic, sleep=lambda seconds: None)
    monkeypatch.setattr(showing, "time", clock)
    assert work.type_fields(again.question, {"pace": "10"}) == ()
    last = wait(work, "shown", after=again.question)
    work.answer(last.question, "stop")
    over = wait(work, "over")
    assert over.done == ()
    assert "nothing was added" in over.sayings[0]


def test_what_is_stopped_ends_where_it_is(stored):
    work = shown(stored, "1")
    while work.seen() is None or work.seen().seconds < 0.1:
        pass
    work.answer(work.moment.question, "stop")
    wait(work, "shown")
    assert work.seen().seconds < 4


def test_blocks_come_no_sooner_than_they_were_recorded(stored, monkeypatch):
    now, waited = [0.0], []

    def sleep(seconds):
        waited.append(seconds)
        now[0] += seconds

    # Of that module alone: other threads have a clock too.
    clock = SimpleNamespace(monotonic=lambda: now[0], sleep=sleep)
    monkeypatch.setattr(showing, "time", clock)
    folder, _, run = stored
    with Bench.open(folder) as bench:
        take = bench.long_take(run.takes[0])
        frames = sum(len(block.samples) for block in showing._paced(take, 10.0))
    assert frames == 4 * RATE
    assert sum(waited) == pytest.approx(0.4)


def test_a_take_of_another_unit_or_none_is_refused(stored):
    folder, unit, run = stored
    with Bench.open(folder) as bench:
        other = bench.add_unit(Unit("Own", "Other", "2", (Output("main"),)))
    for unit_id, take in ((other, 1), (unit, 0), (unit, 2)):
        with pytest.raises(RequestError, match="has no such take"):
            Showing(folder, unit_id, run.id, take)
    with pytest.raises(BenchError, match="no run"):
        Showing(folder, unit, "000000000000", 1)


def test_a_damaged_take_is_told_of(stored, monkeypatch):
    folder, unit, run = stored

    def damaged(bench, record: TakeRecord):
        raise BenchError("The take is damaged.")

    monkeypatch.setattr(Bench, "long_take", damaged)
    work = Showing(folder, unit, run.id, 1)
    work.start()
    while not work.over:
        pass
    assert work.moment.failed == "The take is damaged."
