"""Which device is meant, by a piece of its name or by memory."""

import random
from dataclasses import replace

import pytest

from sigbench.errors import DeviceNotFound
from sigbench.interface.devices import Device, find_device, recall_device, what_changed

DEVICES = (
    Device(0, "USB Line", "ALSA", 2, 2, 48_000),
    Device(1, "USB Line", "JACK", 2, 2, 48_000),
    Device(2, "USB Line 8", "ALSA", 8, 8, 96_000),
    Device(3, "Built-in Mic", "ALSA", 1, 0, 44_100),
    Device(4, "Built-in Speaker", "ALSA", 0, 2, 44_100),
)


def test_a_part_of_the_name_finds_a_device() -> None:
    assert find_device(DEVICES, "mic").index == 3
    assert find_device(DEVICES, "usb line", host="jack").index == 1
    assert find_device(DEVICES, "line 8").index == 2
    assert find_device(DEVICES, "2").index == 2
    assert find_device(DEVICES, "speaker", output=True).index == 4


def test_a_name_that_finds_none_or_several_lists_the_choice() -> None:
    with pytest.raises(DeviceNotFound, match=r"No input matches 'dat'; inputs: \[0\] USB Line"):
        find_device(DEVICES, "dat")
    with pytest.raises(DeviceNotFound, match="No input matches 'speaker'") as caught:
        find_device(DEVICES, "speaker")
    assert "[4]" not in str(caught.value)
    with pytest.raises(
        DeviceNotFound, match=r"several inputs: \[0\] USB Line \(ALSA\), \[1\] USB L"
    ):
        find_device(DEVICES, "usb line")
    with pytest.raises(DeviceNotFound, match="no audio input"):
        find_device(DEVICES[4:], "speaker")


# Names as the sound systems give them: ALSA with the card's number, Windows with a count of
# sockets, and MME cut off after 31 characters.
LINUX = (
    Device(0, "Codec: Analog (hw:0,0)", "ALSA", 2, 2, 44_100),
    Device(1, "Line: USB Audio (hw:1,0)", "ALSA", 4, 4, 48_000),
    Device(2, "Line: USB Audio #1 (hw:1,1)", "ALSA", 2, 0, 48_000),
    Device(3, "default", "ALSA", 32, 32, 44_100),
)
WINDOWS = (
    Device(0, "Line 3/4 (Eight channels of the", "MME", 2, 0, 44_100),
    Device(1, "Line 3/4 (Eight channels of the bench)", "Windows WASAPI", 2, 0, 48_000),
    Device(2, "Line 3/4 (Eight channels of the bench)", "Windows WASAPI", 0, 2, 48_000),
    Device(3, "Line 1/2 (Eight channels of the bench)", "Windows WASAPI", 2, 0, 48_000),
)


@pytest.mark.parametrize("there", [LINUX, WINDOWS])
def test_a_device_is_recalled_in_whatever_order_they_come(there: tuple[Device, ...]) -> None:
    for seed in range(20):
        mixed = random.Random(seed).sample(there, len(there))
        renumbered = tuple(replace(one, index=n) for n, one in enumerate(mixed))
        for device in there:
            for output in (False, True):
                if not (device.outputs if output else device.inputs):
                    continue
                found = recall_device(renumbered, device.name, device.host, output=output)
                assert replace(found, index=device.index) == device
                assert what_changed(renumbered, device.name, device.host, output=output) is None


def test_the_card_number_of_alsa_may_change() -> None:
    moved = (
        Device(0, "Line: USB Audio (hw:0,0)", "ALSA", 4, 4, 48_000),
        Device(1, "Codec: Analog (hw:1,0)", "ALSA", 2, 2, 44_100),
        Device(2, "Line: USB Audio #1 (hw:0,1)", "ALSA", 2, 0, 48_000),
    )
    assert recall_device(moved, "Line: USB Audio (hw:1,0)", "ALSA").index == 0
    assert what_changed(moved, "Line: USB Audio (hw:1,0)", "ALSA") == (
        "The input 'Line: USB Audio (hw:1,0)' (ALSA) is called 'Line: USB Audio (hw:0,0)' now, "
        "and is used."
    )
    # Another part of the same card is another device.
    assert recall_device(moved, "Line: USB Audio #1 (hw:1,1)", "ALSA").index == 2


def test_another_socket_of_a_windows_computer_is_the_same_device() -> None:
    moved = (Device(5, "Line (2- Bench box)", "Windows WASAPI", 2, 0, 48_000),)
    assert recall_device(moved, "Line (Bench box)", "Windows WASAPI").index == 5
    moved = (Device(5, "Line (Bench box)", "Windows WASAPI", 2, 0, 48_000),)
    assert recall_device(moved, "Line (3- Bench box)", "Windows WASAPI").index == 5


def says(devices: tuple[Device, ...], name: str, host: str) -> str:
    with pytest.raises(DeviceNotFound) as caught:
        recall_device(devices, name, host)
    assert str(caught.value) == what_changed(devices, name, host)
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_a_device_under_another_sound_system_is_not_taken_for_the_same() -> None:
    only_mme = WINDOWS[:1]
    told = says(only_mme, WINDOWS[1].name, "Windows WASAPI")
    assert "is there under 'MME' and no longer under 'Windows WASAPI'" in told
    jack = (replace(LINUX[1], host="JACK Audio Connection Kit"), *LINUX[2:])
    assert "under 'JACK Audio Connection Kit'" in says(jack, LINUX[1].name, "ALSA")


def test_a_device_that_is_gone_is_said_with_what_there_is() -> None:
    told = says(LINUX[:1], "Line: USB Audio (hw:1,0)", "ALSA")
    assert told == (
        "The input 'Line: USB Audio (hw:1,0)' (ALSA) is not there: plug it in and switch it on; "
        "inputs that are there: [0] Codec: Analog (hw:0,0) (ALSA)."
    )
    assert "nor is any other" in says((), "Line: USB Audio (hw:1,0)", "ALSA")
    # An output of that name is no input.
    assert "nor is any other" in says(WINDOWS[2:3], WINDOWS[1].name, "Windows WASAPI")


def test_several_of_one_name_are_not_guessed() -> None:
    twins = (LINUX[1], replace(LINUX[1], index=7))
    told = says(twins, LINUX[1].name, "ALSA")
    assert "is there 2 times" in told
    assert "[1]" in told
    assert "[7]" in told
    # Where only the number that changes tells them apart, that is said, and the number is used.
    numbered = (LINUX[1], replace(LINUX[1], index=7, name="Line: USB Audio (hw:2,0)"))
    assert recall_device(numbered, "Line: USB Audio (hw:2,0)", "ALSA").index == 7
    remark = what_changed(numbered, "Line: USB Audio (hw:2,0)", "ALSA")
    assert remark is not None
    assert "nothing but its number tells it from [1]" in remark
    # Neither has the old number.
    assert "is there 2 times" in says(numbered, "Line: USB Audio (hw:3,0)", "ALSA")
