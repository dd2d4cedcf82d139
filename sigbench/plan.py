"""Plans: the ordered checks of a unit, as readable JSON files, and a good one to start from.

A plan is replayed identically at each stage, so that what differs between stages is the unit.
"""

import math
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec
from msgspec import UNSET, Struct, UnsetType

from sigbench.checks import CHECKS, CHECKS_OF_HOURS
from sigbench.checks.rails import require_rails
from sigbench.errors import FileError, RequestError
from sigbench.model import (
    DOWN_VOLUME,
    SOFT_VOLUME,
    CheckSettings,
    Limit,
    Output,
    Plan,
    Rail,
    Step,
    Unit,
)
from sigbench.units import nearest_note, note_to_frequency

LONGEST_SECONDS = 3600.0  # of one take
LONGEST_WATCH_SECONDS = 86_400.0  # of one that is watched for hours, such as a soak
MOST_REPEATS = 100
REPEATS = 4
"""Takes of each step of the default plan but the rails.

Three show the scatter, four halve what it hides (``docs/comparison.md``).
"""

TONE_SECONDS = 5.0
IDLE_SECONDS = 10.0  # twenty half-overlapping segments of a second: noise known to 0.1 dB or so
DROPOUT_SECONDS = 15.0  # time to tap and wiggle every jack and knob near by

NOTES = (("middle", "A4"), ("low", "A2"), ("high", "A6"))
SOFT_NOTE = "A4"  # the middle one again: what an amplifier does differs with level

# Limits of the default plan: common practice, no source.
BALANCE_DB = 1.5
PITCH_CENTS = 20.0
HUM_DBFS = -60.0
NOISE_A_DBFS = -65.0

DEFAULT_RAILS = (Rail("+5 V", 5.0), Rail("+15 V", 15.0), Rail("-15 V", -15.0))
"""What many line-level instruments have; common practice, no source. The schematic decides."""

RAILS_PROMPT = (
    "Multimeter on DC volts, black probe on the unit's audio ground, unit switched on and warm. "
    "Measure each rail at its test point and type in what you read, with the minus sign where "
    "there is one; leave empty what this unit does not have. A second number after a space is the "
    "ripple, on AC volts of the same meter, where you measured it. "
    "DANGER: the mains side, and the primary of a switch-mode supply, hold several hundred volts "
    "and can kill, also after unplugging, until the main capacitor is discharged: stay on the "
    "low-voltage side, one hand only, and leave the mains side to those who are trained for it; "
    "local rules come first. A rail that is missing or a blown fuse has a cause: find it before "
    "going on. Never connect the audio interface to a supply rail."
)

_NEVER = (
    "Only line or headphone outputs: never speaker outputs, never a supply rail. "
    "Phantom power off, monitors and headphones turned down."
)

_HANDS_ON_WORDS = {
    "jack": "Hold a steady note or chord (a weight on the keys leaves both hands free). Move one "
    "plug after the other, gently, to all sides; then press near each jack.",
    "pot": "Hold a steady note. Turn the volume slowly from end to end, three times there and back "
    "at least, and rest for a moment at the upper end.",
    "soak": "Hold a steady note, or none to follow noise and hum. Start with the unit cold, leave "
    "it alone, and mark what you do to it.",
}


def default_plan(
    unit: Unit, *, rails: tuple[Rail, ...] = DEFAULT_RAILS, a4_hz: float = 440.0
) -> Plan:
    """A plan that suits most instruments: rails first, then each output.

    Parameters
    ----------
    unit : Unit
        Its outputs, and its mains frequency where it is known.
    rails : tuple of Rail
        The supply rails from the schematic; with none there is no rails step.
    a4_hz : float
        Tuning of the unit.

    Returns
    -------
    Plan
        For each output: idle, idle with the volume down, a tone at a middle, a low and a high
        note, the middle one again but soft, and dropouts while the unit is tapped. The limits are
        common practice, no source; edit them for the unit.

    Raises
    ------
    RequestError
        If the unit has no outputs.
    """
    if not unit.outputs:
        raise RequestError(
            f"The unit {unit.maker} {unit.model} {unit.serial} has no outputs: "
            "name one at least, such as 'main'."
        )
    steps: list[Step] = []
    if rails:
        steps.append(Step("rails", "supply", RAILS_PROMPT, rails=tuple(rails)))
    for output in unit.outputs:
        steps += _output_steps(output, CheckSettings(a4_hz=a4_hz, mains_hz=unit.mains_hz))
    plan = Plan(f"Default plan for {unit.maker} {unit.model}".strip(), tuple(steps))
    validate(plan)
    return plan


HANDS_ON_SECONDS = {"jack": 300.0, "pot": 120.0, "soak": 3600.0}
"""How long each lasts at most, where nothing else is said; the person ends it before."""

HANDS_ON = tuple(HANDS_ON_SECONDS)
"""Checks that need a person's hands: watched, and kept when they are ended before their time."""


def hands_on_step(check: str, output: Output, settings: CheckSettings) -> Step:
    """A step for work with both hands on an output: ``jack``, ``pot`` or ``soak``.

    Raises
    ------
    RequestError
        If the check is none of them.
    """
    if check not in HANDS_ON:
        raise RequestError(f"The check '{check}' is not one for both hands: jack, pot or soak.")
    return Step(
        check,
        output.name,
        f"{_plugs(output)} {_NEVER} {_HANDS_ON_WORDS[check]}",
        seconds=HANDS_ON_SECONDS[check],
        volume="" if check == "pot" else "12 o'clock",
        gain="as at the first stage",
        settings=settings,
        limits=(Limit("dropouts", "1", None, 0.0),) if check == "jack" else (),
    )


def with_hands_on(plan: Plan, unit: Unit, check: str, output: str) -> tuple[Plan, int]:
    """The plan with a check for both hands on an output, and the number of that step.

    Returns
    -------
    Plan
        The same one, if the step is there already.
    int

    Raises
    ------
    RequestError
        If there is no such check, or the unit has no such output.
    """
    chosen = next((one for one in unit.outputs if one.name == output), None)
    if chosen is None:
        there = ", ".join(one.name for one in unit.outputs)
        raise RequestError(f"The unit has no output '{output}': choose one of {there}.")
    step = hands_on_step(check, chosen, CheckSettings(mains_hz=unit.mains_hz))
    for number, known in enumerate(plan.steps, start=1):
        if (known.check, known.output) == (check, output):
            return plan, number
    longer = replace(plan, steps=(*plan.steps, step))
    validate(longer)
    return longer, len(longer.steps)


def save_plan(plan: Plan, path: str | Path) -> None:
    """Write a plan as a JSON file that can be read and edited by hand.

    Raises
    ------
    RequestError
        If the plan is not valid; nothing is written then.
    FileError
        If the file cannot be written.
    """
    text = plan_to_json(plan)
    try:
        Path(path).write_bytes(text)
    except OSError as exc:
        raise FileError(
            f"The plan cannot be written to {path} ({exc.strerror}): choose another place."
        ) from exc


def load_plan(path: str | Path) -> Plan:
    """Read a plan from its JSON file.

    Raises
    ------
    FileError
        If there is no such file, or it is no valid plan; the sentence names step and field.
    """
    try:
        text = Path(path).read_bytes()
    except OSError as exc:
        raise FileError(
            f"The plan {path} cannot be read ({exc.strerror}): check the name."
        ) from exc
    return plan_from_json(text, origin=str(path))


def plan_to_json(plan: Plan) -> bytes:
    """The text of a plan file in UTF-8.

    Raises
    ------
    RequestError
        If the plan is not valid.
    """
    validate(plan)
    document = {"plan": plan.name, "steps": [_to_file(step) for step in plan.steps]}
    return msgspec.json.format(msgspec.json.encode(document), indent=2) + b"\n"


def plan_from_json(text: bytes | str, *, origin: str = "this text") -> Plan:
    """A plan from the text of its file.

    Parameters
    ----------
    text : bytes or str
    origin : str
        What to call it in the error, such as the path of the file.

    Raises
    ------
    FileError
        If it is no valid plan; the sentence names step and field.
    """
    try:
        document = msgspec.json.decode(text)
    except (msgspec.DecodeError, UnicodeDecodeError) as exc:
        raise FileError(
            f"{origin} is no JSON ({exc}): a comma or a quotation mark may be missing there."
        ) from exc
    try:
        whole = msgspec.convert(document, _PlanFile)
    except msgspec.ValidationError as exc:
        raise FileError(f"{origin} is no plan: {_in_words(exc)}.") from exc
    steps = [_from_file(step, number, origin) for number, step in enumerate(whole.steps, start=1)]
    plan = Plan(whole.plan, tuple(steps))
    try:
        validate(plan)
    except RequestError as exc:
        raise FileError(f"{origin}: {exc}") from exc
    return plan


def step_of(plan: Plan, number: int) -> Step:
    """The step of a number, from 1.

    Raises
    ------
    RequestError
        If the plan has none.
    """
    if not 1 <= number <= len(plan.steps):
        raise RequestError(
            f"The plan '{plan.name}' has steps 1 to {len(plan.steps)}, and no step {number}."
        )
    return plan.steps[number - 1]


def validate(plan: Plan) -> None:
    """Check that a plan can be carried out.

    Raises
    ------
    RequestError
        If it cannot: one sentence that names the step and the field.
    """
    if not plan.name.strip():
        raise RequestError("The plan has no name: give it one in the field 'plan'.")
    if not plan.steps:
        raise RequestError(f"The plan '{plan.name}' has no steps: give it one at least.")
    for number, step in enumerate(plan.steps, start=1):
        _validate_step(step, f"Step {number}")


def _output_steps(output: Output, settings: CheckSettings) -> list[Step]:
    pair = output.channels == 2
    volume = "12 o'clock"
    plugs = _plugs(output)
    hum = Limit("hum_total", "dBFS", None, HUM_DBFS)
    balance = (Limit("balance", "dB", -BALANCE_DB, BALANCE_DB),) if pair else ()
    polarity = (Limit("polarity", "", 1.0, 1.0),) if pair else ()
    pitch = Limit("pitch_error", "cents", -PITCH_CENTS, PITCH_CENTS)

    def step(
        check: str,
        prompt: str,
        seconds: float,
        limits: tuple[Limit, ...],
        *,
        volume: str = volume,
        frequency: float | None = settings.frequency_hz,
    ) -> Step:
        return Step(
            check,
            output.name,
            f"{plugs} {prompt}",
            seconds,
            REPEATS,
            volume=volume,
            gain="as at the first stage",
            settings=replace(settings, frequency_hz=frequency),
            limits=limits,
        )

    notes = [(where, note, note_to_frequency(note, a4_hz=settings.a4_hz)) for where, note in NOTES]
    return [
        step(
            "idle",
            f"{_NEVER} Unit on, volume at {volume}, effects off. Play nothing and touch nothing.",
            IDLE_SECONDS,
            (Limit("noise_a", "dBFS", None, NOISE_A_DBFS), hum),
        ),
        step(
            "idle",
            f"{_NEVER} Everything as before, but the volume fully down. Play nothing and touch "
            "nothing: what hisses or hums now gets in behind the volume control.",
            IDLE_SECONDS,
            (hum,),
            volume=DOWN_VOLUME,
        ),
        *(
            step(
                "tone",
                f"Volume at {volume}. Choose a plain, steady sound without effects, "
                f"a sine or flute if there is one, and the same at every stage. "
                f"Hold {note} ({where} note, {frequency:.1f} Hz) before the take starts and until "
                "it has ended; strike it alike each time.",
                TONE_SECONDS,
                (pitch, *balance, *polarity),
                frequency=frequency,
            )
            for where, note, frequency in notes
        ),
        step(
            "tone",
            f"The same sound. Hold {SOFT_NOTE} once more, far softer: with a light touch or, where "
            "touch makes no difference, with the volume at 9 o'clock; the same way at every stage. "
            "Leave the gain as it is.",
            TONE_SECONDS,
            (pitch, *polarity),
            volume=SOFT_VOLUME,
            frequency=note_to_frequency(SOFT_NOTE, a4_hz=settings.a4_hz),
        ),
        step(
            "dropouts",
            f"Volume at {volume}. Hold a steady note or chord (a weight on the keys leaves both "
            "hands free). Tap the case, wiggle the plugs, press near the jacks: gently, from "
            "outside, the same round each time.",
            DROPOUT_SECONDS,
            (Limit("dropouts", "1", None, 0.0),),
        ),
    ]


def _plugs(output: Output) -> str:
    if output.channels == 1:
        plugs = f"Plug {output.name} into input 1."
    elif output.channels == 2:
        plugs = f"Plug {output.name} L and R into inputs 1 and 2."
    else:
        plugs = f"Plug {output.name} into inputs 1 to {output.channels}, in order."
    if any(word in output.name.lower() for word in ("phone", "headphone")):
        plugs += (
            " A headphone output: take the headphones off first, use a stereo-to-two-mono cable, "
            "and start with the volume down."
        )
    return plugs


class _PlanFile(Struct, forbid_unknown_fields=True):
    plan: str
    steps: list[Any]


class _LimitFile(Struct, forbid_unknown_fields=True):
    reading: str
    unit: str
    low: float | None = None
    high: float | None = None


class _RailFile(Struct, forbid_unknown_fields=True):
    name: str
    nominal_volts: float
    tolerance_percent: float = 5.0
    measured_volts: float | None = None
    ripple_volts: float | None = None


class _StepFile(Struct, forbid_unknown_fields=True, omit_defaults=True):
    check: str
    output: str
    prompt: str
    seconds: float = 5.0
    repeats: int = 1
    stimulus: str | None = None
    volume: str = ""
    gain: str = ""
    note: str | UnsetType = UNSET
    frequency_hz: float | UnsetType = UNSET
    a4_hz: float = 440.0
    mains_hz: float | None = None
    driven_channel: int | None = None
    taper: str | None = None
    limits: list[_LimitFile] = []
    rails: list[_RailFile] = []


def _to_file(step: Step) -> _StepFile:
    settings = step.settings
    note: str | UnsetType = UNSET
    frequency: float | UnsetType = UNSET
    if settings.frequency_hz is not None:
        name = _exact_note(settings.frequency_hz, settings.a4_hz)
        note, frequency = (name, UNSET) if name else (UNSET, settings.frequency_hz)
    return _StepFile(
        check=step.check,
        output=step.output,
        prompt=step.prompt,
        seconds=step.seconds,
        repeats=step.repeats,
        stimulus=step.stimulus,
        volume=step.volume,
        gain=step.gain,
        note=note,
        frequency_hz=frequency,
        a4_hz=settings.a4_hz,
        mains_hz=settings.mains_hz,
        driven_channel=settings.driven_channel,
        taper=settings.taper,
        limits=[_LimitFile(x.reading, x.unit, x.low, x.high) for x in step.limits],
        rails=[
            _RailFile(
                r.name, r.nominal_volts, r.tolerance_percent, r.measured_volts, r.ripple_volts
            )
            for r in step.rails
        ],
    )


def _exact_note(frequency_hz: float, a4_hz: float) -> str | None:
    """The note whose frequency is this one to the last bit, so that reading it back is exact."""
    name, _ = nearest_note(frequency_hz, a4_hz=a4_hz)
    if re.fullmatch(r"[A-G]#?-?\d", name) is None:
        return None
    return name if note_to_frequency(name, a4_hz=a4_hz) == frequency_hz else None


def _from_file(step: object, number: int, origin: str) -> Step:
    where = f"{origin}: step {number}"
    try:
        file = msgspec.convert(step, _StepFile)
    except msgspec.ValidationError as exc:
        raise FileError(f"{where}: {_in_words(exc)}.") from exc
    frequency = None if file.frequency_hz is UNSET else file.frequency_hz
    if file.note is not UNSET:
        if frequency is not None:
            raise FileError(
                f"{where}: 'note' and 'frequency_hz' are both given: leave one of them out."
            )
        try:
            _require_positive(file.a4_hz, "field 'a4_hz'")
            frequency = note_to_frequency(file.note, a4_hz=file.a4_hz)
        except RequestError as exc:
            raise FileError(f"{where}, field 'note': {exc}") from exc
    return Step(
        file.check,
        file.output,
        file.prompt,
        file.seconds,
        file.repeats,
        file.stimulus,
        file.volume,
        file.gain,
        CheckSettings(frequency, file.a4_hz, file.mains_hz, file.driven_channel, file.taper),
        tuple(Limit(x.reading, x.unit, x.low, x.high) for x in file.limits),
        tuple(
            Rail(r.name, r.nominal_volts, r.tolerance_percent, r.measured_volts, r.ripple_volts)
            for r in file.rails
        ),
    )


def _in_words(error: msgspec.ValidationError) -> str:
    """The decoder's message as a plain clause that names the field."""
    text, _, place = str(error).partition(" - at `$")
    field = place.rstrip("`").lstrip(".")
    unknown = re.search(r"unknown field `(.*)`", text)
    if unknown:
        inside = f" in '{field}'" if field else ""
        return f"there is no field '{unknown[1]}'{inside}: check its spelling or take it out"
    missing = re.search(r"missing required field `(.*)`", text)
    if missing:
        inside = f" in '{field}'" if field else ""
        return f"the field '{missing[1]}' is missing{inside}"
    kinds = {
        "`str`": "a text in quotation marks",
        "`float`": "a number",
        "`int`": "a whole number",
        "`object`": "an object in braces",
        "`array`": "a list in square brackets",
        "`null`": "null",
        "`bool`": "true or false",
    }
    clause = text
    for kind, words in kinds.items():
        clause = clause.replace(kind, words)
    wanted = re.fullmatch(r"Expected `(.*)`, got (.*)", clause)
    if wanted:
        options = [kinds.get(f"`{kind.strip()}`", kind) for kind in wanted[1].split("|")]
        clause = f"expected {' or '.join(options)}, got {wanted[2]}"
    clause = clause[0].lower() + clause[1:]
    return f"field '{field}': {clause}" if field else clause


def _validate_step(step: Step, where: str) -> None:
    if step.check not in CHECKS:
        raise RequestError(
            f"{where}, field 'check': there is no check '{step.check}'; "
            f"choose one of {', '.join(CHECKS)}."
        )
    if not step.output.strip():
        raise RequestError(f"{where}, field 'output': name the output, such as 'main'.")
    longest = LONGEST_WATCH_SECONDS if step.check in CHECKS_OF_HOURS else LONGEST_SECONDS
    if not (math.isfinite(step.seconds) and 0 < step.seconds <= longest):
        raise RequestError(
            f"{where}, field 'seconds': a take of {step.seconds:g} s cannot be recorded; "
            f"give a length above 0 and up to {longest:g} s."
        )
    if not 1 <= step.repeats <= MOST_REPEATS:
        raise RequestError(
            f"{where}, field 'repeats': {step.repeats} repeats cannot be done; "
            f"give 1 to {MOST_REPEATS}."
        )
    settings = step.settings
    for field in ("frequency_hz", "a4_hz", "mains_hz"):
        value = getattr(settings, field)
        if value is not None:
            _require_positive(value, f"{where}, field '{field}'")
    if settings.driven_channel is not None and settings.driven_channel < 1:
        raise RequestError(
            f"{where}, field 'driven_channel': channels count from 1, "
            f"so {settings.driven_channel} is none."
        )
    if settings.taper is not None:
        from sigbench.measure.taper import taper_named

        try:
            taper_named(settings.taper)
        except RequestError as exc:
            raise RequestError(f"{where}, field 'taper': {exc}") from exc
    for limit in step.limits:
        _validate_limit(limit, where)
    if step.rails and step.check != "rails":
        raise RequestError(
            f"{where}, field 'rails': only a rails step has rails, and this is a {step.check} step."
        )
    if step.check == "rails":
        if not step.rails:
            raise RequestError(
                f"{where}, field 'rails': list the supply rails with name and nominal_volts, "
                "or take the step out."
            )
        try:
            require_rails(step.rails)
        except RequestError as exc:
            raise RequestError(f"{where}, field 'rails': {exc}") from exc
        for rail in step.rails:
            for what, volts in (("voltage", rail.measured_volts), ("ripple", rail.ripple_volts)):
                if volts is not None and not math.isfinite(volts):
                    raise RequestError(
                        f"{where}, field 'rails': the measured {what} of '{rail.name}' is no "
                        "number."
                    )


def _validate_limit(limit: Limit, where: str) -> None:
    if not limit.reading.strip():
        raise RequestError(f"{where}, field 'limits': a limit does not say of which reading.")
    of = f"{where}, field 'limits': the limit of {limit.reading}"
    bounds = [b for b in (limit.low, limit.high) if b is not None]
    if not bounds:
        raise RequestError(f"{of} has neither 'low' nor 'high': give one of them.")
    if not all(math.isfinite(b) for b in bounds):
        raise RequestError(f"{of} is no finite number: leave an open side out.")
    if limit.low is not None and limit.high is not None and limit.low > limit.high:
        raise RequestError(
            f"{of} has its low end ({limit.low:g}) above its high end ({limit.high:g}): swap them."
        )


def _require_positive(value: float, where: str) -> None:
    if not (math.isfinite(value) and value > 0):
        raise RequestError(f"{where}: {value:g} Hz is no frequency; give one above 0 Hz.")
