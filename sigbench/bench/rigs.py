"""The rigs of a bench: how they are put together, what is known of them, which one is in use."""

from pathlib import Path

from sigbench.bench.atomic import write_file
from sigbench.bench.documents import RIGS, rig_from_json, rig_to_json, slug
from sigbench.errors import BenchError, RequestError
from sigbench.model import RigSetup

IN_USE = "in-use.txt"
"""Beside the rigs: the file name of the one that is used where none is named."""


def save_rig(folder: Path, setup: RigSetup, *, use: bool = True) -> None:
    """Store a rig, over an older one of the same name.

    Raises
    ------
    RequestError
        If it has no name.
    BenchError
        If it cannot be written.
    """
    if not setup.name.strip():
        raise RequestError("A rig needs a name: give it one, such as 'bench'.")
    place = _place(folder, setup.name)
    write_file(place, rig_to_json(setup))
    if use:
        write_file(folder / RIGS / IN_USE, f"{place.name}\n".encode())


def rigs(folder: Path) -> dict[str, RigSetup]:
    """All rigs of a bench folder, by name.

    Raises
    ------
    BenchError
        If a file is damaged, or from a newer sigbench.
    """
    found = [_read(place) for place in sorted((folder / RIGS).glob("*.json"))]
    return {setup.name: setup for setup in found}


def rig_in_use(folder: Path, name: str | None = None) -> RigSetup | None:
    """The rig of that name, or the one in use; None where there is no rig yet.

    Raises
    ------
    RequestError
        If there is none of that name; it lists those there are.
    BenchError
        If its file is damaged.
    """
    if name is not None:
        place = _place(folder, name)
        if not place.is_file():
            there = ", ".join(f"'{known}'" for known in rigs(folder)) or "none yet"
            raise RequestError(
                f"There is no rig '{name}'; there are: {there}. Set one up with "
                "'sigbench rig setup'."
            )
        return _read(place)
    try:
        chosen = folder / RIGS / (folder / RIGS / IN_USE).read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return None
    return _read(chosen) if chosen.parent == folder / RIGS and chosen.is_file() else None


def _place(folder: Path, name: str) -> Path:
    return folder / RIGS / f"{slug(name)}.json"


def _read(place: Path) -> RigSetup:
    try:
        data = place.read_bytes()
    except OSError as exc:
        raise BenchError(
            f"{place} cannot be read ({exc.strerror}): put it back from a copy of the bench folder."
        ) from exc
    return rig_from_json(data, place)
