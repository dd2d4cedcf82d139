"""sigbench: an audio-interface signal test harness for the instrument repair bench.

The path of a signal through the package::

    stimulus ─► interface ─► take ─► measure, checks ─► readings ─► compare ─► report
                                                            │
                                                          bench

A take is measured by `sigbench.checks.measure`; the functions behind it, one module a physical
quantity, are in `sigbench.measure`. The names below are imported when they are first used, so
that ``import sigbench`` stays quick.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sigbench.bench.folder import Bench
    from sigbench.compare import compare_stages
    from sigbench.errors import SigbenchError
    from sigbench.interface.file import read_take
    from sigbench.model import CheckSettings, Event, Measurement, Reading, Take
    from sigbench.plan import default_plan
    from sigbench.run import carry_out

__version__ = "0.1.0"

__all__ = [
    "Bench",
    "CheckSettings",
    "Event",
    "Measurement",
    "Reading",
    "SigbenchError",
    "Take",
    "__version__",
    "carry_out",
    "compare_stages",
    "default_plan",
    "read_take",
]

_HOMES = {
    "Bench": "bench.folder",
    "CheckSettings": "model",
    "Event": "model",
    "Measurement": "model",
    "Reading": "model",
    "SigbenchError": "errors",
    "Take": "model",
    "carry_out": "run",
    "compare_stages": "compare",
    "default_plan": "plan",
    "read_take": "interface.file",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'sigbench' has no attribute '{name}'")
    return getattr(import_module(f"sigbench.{_HOMES[name]}"), name)
