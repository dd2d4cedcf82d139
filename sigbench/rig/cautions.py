"""What to heed before something is plugged in or played; the fronts show it at that moment."""

BEFORE_PLUGGING_IN = (
    "Only line and headphone outputs go into the interface: never a speaker output, never a supply "
    "rail, nothing above the rated level of the input. Phantom power off."
)

BEFORE_PLAYING = (
    "A test signal is played now: turn monitors and headphones down, take headphones off, and "
    "leave nothing on the outputs but the cables named here."
)

BEFORE_METERING = (
    "The meter is for the line outputs of the interface here: on AC volts, its leads in the volts "
    "sockets. Inside an instrument other rules hold: mains-side and switch-mode primary circuits "
    "can kill, also after unplugging. Local rules and licensed practice come first."
)
