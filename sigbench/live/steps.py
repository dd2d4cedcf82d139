"""Steps of a plan, carried out one after the other: what a terminal and a page have in common.

How a person is asked, and shown a take while it is recorded, is up to a `Front`. Every finished
step is stored at once.
"""

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, replace
from typing import Literal, Protocol

from sigbench.bench.folder import Bench, new_run_id
from sigbench.bench.recording import Purpose, Recording, length_in_words
from sigbench.checks.rails import rail_key
from sigbench.errors import InterfaceError
from sigbench.interface.base import Block, Interface, level_check
from sigbench.interface.simulated import SimulatedInterface
from sigbench.live.steered import STOP, Answer, Choice
from sigbench.live.watch import Watch
from sigbench.model import Event, LongTake, Output, Rail, Run, Step, Take
from sigbench.plan import HANDS_ON
from sigbench.run import Session, carry_out, clipped_in_words, lost_in_words, stimulus_of
from sigbench.units import Volts

GO, SKIP = Choice("go", "Go"), Choice("skip", "Skip this step")

Reason = Literal["ready", "again", "level", "lost", "clipped"]
OnBlock = Callable[[Block], None]


@dataclass(frozen=True, slots=True)
class Question:
    """Something that a person has to decide.

    Parameters
    ----------
    reason : str
        Whether the step, or another take of it, may begin; or what is the matter with the level or
        with a take.
    sayings : tuple of str
        What there is to know first, a sentence each.
    choices : tuple of Choice
        The answers that there are.
    take : int
        Of the step, from 1.
    attempt : int
        How often this take was recorded, from 1.
    """

    reason: Reason
    sayings: tuple[str, ...]
    choices: tuple[Choice, ...]
    take: int = 1
    attempt: int = 1


class Front(Protocol):
    """Where a person is asked and shown things; whatever it raises ends the work."""

    alone: bool
    """Nobody is there: levels are not seen to, and a device that fails ends the work."""
    recover: str
    """The command that keeps or deletes what was left on the disk."""

    def begin(self, number: int, step: Step, session: Session) -> Sequence[str]:
        """A step begins; what there is to know before."""
        ...

    def ask(self, question: Question) -> Answer:
        """The answer to a question, one of its choices but "stop"."""
        ...

    def rails(self, rails: Sequence[Rail], shown: Mapping[str, Volts]) -> tuple[Rail, ...] | None:
        """The rails with what was measured; None skips the step.

        `shown` is what the meter of a simulated unit shows, by `rail_key`.
        """
        ...

    def listening(self) -> None:
        """The level is being listened to."""
        ...

    def level_is_fine(self, sayings: Sequence[str]) -> None:
        """It is as it should be, of each channel."""
        ...

    def taking(
        self, step: Step, take: int, watch: Watch, interface: Interface
    ) -> AbstractContextManager[OnBlock]:
        """Show a take while it is recorded; what is called with each block feeds the watch."""
        ...

    def measuring(self) -> AbstractContextManager[object]:
        """Show that a take is being measured."""
        ...


class _Anew(Exception):
    """The step has to begin with its first take again."""


class _TakeStopped(Exception):
    """The person ended a take that is of no use when it is short."""


@dataclass
class Steps:
    """The work on the steps of a unit's plan.

    Parameters
    ----------
    bench : Bench
    unit_id : str
    session : Session
    places : tuple of str
        The jacks that are moved; those of the output where none are named.
    reopen : callable
        Opens the interface anew for a step, after a device failed.
    front : Front
    """

    bench: Bench
    unit_id: str
    session: Session
    places: Sequence[str]
    reopen: Callable[[Step], Interface]
    front: Front

    def __post_init__(self) -> None:
        unit = self.bench.unit(self.unit_id)
        self.outputs = {output.name: output for output in unit.outputs}
        self._recording: Recording | None = None

    def left_on_the_disk(self) -> str | None:
        """What is there of a take that was not finished, told once, and what to do with it."""
        left, self._recording = self._recording, None
        if left is None or not left.is_left:
            return None
        return (
            f"What was recorded until then, {length_in_words(left.seconds)}, is safe; keep or "
            f"delete it with: {self.front.recover}"
        )

    def carry_out(self, number: int, step: Step) -> Run | None:
        """Carry out one step of the plan and store it; None if the person skips it.

        Raises
        ------
        InterfaceError
            If the device fails and nobody is there.
        BenchError
            If the disk takes no more.
        """
        said = self.front.begin(number, step, self.session)
        if step.check == "rails":
            run = self._rails(number, step)
        else:
            run = self._takes(number, step, said)
        if run is not None:
            self.bench.add_run(self.unit_id, run)
        return run

    # rails

    def _rails(self, number: int, step: Step) -> Run | None:
        interface = self.session.interface
        read = interface.rail_volts() if isinstance(interface, SimulatedInterface) else {}
        shown: dict[str, Volts] = {rail_key(name): (volts, None) for name, volts in read.items()}
        measured = self.front.rails(step.rails, shown)
        if measured is None:
            return None
        return carry_out(
            self.session,
            number,
            replace(step, rails=measured),
            output=None,
            run_id=new_run_id(),
            store=self.bench.store_take,
        )

    # takes

    def _takes(self, number: int, step: Step, said: Sequence[str]) -> Run | None:
        """Wait for the person, see to the level, record and measure.

        A device that fails may be plugged in again: the step then goes on as a new take.
        """
        sayings = tuple(said)
        failed = False
        self._prepare(step)
        while True:
            if self.front.ask(Question("ready", sayings, (GO, SKIP, STOP))) == "skip":
                return None
            try:
                if failed:
                    self.session = replace(self.session, interface=self.reopen(step))
                    self._prepare(step)
                    failed = False
                if not self.front.alone and not self._level_is_fine(step):
                    return None
                return self._record(number, step)
            except _Anew:
                self._discard()
                sayings = ("The step begins anew.",)
            except _TakeStopped:
                self._discard()
                sayings = ("That take was stopped and is not kept.",)
            except InterfaceError as exc:
                if self.front.alone:
                    raise
                failed = True
                left = self.left_on_the_disk()
                sayings = (str(exc),) if left is None else (str(exc), left)

    @property
    def _interface(self) -> Interface:
        assert self.session.interface is not None  # seen to before the first step
        return self.session.interface

    def _prepare(self, step: Step) -> None:
        if isinstance(self._interface, SimulatedInterface):
            self._interface.do(step)

    def _discard(self) -> None:
        if self._recording is not None:
            self._recording.discard()

    def _level_is_fine(self, step: Step) -> bool:
        """Listen for a second before the takes; False if the step is skipped."""
        if step.check == "idle":
            return True
        sound = None
        if step.stimulus is not None:
            sound = stimulus_of(step.stimulus, self._interface.samplerate, step.seconds)
        choices = (
            Choice("go", "Listen again"),
            Choice("keep", "Record all the same"),
            SKIP,
            STOP,
        )
        while True:
            self.front.listening()
            found = level_check(self._interface, stimulus=sound).channels
            channels = found[: self.outputs[step.output].channels]
            advice = tuple(f"Level of {channel.advice}." for channel in channels)
            if all(channel.fine for channel in channels):
                self.front.level_is_fine(advice)
                return True
            answer = self.front.ask(Question("level", advice, choices))
            if answer != "go":
                return answer == "keep"

    def _record(self, number: int, step: Step) -> Run:
        output = self.outputs[step.output]
        purpose = Purpose(self.unit_id, self.session.stage, number, step.check, step.output)
        shown = ExitStack()
        begun: set[int] = set()
        watch: Watch | None = None
        arrived: OnBlock | None = None

        def begin(interface: Interface, *, seconds: float, channels: int) -> Recording:
            self._recording = self.bench.begin_recording(
                interface, seconds=seconds, channels=channels, purpose=purpose
            )
            return self._recording

        def before_take(repeat: int) -> None:
            nonlocal watch, arrived
            shown.close()
            if repeat not in begun | {1} and step.check != "idle":
                said = (f"Take {repeat} of {step.repeats}: play it again.",)
                self.front.ask(Question("again", said, (GO, STOP), repeat))
            begun.add(repeat)
            watch = self._new_watch(step, output)
            arrived = shown.enter_context(self.front.taking(step, repeat, watch, self._interface))

        def on_block(block: Block) -> None:
            assert arrived is not None
            assert watch is not None
            arrived(block)
            if watch.stopped and step.check not in HANDS_ON:
                raise _TakeStopped

        def keep(take: Take | LongTake, attempt: int) -> bool:
            shown.close()
            kept = self._keep(take, attempt)
            if kept:
                shown.enter_context(self.front.measuring())
            return kept

        with shown:
            return carry_out(
                self.session,
                number,
                step,
                output=output,
                run_id=new_run_id(),
                store=self.bench.store_take,
                begin=begin,
                before_take=before_take,
                on_block=on_block,
                until=lambda: watch is not None and watch.stopped and step.check in HANDS_ON,
                keep=keep,
            )

    def _new_watch(self, step: Step, output: Output) -> Watch:
        """What a take of a step is watched with; the marks go into its recording."""

        def on_mark(mark: Event) -> None:
            if self._recording is not None:
                self._recording.mark(mark)

        return Watch(
            step.check,
            self._interface.samplerate,
            output.channels,
            step.settings,
            seconds=step.seconds,
            places=places_of(step.check, output, self.places),
            on_mark=on_mark,
        )

    def _keep(self, take: Take | LongTake, attempt: int) -> bool:
        """Whether a take is good for something; what spoils it is said, and asked about."""
        lost, clipped = lost_in_words(take), clipped_in_words(take)
        if lost is not None:
            choices = (Choice("go", "Record it again"), Choice("keep", "Keep it as it is"), STOP)
            if self.front.ask(Question("lost", (lost,), choices, attempt=attempt)) != "keep":
                return False
        if clipped is not None:
            # Takes at two positions of the gain control are no repeats of each other.
            choices = (Choice("go", "Begin the step anew"), Choice("keep", "Keep the take"), STOP)
            if self.front.ask(Question("clipped", (clipped,), choices, attempt=attempt)) != "keep":
                raise _Anew
        return True


def places_of(check: str, output: Output, named: Sequence[str]) -> tuple[str, ...]:
    """What is moved one after the other: as named, else the jacks of the output."""
    if named or check != "jack":
        return tuple(named)
    sides = (" L", " R") if output.channels == 2 else ("",)
    return tuple(f"{output.name}{side}" for side in sides)


def inputs_for(steps: Sequence[Step], outputs: Mapping[str, Output]) -> int:
    """How many inputs steps need together."""
    needed = (outputs[step.output].channels for step in steps if step.output in outputs)
    return max(needed, default=1)
