"""``sigbench page``: the bench page, for a laptop or tablet behind the instrument."""

from typing import Annotated

import typer

from sigbench.cli.commands import command_app
from sigbench.cli.places import DEFAULT_FOLDER, FolderOption

app = command_app()

EXAMPLES = """\b
Examples:
  sigbench page
  sigbench page --network
"""  # \b tells the help to leave the lines as they are

USUAL_PORT = 8047


@app.command(epilog=EXAMPLES)
def page(
    network: Annotated[
        bool,
        typer.Option(
            "--network",
            help="Let tablets and phones of the local network open it too, with the key in the "
            "address.",
        ),
    ] = False,
    port: Annotated[
        int, typer.Option(metavar="N", min=0, max=65535, help="The port; 0 takes a free one.")
    ] = USUAL_PORT,
    no_browser: Annotated[
        bool, typer.Option("--no-browser", help="Print the address only.")
    ] = False,
    folder: FolderOption = DEFAULT_FOLDER,
) -> int:
    """Work at the bench page, in a browser.

    The same work as with the other commands: units, plans, measuring with both hands in the
    instrument, comparison. Everything stays on this machine; nothing is loaded from outside.
    Without --network nobody else reaches it. Whoever has the address has the key: do not
    pass it on. Ctrl-C ends it.
    """
    import webbrowser
    from threading import Timer

    from sigbench.cli.places import note, open_bench
    from sigbench.page.serve import BenchPage

    open_bench(folder, create=True).close()
    bench_page = BenchPage(folder.expanduser(), port=port, network=network)
    here, *outside = bench_page.served.addresses
    note(f"The bench page is at {here}")
    for address in outside:
        note(f"On the local network: {address}")
        _print_code(address)
    note("Ctrl-C ends it.")
    if not no_browser:
        opening = Timer(0.5, webbrowser.open, [here])
        opening.daemon = True
        opening.start()
    bench_page.run()
    return 0


def _print_code(address: str) -> None:
    """The address as a QR code (ISO/IEC 18004), for the camera of a tablet."""
    import sys

    import segno

    if sys.stderr.isatty():
        segno.make(address, micro=False).terminal(out=sys.stderr, compact=True)
