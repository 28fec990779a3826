"""From meter readings to the wiring order of the receptacles on one breaker.

``import meterlink as ml`` is light; each name below is loaded when it is first used. What is not
listed here is private and may change.

Example:
    >>> import meterlink as ml
    >>> circuit = ml.Circuit("Study", ("Door", "Desk"), load_amps=10)
    >>> seen = ml.Test("neutral-ground", "Desk", load="Desk", drop_mv=900, u_mv=5)
    >>> nothing = ml.Test("neutral-neutral", "Door", "Desk", load="Door", drop_mv=0, u_mv=5)
    >>> ml.resolve(circuit, [seen, nothing]).first.receptacle
    'Door'
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drivers.errors import DriverError
    from meterlink.api import (
        Rows,
        Test,
        measure,
        next_test,
        protect,
        read_log,
        readings,
        replay,
        resolve,
    )
    from meterlink.assumptions import Assumptions
    from meterlink.circuit.circuit import Circuit
    from meterlink.errors import MeterlinkError
    from meterlink.lab.study import trials

__version__ = "0.1.0"

__all__ = [
    "Assumptions",
    "Circuit",
    "DriverError",
    "MeterlinkError",
    "Rows",
    "Test",
    "measure",
    "next_test",
    "protect",
    "read_log",
    "readings",
    "replay",
    "resolve",
    "trials",
]
_ELSEWHERE = {
    "Assumptions": "meterlink.assumptions",
    "Circuit": "meterlink.circuit.circuit",
    "DriverError": "drivers.errors",
    "MeterlinkError": "meterlink.errors",
    "measure": "meterlink.api",
    "trials": "meterlink.lab.study",
}


if not TYPE_CHECKING:  # a name that is not there is an error for a type checker

    def __getattr__(name: str) -> object:
        """Load a name of the front door on first use."""
        if name not in __all__:
            raise AttributeError(f"module 'meterlink' has no attribute {name!r}")
        value = getattr(import_module(_ELSEWHERE.get(name, "meterlink.api")), name)
        globals()[name] = value
        return value


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
