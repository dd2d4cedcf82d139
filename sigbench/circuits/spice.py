"""Running a circuit with ngspice, a separate program, and reading what it says."""

import re
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sigbench.errors import RequestError

Floats = NDArray[np.float64]
_VOLTAGE = re.compile(r"v\([^)]*\)")


def transient(circuit: str, nodes: Sequence[str], *, seconds: float, samplerate: int) -> Floats:
    """Voltages over time, shape (frames, nodes), evenly spaced.

    Parameters
    ----------
    circuit : str
        Netlist without analyses.
    nodes : sequence of str
        Expressions such as ``v(out)`` or ``v(a)-v(b)``.
    seconds : float
        Simulated time.
    samplerate : int
        Rows a second; the solver's own steps are no longer than that.

    Raises
    ------
    RequestError
        If ngspice is missing or finds no solution.
    """
    step = 1 / samplerate
    names = [f"y{k}" for k in range(len(nodes))]
    control = [
        f"save {' '.join(sorted({v for node in nodes for v in _VOLTAGE.findall(node)}))}",
        f"tran {step:.12g} {seconds:.9g} 0 {step:.12g}",
        *(f"let {name} = {node}" for name, node in zip(names, nodes, strict=True)),
        f"linearize {' '.join(names)}",
        f"write result {' '.join(names)}",
    ]
    return _run(circuit, tuple(control)).real[:, 1:]


def response(circuit: str, nodes: Sequence[str], frequencies: Floats) -> NDArray[np.complex128]:
    """Complex voltages for the circuit's AC source, shape (frequencies, nodes)."""
    names = [f"y{k}" for k in range(len(nodes))]
    lowest, highest = float(frequencies[0]), float(frequencies[-1])
    count = max(10, int(60 * np.log10(highest / lowest)))
    control = [
        f"ac dec {max(20, count)} {lowest:.9g} {highest:.9g}",
        *(f"let {name} = {node}" for name, node in zip(names, nodes, strict=True)),
        f"write result {' '.join(names)}",
    ]
    table = _run(circuit, tuple(control))
    own = table[:, 0].real
    columns = table[:, 1:].T
    # The grid is fine: what lies between two of its points is a straight line in log f.
    place, wanted = np.log(own), np.log(frequencies)
    return np.stack(
        [np.interp(wanted, place, c.real) + 1j * np.interp(wanted, place, c.imag) for c in columns],
        axis=1,
    )


@lru_cache(maxsize=4)  # seconds of work each, and the same circuit is often recorded again
def _run(circuit: str, control: tuple[str, ...]) -> NDArray[np.complex128] | Floats:
    program = shutil.which("ngspice")
    if program is None:
        raise RequestError(
            "Circuits are worked out by ngspice, and it is not installed: install the package "
            "ngspice of your system."
        )
    text = "\n".join(
        [
            circuit,
            # itl4: more tries before a step is halved; the rectifiers need them.
            ".options itl4=100 reltol=1e-4 abstol=1e-11 vntol=1e-7",
            ".control",
            *control,
            "quit",
            ".endc",
            ".end",
            "",
        ]
    )
    with tempfile.TemporaryDirectory(prefix="circuit-") as folder:
        (Path(folder) / "circuit.cir").write_text(text)
        done = subprocess.run(
            [program, "-b", "circuit.cir"], cwd=folder, capture_output=True, text=True, check=False
        )
        result = Path(folder) / "result"
        if not result.exists():
            said = (done.stdout + done.stderr).strip().splitlines()
            raise RequestError(f"ngspice found no solution: {' / '.join(said[-3:])}")
        table = _read_raw(result.read_bytes())
        table.setflags(write=False)
        return table


def _read_raw(content: bytes) -> NDArray[np.complex128] | Floats:
    """The table in ngspice's binary file, the scale first: its manual, 31.1, "raw files"."""
    head, _, numbers = content.partition(b"Binary:\n")
    lines = (line.partition(":") for line in head.decode("ascii", "replace").splitlines())
    said = {name: text for name, _, text in lines}
    columns = int(said["No. Variables"])
    if "complex" in said["Flags"]:
        return np.frombuffer(numbers, np.complex128).reshape(-1, columns)
    return np.frombuffer(numbers, np.float64).reshape(-1, columns)
