"""What the program holds while pages come and go: the one thing that goes on, and who steers it."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import RLock

from sigbench.bench.rigs import rig_in_use, rigs
from sigbench.causes.records import BY_KEY
from sigbench.circuits.states import AS_RECEIVED, FAULTY, REPAIRED, name_of_fault
from sigbench.errors import InterfaceError, RequestError
from sigbench.interface.base import Interface
from sigbench.interface.simulated import SimulatedInterface
from sigbench.live.procedure import Kind, Procedure
from sigbench.live.showing import Showing
from sigbench.live.sitting import Sitting, Wish
from sigbench.live.watched import Watched
from sigbench.model import RigSetup
from sigbench.page.bell import Bell
from sigbench.rig import choose
from sigbench.rig.choose import SIMULATED_RIG, choose_interface


@dataclass(frozen=True, slots=True)
class Source:
    """Something that can be recorded from: its key in a form, and its name in words."""

    key: str
    words: str

    @property
    def simulated(self) -> bool:
        """Whether it is the simulated unit."""
        return self.key.startswith("simulated:")


_SIMULATED = (
    Source(f"simulated:{AS_RECEIVED}", "simulated: as received, four faults at once"),
    Source(f"simulated:{REPAIRED}", "simulated: repaired, no fault"),
    *(
        Source(f"simulated:{name_of_fault(key)}", f"simulated: {BY_KEY[key].name}")
        for key in FAULTY
    ),
)
"""The simulated unit, in each state that has a name for a person."""

Work = Watched | Procedure
"""What goes on at the desk, one at a time."""


class Desk:
    """The one desk behind all pages.

    Parameters
    ----------
    folder : Path
        The bench folder.
    paced : bool
        Whether the simulated unit is as slow as a real one.
    """

    def __init__(self, folder: Path, *, paced: bool = True) -> None:
        self.folder = folder
        self.bell = Bell()
        self._paced = paced
        self._lock = RLock()
        self._watched: Watched | None = None
        self._procedure: Procedure | None = None
        self._holder: str | None = None
        self._importing = False

    def sources(self) -> tuple[Source, ...]:
        """What can be recorded from, the likeliest first."""
        used = rig_in_use(self.folder)
        known = [one for one in rigs(self.folder).values() if one.device != SIMULATED_RIG]
        known.sort(key=lambda one: (used is None or one.name != used.name, one.name))
        found = [Source(f"rig:{one.name}", f"{one.name} ({one.device})") for one in known]
        if not found:
            found += _inputs()
        return (*found, *_SIMULATED)

    @property
    def watched(self) -> Watched | None:
        """The sitting or showing that goes on, or was the last."""
        return self._watched

    @property
    def procedure(self) -> Procedure | None:
        """The procedure at a rig that goes on, or was the last."""
        return self._procedure

    def begin(self, wish: Wish, source: str, page: str) -> Sitting:
        """Begin a sitting, steered from a page.

        Raises
        ------
        RequestError
            If another one goes on, or there is no such source or step.
        BenchError
            If there is no such unit.
        """
        with self._lock:
            self.require_free()
            if source not in {one.key for one in self.sources()}:
                raise RequestError("There is no such source any more: choose another.")
            sitting = Sitting(
                self.folder,
                wish,
                lambda channels, tell: self._open(source, channels, tell),
                on_change=self.bell.ring,
            )
            self._watched, self._holder = sitting, page
            sitting.start()
            return sitting

    def show(self, unit_id: str, run_id: str, take: int, page: str) -> Showing:
        """Begin to show a stored take, steered from a page.

        Raises
        ------
        RequestError
            If something else goes on, or the unit has no such take.
        BenchError
            If there is no such unit or run.
        """
        with self._lock:
            self.require_free()
            showing = Showing(self.folder, unit_id, run_id, take, on_change=self.bell.ring)
            self._watched, self._holder = showing, page
            showing.start()
            return showing

    def begin_procedure(self, kind: Kind, rig: str, page: str) -> Procedure:
        """Begin a procedure at a rig, steered from a page.

        Raises
        ------
        RequestError
            If something else goes on, or the rig cannot do it.
        """
        with self._lock:
            self.require_free()
            procedure = Procedure(self.folder, kind, rig, self.open_rig, on_change=self.bell.ring)
            self._procedure, self._holder = procedure, page
            procedure.start()
            return procedure

    def open_rig(self, setup: RigSetup, tell: Callable[[str], None]) -> Interface:
        """The interface of a rig; `tell` hears what it does otherwise than it was asked to."""
        return choose.open_rig(setup, paced=self._paced, tell=tell)

    def require_free(self) -> None:
        """Refuse what has to wait until the interface is free.

        Raises
        ------
        RequestError
            If a sitting or a procedure goes on, or a recording is measured.
        """
        if self._importing:
            raise RequestError("A recording is being measured: wait until that is done.")
        watched = self._watched
        if watched is not None and not watched.over:
            raise RequestError(
                f"'{watched.unit_id}' is being {watched.verb}: end that first, or watch."
            )
        if self._procedure is not None and not self._procedure.over:
            raise RequestError(
                f"The rig '{self._procedure.setup.name}' is being set up: end that first, or watch."
            )

    @contextmanager
    def importing(self) -> Iterator[None]:
        """While a recording made elsewhere is measured, nothing else goes on.

        Raises
        ------
        RequestError
            If something goes on already.
        """
        with self._lock:
            self.require_free()
            self._importing = True
        try:
            yield
        finally:
            self._importing = False

    def holds(self, page: str) -> bool:
        """Whether a page steers what goes on; the others watch."""
        return self._holder == page

    def take_over(self, page: str) -> None:
        """Let another page steer."""
        with self._lock:
            self._holder = page
        self.bell.ring()

    def _open(
        self, source: str, channels: int, tell: Callable[[str], None]
    ) -> tuple[Interface, RigSetup | None]:
        kind, _, name = source.partition(":")
        interface, setup = choose_interface(
            folder=self.folder,
            rig=name if kind == "rig" else None,
            simulated=name if kind == "simulated" else None,
            device=name if kind == "device" else None,
            play_device=None,
            host=None,
            rate=None,
            channels=channels,
            tell=tell,
        )
        if isinstance(interface, SimulatedInterface):
            interface.paced = self._paced
        return interface, setup


def _inputs() -> list[Source]:
    """The inputs of this computer; none where there is no audio system."""
    from sigbench.interface.portaudio import list_devices

    try:
        devices = list_devices()
    except InterfaceError:
        return []
    return [
        Source(f"device:{one.index}", f"{one.name} ({one.host})") for one in devices if one.inputs
    ]
