"""What to switch off on each system for each finding of the rig test.

The names of settings are from memory, to be confirmed on each system.
"""

from typing import Literal

System = Literal["Windows", "macOS", "Linux"]

_WINDOWS_PLAIN = (
    "Settings > System > Sound > the device > Audio enhancements: Off; in the device's Advanced "
    "properties untick signal enhancements; best of all use exclusive mode, which passes all of "
    "this by"
)
_LINUX_MODULES = (
    "list the loaded filters with 'pactl list short modules' and unload those for echo "
    "cancellation, noise and equalisers"
)

WHAT_TO_DO: dict[str, dict[System, str]] = {
    "wrong_rate": {
        "Windows": "Sound control panel > Playback and Recording > the device > Properties > "
        "Advanced: set both to the rate of the test, and the interface's own panel too.",
        "macOS": "Audio MIDI Setup: set the format of the input and of the output to the rate of "
        "the test.",
        "Linux": "See the true rate in /proc/asound/card*/pcm*/sub0/hw_params; set it in the sound "
        "server's settings, or use the hardware device without the server.",
    },
    "resampling": {
        "Windows": "Sound control panel > the device > Properties > Advanced: set the default "
        "format to the rate of the test for playback and recording, or use exclusive mode.",
        "macOS": "Audio MIDI Setup: set the format to the rate of the test; leave aggregate "
        "devices with drift correction out of the path.",
        "Linux": "Set the sound server's default rate (default-sample-rate, or default.clock.rate) "
        "to the rate of the test, or use the hardware device without the server.",
    },
    "automatic_gain": {
        "Windows": f"{_WINDOWS_PLAIN}. Sound control panel > Communications: Do nothing.",
        "macOS": "Switch off automatic gain and voice isolation (microphone modes in the menu bar) "
        "and leave voice programs while measuring.",
        "Linux": f"Switch off 'Auto Gain Control' in alsamixer's capture view; {_LINUX_MODULES}.",
    },
    "noise_suppression": {
        "Windows": f"{_WINDOWS_PLAIN}. Use the line input, not one meant for speech.",
        "macOS": "Set the microphone mode in the menu bar to Standard; switch off 'ambient noise "
        "reduction' where Sound settings offer it.",
        "Linux": f"{_LINUX_MODULES[0].upper()}{_LINUX_MODULES[1:]}.",
    },
    "software_volume": {
        "Windows": "Set the system volume, the program in the volume mixer and the input level of "
        "the device to 100; on many inputs 100 is more than 0 dB: pick 0 dB on its dB display.",
        "macOS": "Sound settings: output and input volume all the way up; in Audio MIDI Setup set "
        "every channel to 0 dB.",
        "Linux": "'pactl set-sink-volume @DEFAULT_SINK@ 100%' and 'pactl set-source-volume "
        "@DEFAULT_SOURCE@ 100%'; in alsamixer 0 dB for playback and capture.",
    },
    "truncation_16_bit": {
        "Windows": "Sound control panel > the device > Properties > Advanced: a 24-bit format for "
        "playback and recording, or use exclusive mode.",
        "macOS": "Audio MIDI Setup: a 24-bit format for input and output.",
        "Linux": "Set the sound server's sample format to s24le, s32le or float32le, or use the "
        "hardware device with a 24-bit format.",
    },
    "mono": {
        "Windows": "Settings > Accessibility > Audio: Mono audio off; set the recording format of "
        "the device to 2 channels; use no headset profile.",
        "macOS": "System Settings > Accessibility > Audio: 'Play stereo audio as mono' off; no "
        "headset as input.",
        "Linux": "Choose the stereo or pro-audio profile of the card; unload module-remap-sink "
        "and the like.",
    },
    "swapped_channels": {
        "Windows": "First see whether the two cables are swapped. Then the routing in the "
        "interface's own panel.",
        "macOS": "First see whether the two cables are swapped. Then Audio MIDI Setup > Configure "
        "Speakers.",
        "Linux": "First see whether the two cables are swapped. Then the channel map "
        "('pactl list sinks').",
    },
    "high_pass": {
        "Windows": f"Switch off the low-cut on the interface itself first. {_WINDOWS_PLAIN}.",
        "macOS": "Switch off the low-cut on the interface itself; microphone mode Standard; no "
        "effects in the interface's own panel.",
        "Linux": f"Switch off the low-cut on the interface itself; {_LINUX_MODULES}.",
    },
    "clock_drift": {
        "Windows": "Play and record with the same interface, or feed both from one clock and set "
        "the second one to external synchronisation.",
        "macOS": "Play and record with the same interface, or feed both from one clock; drift "
        "correction of an aggregate device resamples.",
        "Linux": "Play and record with the same interface, or feed both from one clock and set "
        "the second one to external synchronisation.",
    },
}
