"""States of one instrument: good, as it came to the bench, and with each fault alone."""

from sigbench.circuits.instrument import Channel, Opening, Parts

GOOD = Parts()

FAULTY: dict[str, Parts] = {
    "reservoir": Parts(reservoir_farads=(110e-6, 150e-6), left=Channel(rejection=3e-3)),
    "diode": Parts(reservoir_farads=(200e-6, 2200e-6), diode_ohms=(1e7, 0.05, 0.05, 0.05)),
    "rail missing": Parts(joint_ohms=(0.02, 1e5)),
    "rail low": Parts(positive_volts=4.0),
    # Shorted: it would give more than it gets, and passes what comes in, less a little.
    "rail high": Parts(positive_volts=100.0),
    "oscillation": Parts(oscillation_volts=1.5, oscillation_hz=6830.0, bypass_farads=1e-6),
    "regulator joint": Parts(opening=Opening("rail +", ((0.1, 0.28),), 1e5)),
    "coupling lost": Parts(left=Channel(coupling_farads=0.06e-6)),
    "coupling leaky": Parts(left=Channel(phones_leak_ohms=2e3)),
    "series resistance": Parts(left=Channel(coupling_esr_ohms=25e3)),
    "mute": Parts(left=Channel(mute_amperes=8e-6)),
    "stuck": Parts(left=Channel(amplifier_offset_volts=10.0)),
    "off centre": Parts(left=Channel(amplifier_offset_volts=6.0)),
    "crossover": Parts(left=Channel(phones_bias_volts=0.1)),
    "jack": Parts(opening=Opening("tip main l", ((0.1, 0.13), (0.2, 0.28)), 1e7)),
    "sleeve": Parts(sleeve_ohms=(5e3, 0.05)),
    "loose sleeve": Parts(opening=Opening("sleeve main", ((0.1, 0.35),), 2e4)),
    "pot": Parts(left=Channel(worn=((0.55, 0.62),), worn_ohms=3e5)),
    "inverter": Parts(inverter_volts=4e-3, inverter_hz=530.0),
    "noisy": Parts(left=Channel(noise_volts=8e-4)),
    "noisy source": Parts(left=Channel(source_noise_volts=3e-3)),
    "ground loop": Parts(leakage_amperes=40e-3, sleeve_ohms=(0.25, 0.25)),
    "voice": Parts(voice_drive=1.5, voice_lean=0.3),
}
"""An instrument with each fault, of ordinary strength, by the key of the cause."""


def name_of_fault(key: str) -> str:
    """The name of the state with one fault: ``regulator-joint`` for ``regulator joint``."""
    return key.replace(" ", "-")


AS_RECEIVED, REPAIRED = "as-received", "repaired"

_WORN = ((0.30, 0.42),)

SIMULATED: dict[str, Parts] = {
    AS_RECEIVED: Parts(
        reservoir_farads=(150e-6, 180e-6),
        reservoir_esr_ohms=(1.0, 1.2),
        opening=Opening("tip main l", (), 1e7),
        left=Channel(worn=_WORN, rejection=6e-4),
        right=Channel(worn=_WORN, coupling_farads=0.047e-6, coupling_esr_ohms=300.0),
    ),
    REPAIRED: GOOD,
    # Other good ones of the model: coupling capacitors within 20 % (IEC 60384-4).
    **{
        f"good-{number}": Parts(
            left=Channel(coupling_farads=share * 22e-6),
            right=Channel(coupling_farads=share * 22e-6),
        )
        for number, share in ((1, 0.85), (2, 1.0), (3, 1.15))
    },
    **{name_of_fault(key): parts for key, parts in FAULTY.items()},
}
"""The states of the simulated unit, by name.

As received it has four faults: the right output's coupling capacitor and the reservoir capacitors
have dried out, the joint at the left jack is dry, and the volume control is worn where it is used
most.
"""
