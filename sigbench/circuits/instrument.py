"""Line-level instruments as circuits: supply, output amplifiers, headphone stage, jacks.

The netlist is written for ngspice, and is the same for a good unit and a faulty one: a fault is
another value of a part. Every output is recorded by itself, with nothing else plugged in.

::

    winding ─► bridge ─► reservoir ─► two regulators (and the load of the +5 V one)
                                          │
    voice ─► dual pot ─► line amplifier ─► coupling capacitor ─► mute transistor ─► main jack
                   └───► headphone amplifier ───────────────────────────────────► phones jack

There are two designs. In the one with two rails at the line amplifier, that amplifier stands
between +15 V and -15 V and the headphone stage on +15 V alone, behind a capacitor. In the one with
one rail there, the line amplifier is an inverting one on +12 V, and the headphone stage stands
between both rails with no capacitor behind it.

Values are those of ordinary line-level instruments: common practice, no source.
"""

from dataclasses import dataclass

import numpy as np

OPEN_OHMS = 1e9
LOAD_OHMS = 20e3
"""Input of an audio interface for line level; common practice, no source."""

SIDES = ("l", "r")
OUTPUTS = ("main", "phones")


@dataclass(frozen=True, slots=True)
class Channel:
    """The parts that one side of the instrument has for itself."""

    coupling_farads: float = 22e-6
    coupling_esr_ohms: float = 0.5
    coupling_leak_ohms: float = OPEN_OHMS
    phones_farads: float = 220e-6
    phones_esr_ohms: float = 0.3
    phones_leak_ohms: float = OPEN_OHMS
    mute_amperes: float = 0.0
    """Into the base of the mute transistor; 0 holds it off with a negative voltage."""
    amplifier_offset_volts: float = 0.0005
    """At the input; some tenths of a volt are an input stage that has failed: the output sits at
    a rail."""
    phones_offset_volts: float = 0.0005
    phones_bias_volts: float = 1.32
    """Between the bases of the output pair; without it they pass zero one after the other."""
    rejection: float = 2e-4
    """Of a rail, to the input of the amplifier."""
    wiper_ohms: float = 5.0
    worn: tuple[tuple[float, float], ...] = ()
    """Places of the volume control's travel where the wiper loses the track, as shares of it."""
    worn_ohms: float = 3e5
    gang: float = 1.0
    noise_volts: float = 6e-6
    """RMS at the output, 20 Hz to 20 kHz; added to what the circuit gives, which has none."""
    source_noise_volts: float = 3e-6
    """The same from before the volume control, as it were with the control fully up."""
    heat_noise: float = 1.06
    """What the amplifier's noise grows by when it is hot: thermal noise goes with the root of
    the absolute temperature, here from 20 to 60 degrees (textbook)."""


@dataclass(frozen=True, slots=True)
class Opening:
    """A contact that opens for moments while a note is held.

    Parameters
    ----------
    contact : str
        ``rail +``, ``rail -``, ``tip main l`` and so on, or ``sleeve main``.
    spans : tuple of (float, float)
        When it is open, in seconds from the start of the held note.
    ohms : float
        What it has then.
    """

    contact: str
    spans: tuple[tuple[float, float], ...]
    ohms: float = 1e7


@dataclass(frozen=True, slots=True)
class Parts:
    """The parts of one instrument; the defaults are a good one, with two rails at the line."""

    line_rails: int = 2
    """Of the line amplifier: 2 or 1; see the two designs above."""
    nominal_volts: float = 15.0
    opening: Opening | None = None
    mains_hz: float = 50.0
    secondary_volts: float = 17.0
    winding_ohms: float = 0.8
    diode_ohms: tuple[float, float, float, float] = (0.05, 0.05, 0.05, 0.05)
    reservoir_farads: tuple[float, float] = (3300e-6, 2200e-6)
    reservoir_esr_ohms: tuple[float, float] = (0.08, 0.1)
    heat_farads: float = 1.0
    """What the reservoirs' capacitance grows by when they are hot, and the series resistance
    falls by: the electrolyte conducts better. Little for young ones."""
    heat_opens: bool = False
    """Whether a joint at a rail opens when its board is heated."""
    digital_amperes: float = 0.22
    positive_volts: float = 15.0
    negative_volts: float = -15.0
    joint_ohms: tuple[float, float] = (0.02, 0.02)
    rejection: float = 1e-3
    """Of a regulator, of the ripple before it."""
    oscillation_volts: float = 0.0
    oscillation_hz: float = 7000.0
    rail_load_ohms: float = 330.0
    bypass_farads: float = 100e-6
    sleeve_ohms: tuple[float, float] = (0.05, 0.05)
    """Of the main and the phones jack."""
    leakage_amperes: float = 80e-6
    """RMS, from the mains through the supply's own capacitances, out through the cable."""
    inverter_volts: float = 0.0
    """Of the display's light, on the audio ground."""
    inverter_hz: float = 490.0
    voice_drive: float = 0.0
    """How far a loud note drives what plays it beyond its straight part; 0 is a clean voice."""
    voice_lean: float = 0.0
    """How far that part lies off its middle, by the same measure."""
    volume: float = 0.5
    left: Channel = Channel()
    right: Channel = Channel()

    @property
    def sides(self) -> tuple[Channel, Channel]:
        """Both channels."""
        return self.left, self.right


@dataclass(frozen=True, slots=True)
class Tone:
    """A part of the simulated time in which the voice plays one sine, or nothing."""

    name: str
    hertz: float
    volts: float
    start: float
    seconds: float


SETTLING_SECONDS = 0.1
GAP_SECONDS = 0.1  # to settle; and every piece begins at the same phase of mains and note
FADE_SECONDS = 0.05  # slow, for a note that starts at once leaves a charge in every capacitor
PIECE_SECONDS = 0.1
"""Whole periods of 50 Hz, of 60 Hz and of every tone: the piece can be repeated for ever."""
HELD_SECONDS = 0.9  # of the note during which a contact opens
WARMING_SECONDS = 0.9  # of the note during which the reservoirs grow hot: hours of a real one

LOUD_VOLTS, QUIET_VOLTS = 4.0, 0.12  # peak, at the top of the pot


def programme(parts: Parts) -> tuple[Tone, ...]:
    """What is played: nothing, a note at two levels, a low note; one held while a contact opens.

    And one held while the reservoirs grow hot, where that changes them.
    """
    tones = [
        ("idle", 0.0, 0.0, PIECE_SECONDS),
        ("loud", 440.0, LOUD_VOLTS, PIECE_SECONDS),
        ("quiet", 440.0, QUIET_VOLTS, PIECE_SECONDS),
        ("low", 70.0, LOUD_VOLTS, PIECE_SECONDS),
    ]
    if parts.opening is not None:
        tones.append(("held", 440.0, LOUD_VOLTS, HELD_SECONDS))
    if parts.heat_farads != 1:
        tones.append(("warming", 440.0, LOUD_VOLTS, WARMING_SECONDS))
    found, at = [], SETTLING_SECONDS
    for name, hertz, volts, seconds in tones:
        found.append(Tone(name, hertz, volts, at, seconds))
        at += seconds + GAP_SECONDS
    return tuple(found)


def netlist(parts: Parts, *, tones: tuple[Tone, ...] | None = None) -> str:
    """The circuit in ngspice's language, without an analysis.

    Its outputs are the nodes ``main_l``, ``main_r``, ``phones_l``, ``phones_r``, each against the
    ground of the interface at that cable, ``ground_main`` or ``ground_phones``. The voice is also
    an AC source of 1 V.
    """
    tones = programme(parts) if tones is None else tones
    lines = ["* an instrument's supply and output stages", *_models(), *_supply(parts, tones)]
    lines += [*_voice(parts, tones), *_gate(parts, tones)]
    for side, channel in zip(SIDES, parts.sides, strict=True):
        lines += _control(side, channel, parts)
        if parts.line_rails == 2:
            lines += _line_of_two_rails(side, channel, parts)
            lines += _phones_of_one_rail(side, channel, parts)
        else:
            lines += _line_of_one_rail(side, channel, parts)
            lines += _phones_of_two_rails(side, channel, parts)
        lines += _to_main(side, channel, parts)
    lines += _cables(parts)
    return "\n".join(lines) + "\n"


def _gate(p: Parts, tones: tuple[Tone, ...]) -> list[str]:
    """A node ``gate`` of 1 V while the opening contact is open."""
    held = next((tone for tone in tones if tone.name == "held"), None)
    if p.opening is None or held is None:
        return []
    edge = 20e-6  # a contact opens in microseconds; the solver likes a little more
    corners = ["0 0"]
    for start, end in p.opening.spans:
        corners += [f"{held.start + start:.9g} 0", f"{held.start + start + edge:.9g} 1"]
        corners += [f"{held.start + end:.9g} 1", f"{held.start + end + edge:.9g} 0"]
    return [f"Vgate gate 0 PWL({' '.join(corners)})"]


def _contact(p: Parts, contact: str, ends: str, ohms: float) -> str:
    """A resistance between two nodes, which opens for moments if it is the one that does."""
    name = contact.replace(" ", "").replace("+", "p").replace("-", "n")
    if p.opening is None or p.opening.contact != contact:
        return f"R{name} {ends} {ohms:.6g}"
    closed, opened = 1 / ohms, 1 / p.opening.ohms
    # Along a straight line in log conductance the solver finds its way.
    rate = np.log(opened / closed)
    return f"B{name} {ends} I=v({ends.replace(' ', ',')})*{closed:.6g}*exp({rate:.6g}*v(gate))"


def _models() -> list[str]:
    return [
        ".model rectifier D(IS=1e-9 N=1.6)",
        ".model npn NPN(BF=150 IS=1e-14 RB=20)",
        ".model pnp PNP(BF=150 IS=1e-14 RB=20)",
        ".model mute NPN(BF=300 BR=40 IS=1e-14)",
    ]


def _heat(p: Parts, tones: tuple[Tone, ...]) -> str | None:
    """How hot the reservoirs are, from 0 to 1, as an expression in time; None for as they are."""
    warming = next((tone for tone in tones if tone.name == "warming"), None)
    if warming is None:
        return None
    # The last piece is hot throughout.
    lasts = WARMING_SECONDS - PIECE_SECONDS
    return f"min(max((time-{warming.start:.6g})/{lasts:.6g},0),1)"


def _reservoir(
    name: str, raw: str, farads: float, esr: float, p: Parts, heat: str | None
) -> list[str]:
    if heat is None:
        return [f"Cres{name} {raw} e{name} {farads:.6g}", f"Resr{name} e{name} 0 {esr:.6g}"]
    grows = f"(1+{p.heat_farads - 1:.6g}*{heat})"
    falls = f"(1+{p.heat_farads**2 - 1:.6g}*{heat})"  # faster than the capacitance grows
    return [
        f"Cres{name} {raw} e{name} C='{farads:.6g}*{grows}'",
        f"Besr{name} e{name} 0 I=v(e{name})/{esr:.6g}*{falls}",
    ]


def _supply(p: Parts, tones: tuple[Tone, ...]) -> list[str]:
    peak = p.secondary_volts * np.sqrt(2)
    full = peak - 2.0  # after the bridge
    lines = [
        # The direct voltage is for the small-signal analysis: the rails are up in it.
        f"Vsec1 w1 0 DC {peak:.6g} SIN(0 {peak:.6g} {p.mains_hz})",
        f"Vsec2 0 w2 DC {peak:.6g} SIN(0 {peak:.6g} {p.mains_hz})",
        f"Rw1 w1 a1 {p.winding_ohms:.6g}",
        f"Rw2 w2 a2 {p.winding_ohms:.6g}",
    ]
    ends = (("a1", "rawp"), ("a2", "rawp"), ("rawn", "a1"), ("rawn", "a2"))
    for number, ((anode, cathode), ohms) in enumerate(zip(ends, p.diode_ohms, strict=True), 1):
        lines += [
            f"Rd{number} {anode} d{number} {ohms:.6g}",
            f"D{number} d{number} {cathode} rectifier",
        ]
    heat = _heat(p, tones)
    for name, raw, farads, esr, sign in (
        ("p", "rawp", p.reservoir_farads[0], p.reservoir_esr_ohms[0], 1),
        ("n", "rawn", p.reservoir_farads[1], p.reservoir_esr_ohms[1], -1),
    ):
        volts = p.positive_volts if sign > 0 else p.negative_volts
        joint = p.joint_ohms[0 if sign > 0 else 1]
        # The size of the regulated voltage: the smaller one of what is wanted and what the
        # ripple leaves; the knee is rounded by a tenth of a volt.
        wanted = f"({abs(volts):.6g}+{p.rejection:.6g}*({sign}*v({raw})-{full:.6g}))"
        left = f"({sign}*v({raw})-1.8)"
        smaller = f"0.5*({wanted}+{left}-sqrt(({wanted}-{left})*({wanted}-{left})+0.01))"
        swing = (
            f"+{p.oscillation_volts:.6g}*sin(6.283185307*{p.oscillation_hz:.6g}*time)"
            if sign > 0 and p.oscillation_volts
            else ""
        )
        rail = "vcc" if sign > 0 else "vee"
        lines += [
            *_reservoir(name, raw, farads, esr, p, heat),
            f".ic v(e{name})=0 v({raw})={sign * full:.6g}",
            f"Breg{name} reg{name} 0 V={sign}*({smaller}){swing}",
            f"Vsense{name} reg{name} ro{name} 0",
            f"Bdraw{name} {raw} 0 I=i(Vsense{name})",
            f"Rout{name} ro{name} rail{name} 0.15",
            _contact(p, "rail +" if sign > 0 else "rail -", f"rail{name} {rail}", joint),
            f"Rload{name} {rail} 0 {p.rail_load_ohms:.6g}",
            f"Rbyp{name} {rail} by{name} 0.3",
            f"Cbyp{name} by{name} 0 {p.bypass_farads:.6g}",
        ]
    # The +5 V regulator takes the current of the logic, whatever its input does.
    lines.append(f"Idigital rawp 0 {p.digital_amperes:.6g}")
    # The display's light: pulses on the ground that the amplifiers refer to.
    f = p.inverter_hz
    wave = "+".join(f"{1 / k:.4g}*sin(6.283185307*{f * k:.6g}*time)" for k in (1, 2, 3, 5))
    lines.append(f"Binverter agnd 0 V={p.inverter_volts:.6g}*({wave})")
    return lines


def _voice(p: Parts, tones: tuple[Tone, ...]) -> list[str]:
    sounds = [t for t in tones if t.volts > 0]
    parts = []
    for tone in sounds:
        start, end = tone.start - FADE_SECONDS - 0.01, tone.start + tone.seconds + 0.015
        up = f"min(max((time-{start:.6g})/{FADE_SECONDS},0),1)"
        down = f"min(max(({end:.6g}-time)/0.01,0),1)"
        share = f"(0.5-0.5*cos(3.14159265*{up}*{down}))"
        parts.append(f"{tone.volts:.6g}*{share}*sin(6.283185307179586*{tone.hertz:.6g}*time)")
    wave = "+".join(parts) or "0"
    if p.voice_drive:
        drive, lean = p.voice_drive / LOUD_VOLTS, np.tanh(p.voice_lean)
        slope = drive * (1 - lean**2)  # a soft note is as loud as without
        wave = f"(tanh({drive:.6g}*({wave})+{p.voice_lean:.6g})-{lean:.9g})/{slope:.6g}"
    return [f"Bvoice voice0 0 V={wave}", "Vac voice voice0 DC 0 AC 1"]


def _amplifier(
    name: str, plus: str, minus: str, out: str, high: str, low: str, psr: str
) -> list[str]:
    """An operational amplifier: 1 MHz, 1.2 V/us, stops 1.3 V before its rails."""
    top, bottom = f"(v({high})-1.3)", f"(v({low})+1.3)"
    upper = f"0.5*(v(x{name})+{top}-sqrt((v(x{name})-{top})*(v(x{name})-{top})+0.002))"
    return [
        f"Bin{name} 0 x{name} I=0.02*tanh(5*(v({plus})-v({minus})+{psr}))",
        f"Rx{name} x{name} 0 1meg",
        f"Cx{name} x{name} 0 16n",
        f"Bup{name} u{name} 0 V={upper}",
        f"Blim{name} y{name} 0 V=0.5*(v(u{name})+{bottom}"
        f"+sqrt((v(u{name})-{bottom})*(v(u{name})-{bottom})+0.002))",
        # What winds up beyond the limits is drained, as the clamps of a real one do.
        f"Bclamp{name} x{name} 0 I=0.05*(v(x{name})-v(y{name}))",
        f"Ro{name} y{name} {out} 40",
    ]


def _control(side: str, c: Channel, p: Parts) -> list[str]:
    travel = p.volume * c.gang
    return [
        f"Cin{side} voice top{side} 10u",
        f"Rtop{side} top{side} wip{side} {10e3 * (1 - travel) + 1:.6g}",
        f"Rbot{side} wip{side} 0 {10e3 * travel + 1:.6g}",
        f"Rwip{side} wip{side} in{side} {c.wiper_ohms:.6g}",
        f"Rin{side} in{side} agnd 100k",
    ]


def _line_of_two_rails(side: str, c: Channel, p: Parts) -> list[str]:
    psr = f"{c.rejection:.6g}*(v(vcc)-{p.nominal_volts:.6g})"
    psr += f"+{0.6 * c.rejection:.6g}*(v(vee)+{p.nominal_volts:.6g})"
    psr += f"+{c.amplifier_offset_volts:.6g}"
    return [
        *_amplifier(f"m{side}", f"in{side}", f"fb{side}", f"om{side}", "vcc", "vee", psr),
        f"Rf{side} om{side} fb{side} 10k",
        f"Rg{side} fb{side} agnd 10k",
    ]


def _line_of_one_rail(side: str, c: Channel, p: Parts) -> list[str]:
    psr = f"{c.rejection:.6g}*(v(vcc)-{p.nominal_volts:.6g})+{c.amplifier_offset_volts:.6g}"
    return [
        f"Rma{side} vcc mid{side} 22k",
        f"Rmb{side} mid{side} agnd 22k",
        f"Cmb{side} mid{side} agnd 100u",
        *_amplifier(f"m{side}", f"mid{side}", f"fb{side}", f"om{side}", "vcc", "0", psr),
        f"Cim{side} in{side} im{side} 2.2u",
        f"Rg{side} im{side} fb{side} 47k",
        f"Rf{side} om{side} fb{side} 68k",
    ]


def _to_main(side: str, c: Channel, p: Parts) -> list[str]:
    """From the line amplifier to the main jack, and the interface's input there."""
    base = (
        [f"Ibase{side} 0 b{side} {c.mute_amperes:.6g}", f"Rbase{side} b{side} 0 1meg"]
        if c.mute_amperes
        else [f"Vbase{side} b0{side} 0 -5", f"Rbase{side} b0{side} b{side} 10k"]
    )
    return [
        f"Rs{side} om{side} oc{side} 100",
        f"Resr{side} oc{side} cc{side} {c.coupling_esr_ohms:.6g}",
        f"Ccoup{side} cc{side} ou{side} {c.coupling_farads:.6g}",
        f"Rleak{side} cc{side} ou{side} {c.coupling_leak_ohms:.6g}",
        f"Rser{side} ou{side} mu{side} 470",
        f"Rbleed{side} mu{side} 0 100k",
        f"Qmute{side} mu{side} b{side} 0 mute",
        *base,
        _contact(p, f"tip main {side}", f"mu{side} main_{side}", 0.05),
        f"Rlm{side} main_{side} ground_main {LOAD_OHMS:.6g}",
    ]


def _phones_of_one_rail(side: str, c: Channel, p: Parts) -> list[str]:
    return [
        f"Rha{side} vcc half{side} 47k",
        f"Rhb{side} half{side} agnd 47k",
        f"Chb{side} half{side} agnd 47u",
        f"Cip{side} in{side} ip{side} 1u",
        f"Rip{side} ip{side} half{side} 100k",
        *_output_pair(side, c, p, low="0"),
        f"Cgp{side} fg{side} agnd 47u",
        f"Resp{side} oe{side} cp{side} {c.phones_esr_ohms:.6g}",
        f"Cph{side} cp{side} ph{side} {c.phones_farads:.6g}",
        f"Rlkp{side} cp{side} ph{side} {c.phones_leak_ohms:.6g}",
        f"Rbp{side} ph{side} 0 1k",
        *_to_phones(side, p, f"ph{side}"),
    ]


def _phones_of_two_rails(side: str, c: Channel, p: Parts) -> list[str]:
    return [
        f"Rip{side} in{side} ip{side} 1k",
        *_output_pair(side, c, p, low="vee"),
        f"Rfg{side} fg{side} agnd 1",
        f"Resp{side} oe{side} ph{side} {c.phones_esr_ohms:.6g}",
        *_to_phones(side, p, f"ph{side}"),
    ]


def _output_pair(side: str, c: Channel, p: Parts, *, low: str) -> list[str]:
    """An amplifier with a pair of transistors in its loop, between the positive rail and `low`."""
    psr = f"{c.rejection:.6g}*(v(vcc)-{p.nominal_volts:.6g})+{c.phones_offset_volts:.6g}"
    half = c.phones_bias_volts / 2
    return [
        *_amplifier(f"p{side}", f"ip{side}", f"fp{side}", f"op{side}", "vcc", low, psr),
        f"Vb1{side} b1{side} op{side} {half:.6g}",
        f"Vb2{side} op{side} b2{side} {half:.6g}",
        f"Qn{side} vcc b1{side} q1{side} npn",
        f"Qp{side} {low} b2{side} q2{side} pnp",
        f"Re1{side} q1{side} oe{side} 4.7",
        f"Re2{side} oe{side} q2{side} 4.7",
        f"Rfp{side} oe{side} fp{side} 10k",
        f"Rgp{side} fp{side} fg{side} 10k",
    ]


def _to_phones(side: str, p: Parts, node: str) -> list[str]:
    return [
        f"Rsp{side} {node} sp{side} 33",
        _contact(p, f"tip phones {side}", f"sp{side} phones_{side}", 0.05),
        f"Rlp{side} phones_{side} ground_phones {LOAD_OHMS:.6g}",
    ]


def _cables(p: Parts) -> list[str]:
    lines = []
    current = np.sqrt(2) * p.leakage_amperes
    w = 6.283185307 * p.mains_hz
    wave = (
        f"{current:.6g}*(sin({w:.9g}*time)+0.25*sin({3 * w:.9g}*time)+0.12*sin({5 * w:.9g}*time))"
    )
    for output, ohms in zip(OUTPUTS, p.sleeve_ohms, strict=True):
        lines += [
            _contact(p, f"sleeve {output}", f"0 ground_{output}", ohms),
            f"Bleak{output} ground_{output} 0 I={wave}",
            # What little couples the two grounds when the sleeve is open: the supply's own
            # capacitance to the mains, and the other way round the earth.
            f"Rearth{output} ground_{output} 0 47k",
        ]
    return lines
