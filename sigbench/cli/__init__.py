"""The command line: each command parses, calls the library once and shows what came back.

`main` is the one place where errors become a sentence and an exit code. Every command group is
a module of its own, listed in :mod:`sigbench.cli.commands` and imported only when it is used.
"""

import os
import sys
import traceback
from collections.abc import Sequence

import typer

from sigbench.cli.commands import command_line
from sigbench.cli.encoding import make_printable
from sigbench.errors import SigbenchError

DONE = 0
CHANGED = 1
WRONG_REQUEST = 2
INTERNAL_ERROR = 70  # EX_SOFTWARE of sysexits.h: a fault of the program, not of its input
INTERRUPTED = 130  # 128 + SIGINT, as shells report it
READER_GONE = 141  # 128 + SIGPIPE


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Without the program's name; those of the process by default.

    Returns
    -------
    int
        0 done and nothing out of limits; 1 done, and something changed or is out of limits;
        2 the request or its input was wrong; 3 the audio device failed; 130 interrupted.
    """
    # The least-squares fits are tall and narrow: more threads cost more than they bring. Read by
    # numpy when a command imports it.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    make_printable(sys.stdout)
    make_printable(sys.stderr)
    try:
        code = _run(sys.argv[1:] if arguments is None else list(arguments))
        sys.stdout.flush()
        return code
    except typer.Exit as exc:
        return exc.exit_code
    except typer.TyperException as exc:
        _tell(_usage_sentence(exc))
        return WRONG_REQUEST
    except SigbenchError as exc:
        _tell(str(exc))
        return exc.exit_code
    except (KeyboardInterrupt, typer.Abort):
        _tell("stopped on request; whatever was finished before is kept.")
        return INTERRUPTED
    except BrokenPipeError:
        # Whoever read the output has left; keep the interpreter's last flush quiet as well.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return READER_GONE
    except OSError as exc:
        _tell(f"the computer refused: {exc}.")
        return WRONG_REQUEST
    except Exception:
        traceback.print_exc()
        _tell("this is a fault of the program, not of your input: please report the lines above.")
        return INTERNAL_ERROR


def _run(arguments: list[str]) -> int:
    group = command_line()
    with group.make_context("sigbench", arguments) as context:
        code = group.invoke(context)
    return DONE if code is None else int(code)


def _usage_sentence(exc: typer.TyperException) -> str:
    """What was wrong with the command line, and where its help is."""
    context = getattr(exc, "ctx", None)
    command = context.command_path if context is not None else "sigbench"
    return f"{' '.join(exc.format_message().split())}\nTry '{command} --help'."


def _tell(message: str) -> None:
    print(f"sigbench: {message}", file=sys.stderr)
