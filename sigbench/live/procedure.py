"""The steps of a rig's day, as they are steered from a page: levels, calibration, limits, test.

See `sigbench.live.steered`. What it finds is stored at its end, all at once; one that is stopped
leaves what was known of the rig as it was.
"""

from collections.abc import Callable, Generator, Mapping, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from threading import RLock
from typing import Any, Literal, TypeVar, get_args

from sigbench.bench.rigs import rig_in_use, save_rig
from sigbench.errors import InterfaceError, RequestError, SignalError
from sigbench.interface.base import Block, Interface
from sigbench.live.steered import STOP, Answer, Asked, Choice, Field, Steered, Stopped
from sigbench.measure.meter import LevelMeter, MeterLevel
from sigbench.model import FullScale, Meter, RigLimits, RigSetup, Samples
from sigbench.rig.assembly import (
    loop_dbfs,
    plug_simulated_loop,
    plug_simulated_meter,
    plug_simulated_shorts,
    require_outputs,
    simulated_volts,
)
from sigbench.rig.calibration import (
    USUAL_METER,
    calibrate,
    calibration_tone,
    check_loop,
    meter_accuracy,
    meter_reading,
    output_full_scale,
)
from sigbench.rig.cautions import BEFORE_METERING, BEFORE_PLAYING, BEFORE_PLUGGING_IN
from sigbench.rig.limits import own_loop, own_noise
from sigbench.rig.path import run_path_test
from sigbench.rig.player import Player
from sigbench.rig.wiring import Plugging, plugging_words
from sigbench.rig.wording import (
    calibration_sentences,
    check_sentences,
    finding_sentences,
    limit_sentences,
    rig_test_of,
    this_system,
)

Kind = Literal["levels", "calibrate", "check", "limits", "test"]
KINDS: tuple[Kind, ...] = get_args(Kind)
Phase = Literal["starting", "asking", "working", "over"]
OpenRig = Callable[[RigSetup, Callable[[str], None]], Interface]

TONE_SECONDS = 30.0  # then the tone begins anew, until a voltage is typed

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class ProcedureMoment(Asked):
    """Where a procedure is.

    Parameters
    ----------
    number, of : int
        Which step of how many this is, from 1.
    title, prompt : str
    plugging : Plugging or None
        What is plugged in at this step.
    cautions : tuple of str
        What to heed.
    sounding : bool
        Whether a tone is played.
    results : tuple of str
        What came of it, at the end.
    stored : bool
        Whether that is stored with the rig.
    """

    phase: Phase = "starting"
    number: int = 0
    of: int = 0
    title: str = "One moment …"
    prompt: str = ""
    plugging: Plugging | None = None
    cautions: tuple[str, ...] = ()
    sounding: bool = False
    results: tuple[str, ...] = ()
    stored: bool = False


@dataclass(frozen=True, slots=True)
class Running:
    """The stream that runs just now, or ran last: its levels, and how far it is.

    `of_seconds` is None where it goes on until it is enough.
    """

    levels: tuple[MeterLevel, ...]
    seconds: float
    of_seconds: float | None


class Procedure(Steered[ProcedureMoment]):
    """A procedure at a rig that is being carried out.

    Parameters
    ----------
    folder : Path
        The bench folder.
    kind : {"levels", "calibrate", "check", "limits", "test"}
    rig : str
        Name of the rig.
    open_interface : callable
        Opens its interface, and tells what that does otherwise than it was asked to.
    on_change : callable, optional
        Called whenever the moment changed, from the procedure's thread.

    Raises
    ------
    RequestError
        If there is no such rig or procedure, or the rig cannot do it.
    """

    def __init__(
        self,
        folder: Path,
        kind: Kind,
        rig: str,
        open_interface: OpenRig,
        *,
        on_change: Callable[[], None] = lambda: None,
    ) -> None:
        if kind not in KINDS:
            raise RequestError(f"There is no '{kind}' for a rig: choose {', '.join(KINDS)}.")
        setup = rig_in_use(folder, rig)
        assert setup is not None
        if kind in ("calibrate", "check", "test"):
            require_outputs(setup)
        if kind == "check" and setup.calibration is None:
            raise RequestError(f"The rig '{setup.name}' is not calibrated yet: do that first.")
        super().__init__(ProcedureMoment(), working="working", on_change=on_change)
        self.folder = folder
        self.kind: Kind = kind
        self.setup = setup
        self._open = open_interface
        self._watched: _Watched | None = None

    # --- whoever shows it

    def running(self) -> Running | None:
        """What the inputs show just now."""
        watched = self._watched
        return None if watched is None else watched.running()

    # --- the work, in its own thread

    def _carry_out(self) -> Mapping[str, object]:
        results = _Work(self).carry_out()
        return {"title": "Finished", "results": results, "stored": self.kind != "check"}

    def _after_stop(self) -> Mapping[str, object]:
        return {"sayings": ("Stopped: what was known of this rig is as it was.",)}

    def _change(self, **changes: Any) -> None:
        """A new moment; all that is not named is as at the start, but the number of the step."""
        kept = ("number", "of")
        self._become(lambda last: ProcedureMoment(**{n: getattr(last, n) for n in kept} | changes))

    def _save(self, **changes: Any) -> None:
        """Store what was found, with whatever else is known of the rig by now.

        Raises
        ------
        RequestError
            If the rig is put together otherwise than when this was begun.
        """
        now = rig_in_use(self.folder, self.setup.name)
        assert now is not None
        if _bare(now) != _bare(self.setup):
            raise RequestError(
                f"The rig '{now.name}' was set up anew meanwhile, so this is not kept: begin again."
            )
        with self._lock:
            if self._stopping:
                raise Stopped
            save_rig(self.folder, replace(now, **changes), use=False)


def _bare(setup: RigSetup) -> RigSetup:
    return replace(setup, test=None, calibration=None, limits=None)


class _Watched:
    """An interface whose levels are followed, whatever it streams, and which can be stopped."""

    def __init__(self, inner: Interface, stopping: Callable[[], bool]) -> None:
        self.inner = inner
        self.name = inner.name
        self.device = inner.device
        self.samplerate = inner.samplerate
        self.channels = inner.channels
        self.bits = inner.bits
        self.dc_coupled = inner.dc_coupled
        self._stopping = stopping
        self._lock = RLock()
        self._meter = LevelMeter(self.samplerate, self.channels)
        self._frames = 0
        self._of_seconds: float | None = None

    def running(self) -> Running:
        with self._lock:
            return Running(self._meter.now(), self._frames / self.samplerate, self._of_seconds)

    def stream(
        self, *, seconds: float | None, stimulus: Samples | None = None
    ) -> Generator[Block, None, None]:
        with self._lock:  # overloads count from the start of each stream
            self._meter = LevelMeter(self.samplerate, self.channels)
            self._frames, self._of_seconds = 0, seconds
        with closing(self.inner.stream(seconds=seconds, stimulus=stimulus)) as blocks:
            for block in blocks:
                if self._stopping():
                    raise Stopped
                with self._lock:
                    self._meter.feed(block.samples)
                    self._frames = block.first_frame + len(block.samples)
                yield block


@dataclass
class _Work:
    """The steps of a procedure, one after the other."""

    procedure: Procedure
    remarks: list[str] = field(default_factory=list)
    number: int = 0
    of: int = 1

    def carry_out(self) -> tuple[str, ...]:
        """All steps; what came of them, in sentences."""
        self._interface()  # a device that is not there is said at once
        return {
            "levels": self._levels,
            "calibrate": self._calibrate,
            "check": self._check,
            "limits": self._limits,
            "test": self._test,
        }[self.procedure.kind]()

    @property
    def setup(self) -> RigSetup:
        return self.procedure.setup

    @property
    def looped(self) -> int:
        """How many loopback cables there are."""
        return min(len(self.setup.outputs), len(self.setup.inputs))

    def _interface(self) -> _Watched:
        """The interface of the rig, opened anew after a device failed."""
        procedure = self.procedure
        if procedure._watched is None:
            self.remarks.clear()
            inner = procedure._open(self.setup, self.remarks.append)
            procedure._watched = _Watched(inner, lambda: procedure._stopping)
        return procedure._watched

    # the five procedures

    def _levels(self) -> tuple[str, ...]:
        gain = Field("gain", "Where the gain control stands now, in words", self.setup.gain)
        answer = "skip"
        while answer == "skip":
            answer, typed = self._ask(
                "Set the gain",
                f"{plugging_words(Plugging('sources'), self.setup)} Turn the gain control until "
                "the loudest peaks lie between −20 and −6 dBFS.",
                Choice("go", "It is set: remember it"),
                Choice("skip", "Begin the peaks anew"),
                plugging=Plugging("sources"),
                cautions=(BEFORE_PLUGGING_IN,),
                fields=(gain,),
                step=1,
            )
        stands = typed["gain"]
        self.procedure._save(gain=stands)
        return (f"The gain control stands at '{stands or 'not stated'}'.",)

    def _calibrate(self) -> tuple[str, ...]:
        self.of = self.looped + 2
        _, typed = self._ask(
            "The multimeter",
            "Set it to AC volts. Its accuracy on that range is in its manual.",
            Choice("go", "Go on"),
            cautions=(BEFORE_METERING,),
            fields=self._meter_fields(),
            step=1,
        )
        percent, digits = typed["accuracy"]
        meter, loaded = Meter(percent, digits, typed["true_rms"] == "yes"), typed["loaded"] == "yes"
        outputs = [self._metered(k, meter, loaded=loaded) for k in range(1, self.looped + 1)]

        def work() -> Any:
            self._working("Calibrating the inputs …", Plugging("loop"))
            plug_simulated_loop(self._interface().inner)
            return calibrate(
                self._interface(),
                outputs,
                of_outputs=len(self.setup.outputs),
                gain=self.setup.gain,
                meter=meter,
                date=_now(),
            )

        made = self._until_it_works(lambda said: self._plug_loop(said, self.of), work)
        self.procedure._save(calibration=made)
        return calibration_sentences(made)

    def _meter_fields(self) -> tuple[Field, ...]:
        known = self.setup.calibration
        last = None if known is None else known.meter
        accuracy = USUAL_METER if last is None else f"{last.accuracy_percent:g}% + {last.digits}"
        yes_or_no = (("yes", "yes"), ("no", "no"))
        return (
            Field(
                "accuracy",
                "Accuracy on AC volts: percent of the reading, and digits",
                accuracy,
                meter_accuracy,
            ),
            Field(
                "true_rms",
                "Does it measure true RMS? It is right of this sine either way",
                "no" if last is not None and not last.true_rms else "yes",
                options=yes_or_no,
            ),
            Field(
                "loaded",
                "Where the leads are held",
                "no",
                options=(
                    ("no", "to the free plug of the cable"),
                    ("yes", "to the plug in the input: nothing need be allowed for"),
                ),
            ),
        )

    def _metered(self, output: int, meter: Meter, *, loaded: bool) -> FullScale:
        """What the meter reads at an output, while the tone is on it."""
        plugging = Plugging("meter", output, loaded)
        jack = self.setup.outputs[output - 1]

        def plug(said: Sequence[str]) -> None:
            self._ask(
                f"The meter at output {jack}",
                plugging_words(plugging, self.setup),
                Choice("go", "Start the tone"),
                plugging=plugging,
                cautions=(BEFORE_PLAYING,),
                sayings=said,
                step=output + 1,
            )

        def read() -> tuple[float, float]:
            interface = self._interface()
            shown = simulated_volts(interface.inner, len(self.setup.outputs))
            plug_simulated_meter(interface.inner, loaded=loaded)
            of = len(self.setup.outputs)
            _, typed = self._ask(
                f"The tone is on output {jack}",
                "Type what the meter shows, with all its digits.",
                Choice("go", "Go on"),
                plugging=plugging,
                sayings=("This rig is simulated, and so is what its meter shows.",)
                if shown
                else (),
                fields=(
                    Field(
                        "volts",
                        f"The meter reads at output {jack}, in V (or with mV behind it)",
                        shown[output - 1] if shown else "",
                        meter_reading,
                    ),
                ),
                sound=calibration_tone(interface.samplerate, output, of, seconds=TONE_SECONDS),
                step=output + 1,
            )
            volts: tuple[float, float] = typed["volts"]
            return volts

        volts, digit = self._until_it_works(plug, read)
        return output_full_scale(output, volts, digit, meter, loaded=loaded)

    def _check(self) -> tuple[str, ...]:
        made = self.setup.calibration
        assert made is not None

        def work() -> Any:
            self._working("Listening to the loop …", Plugging("loop"))
            return check_loop(
                self._interface(),
                made,
                gain=self.setup.gain,
                outputs=len(self.setup.outputs),
                now=datetime.now().astimezone(),
            )

        return check_sentences(self._until_it_works(self._plug_loop, work))

    def _limits(self) -> tuple[str, ...]:
        self.of = 2 if self.setup.outputs else 1

        def silence() -> Any:
            self._working("Listening to the inputs …", Plugging("shorted"))
            plug_simulated_shorts(self._interface().inner)
            return own_noise(self._interface())

        def loop() -> Any:
            plug_simulated_loop(self._interface().inner)
            return own_loop(
                self._interface(),
                outputs=len(self.setup.outputs),
                progress=lambda words: self._working(f"Measuring {words} …", Plugging("loop")),
            )

        readings = self._until_it_works(self._plug_shorts, silence)
        if self.setup.outputs:
            readings += self._until_it_works(lambda said: self._plug_loop(said, 2), loop)
        made = RigLimits(_now(), self._interface().samplerate, self.setup.gain, readings)
        self.procedure._save(limits=made)
        return limit_sentences(made)

    def _test(self) -> tuple[str, ...]:
        def work() -> Any:
            self._working("Playing the test …", Plugging("loop"))
            interface = self._interface()
            return run_path_test(
                interface,
                outputs=len(self.setup.outputs),
                expected_loop_dbfs=loop_dbfs(self.setup, interface.channels),
            )

        done = self._until_it_works(self._plug_loop, work)
        self.procedure._save(test=rig_test_of(done, _now()))
        return finding_sentences(done, this_system())

    # what they share

    def _plug_loop(self, said: Sequence[str], step: int = 1) -> None:
        self._ask(
            "Loopback cables",
            plugging_words(Plugging("loop"), self.setup),
            Choice("go", "They are in: play"),
            plugging=Plugging("loop"),
            cautions=(BEFORE_PLAYING,),
            sayings=said,
            step=step,
        )

    def _plug_shorts(self, said: Sequence[str]) -> None:
        self._ask(
            "Inputs with nothing on them",
            plugging_words(Plugging("shorted"), self.setup),
            Choice("go", "They are in: listen"),
            plugging=Plugging("shorted"),
            cautions=(BEFORE_PLUGGING_IN,),
            sayings=said,
            step=1,
        )

    def _until_it_works(self, ask: Callable[[Sequence[str]], None], work: Callable[[], T]) -> T:
        """Ask, then work; where a cable or a device is at fault, say so and ask again."""
        said: tuple[str, ...] = ()
        while True:
            ask(said)
            try:
                return work()
            except SignalError as exc:
                said = (str(exc),)
            except InterfaceError as exc:
                said = (str(exc),)
                self.procedure._watched = None  # it may be plugged in again meanwhile

    def _working(self, title: str, plugging: Plugging) -> None:
        self.procedure._change(
            phase="working",
            title=title,
            plugging=plugging,
            choices=(STOP,),
            sounding=plugging.kind != "shorted",
        )

    def _ask(
        self,
        title: str,
        prompt: str,
        *choices: Choice,
        step: int,
        plugging: Plugging | None = None,
        cautions: Sequence[str] = (),
        sayings: Sequence[str] = (),
        fields: tuple[Field, ...] = (),
        sound: Samples | None = None,
    ) -> tuple[Answer, dict[str, Any]]:
        """Wait for an answer, the inputs listened to and a sound played meanwhile.

        Raises
        ------
        Stopped
            If it is enough.
        SigbenchError
            If the sound cannot be played any more.
        """
        procedure = self.procedure
        procedure._change(
            phase="asking",
            number=step,
            of=self.of,
            title=title,
            prompt=prompt,
            plugging=plugging,
            cautions=tuple(cautions),
            sayings=(*sayings, *self.remarks),
            choices=(*choices, STOP),
            fields=fields,
            sounding=sound is not None,
        )
        if procedure._stopping:  # it came too late for the work before
            raise Stopped
        with ExitStack() as sounding:
            player = self._player(procedure.moment.question, sound)
            if player is None:
                return procedure._answered()
            sounding.enter_context(player)
            # Where nothing is to be heard, only the levels are gone with the device.
            return procedure._answered(player.check if sound is not None else lambda: None)

    def _player(self, asked: int, sound: Samples | None) -> Player | None:
        """What is played and listened to while a question is open."""
        procedure = self.procedure
        if procedure._watched is None:
            return None
        return Player(
            procedure._watched,
            sound,
            on_trouble=lambda: procedure._look_up(asked),
        )


def _now() -> str:
    return datetime.now().astimezone().isoformat(timespec="seconds")
