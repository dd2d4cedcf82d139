"""``sigbench devices``: what this computer can record from and play to."""

from sigbench.cli.commands import command_app
from sigbench.errors import DeviceNotFound

app = command_app()

EXAMPLES = """\b
Example:
  sigbench devices
"""  # \b tells the help to leave the lines as they are


@app.command(epilog=EXAMPLES)
def devices() -> None:
    """List the audio devices of this computer.

    Shows each device with its number of inputs and outputs, the rate that the sound system
    prefers for it, and the sound system it is reached through. One box often shows up under
    several sound systems. Those marked 'yes' under Alone can be had without the system's mixer,
    with 'sigbench rig setup --exclusive'.

    An interface that was plugged in just now appears when the command is run again.
    """
    from rich.table import Table

    from sigbench.cli import show
    from sigbench.interface.portaudio import can_be_exclusive, list_devices

    found = list_devices()
    if not found:
        raise DeviceNotFound(
            "This computer offers no audio device: plug in the interface, switch it on and try "
            "again."
        )
    console = show.output()
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for heading in ("No.", "In", "Out", "Rate/Hz"):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("Alone", no_wrap=True)
    table.add_column("Device", overflow="fold")
    table.add_column("Sound system", overflow="fold")
    for device in found:
        counts = (device.index, device.inputs, device.outputs, device.samplerate)
        alone = "yes" if can_be_exclusive(device) else ""
        names = (show.fit(device.name, console), show.fit(device.host, console))
        table.add_row(*map(str, counts), alone, *names)
    console.print(table)
