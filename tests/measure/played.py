"""Sounds of a software instrument, which plays sampled ones: real sounds, and none of our own."""

import shutil
import subprocess

import pytest
import soundfile

SOUNDFONT = "/usr/share/sounds/sf2/FluidR3_GM.sf2"
TICKS = 480  # a quarter note, which takes half a second unless a file says otherwise


def rendered(folder, midi, rate, *options):
    """What a Standard MIDI File sounds like; shape (frames, 2). Options are the instrument's."""
    if shutil.which("fluidsynth") is None:
        pytest.skip("fluidsynth is not installed: apt-get install fluidsynth fluid-soundfont-gm")
    score, wave = folder / "notes.mid", folder / "notes.wav"
    score.write_bytes(midi)
    command = ["fluidsynth", "-ni", "-q", *options, "-r", str(rate), "-F", str(wave), SOUNDFONT]
    subprocess.run([*command, str(score)], check=True, capture_output=True, timeout=60)
    return soundfile.read(wave, always_2d=True)[0]


def played(folder, program, keys, seconds, rate):
    """Keys held for some seconds, 17 at most, and let go; shape (frames, 2).

    `program` is that of General MIDI Level 1, counted from 0; the file is of format 0 (Standard
    MIDI Files 1.0), whose times are of variable length.
    """
    ticks = round(2 * TICKS * seconds)
    pause = bytes([0x80 | ticks >> 7 & 0x7F, ticks & 0x7F])
    down = b"".join(bytes([0, 0x90, key, 100]) for key in keys)
    up = b"".join((pause if key == keys[0] else b"\0") + bytes([0x80, key, 0]) for key in keys)
    track = bytes([0, 0xC0, program]) + down + up + bytes([0, 0xFF, 0x2F, 0])
    head = b"MThd" + bytes([0, 0, 0, 6, 0, 0, 0, 1, *TICKS.to_bytes(2, "big")])
    midi = head + b"MTrk" + len(track).to_bytes(4, "big") + track
    return rendered(folder, midi, rate, "-T", "wav", "-O", "float")
