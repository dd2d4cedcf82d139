"""The order of the tests, and the demo, which is run once for all tests that look at it."""

import os
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import settings

# The same examples each time, and no test is held against the clock.
settings.register_profile("sigbench", derandomize=True, deadline=None)
settings.load_profile("sigbench")

# As the program does for itself, before numpy is imported: the fits are tall and narrow, and more
# threads wait for one another, the more so beside other tests.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

WAIT_SECONDS = 300
NICENESS = 10
IS_WORKER = "PYTEST_XDIST_WORKER" in os.environ


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """One worker more than processors: one of them mostly waits."""
    return (os.cpu_count() or 1) + 1


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the tests first that take real time and hardly a processor: they go to one worker."""
    items.sort(key=lambda item: not is_real_time(item))


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Let a worker that does not wait for audio stand back: audio cannot wait for a processor."""
    if IS_WORKER and not is_real_time(item) and hasattr(os, "nice"):
        os.nice(max(0, NICENESS - os.nice(0)))


def is_real_time(item: pytest.Item) -> bool:
    return item.get_closest_marker("real_time") is not None


@pytest.fixture(autouse=True)
def no_bench_of_the_person(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Keep the tests away from the bench folder, and the rig, of whoever runs them."""
    monkeypatch.setenv("SIGBENCH_FOLDER", str(tmp_path / "no bench"))


@dataclass(frozen=True)
class Demo:
    """What the demo left: its folders, and what it said. Tests only read it."""

    place: Path
    said: str

    @property
    def bench(self) -> Path:
        return self.place / "bench"


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    shared = tmp_path_factory.getbasetemp()
    if IS_WORKER:
        shared = shared.parent  # each worker has a folder of its own in there
    place, said = shared / "demo", shared / "demo.txt"
    try:
        (shared / "demo.lock").open("x").close()
    except FileExistsError:  # another worker is at it
        for _ in range(10 * WAIT_SECONDS):
            if said.exists():
                break
            time.sleep(0.1)
    else:
        environment = os.environ | {"COLUMNS": "80", "PYTHONWARNINGS": "error"}
        done = subprocess.run(
            [sys.executable, "-m", "sigbench", "demo", "--folder", str(place)],
            capture_output=True,
            env=environment,
            timeout=WAIT_SECONDS,
            check=False,
        )
        text = f"exit {done.returncode}\n{done.stdout.decode()}{done.stderr.decode()}"
        said.with_suffix(".part").write_text(text, encoding="utf-8")
        said.with_suffix(".part").rename(said)
    return Demo(place, said.read_text(encoding="utf-8"))
