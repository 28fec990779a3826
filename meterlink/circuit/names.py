"""Whether the names in a test are receptacles of the circuit, and which was meant if not."""

import difflib

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Setup


def unknown_name(setup: Setup, circuit: Circuit) -> str | None:
    """The first name in a test that the circuit does not have, as a sentence with what to do.

    Returns:
        ``None`` where all names are known.
    """
    load = [("load", setup.load_at)] if setup.load_at else []
    if setup.return_at:
        load.append(("way back", setup.return_at))
    roles = [*load, *(("lead", name) for name in setup.leads)]
    for role, name in roles:
        if name not in circuit.receptacles:
            return (
                f"the {role} is at {name[:60]!r}, which is no receptacle of {circuit.name!r}. "
                f"{_meant(name, circuit.receptacles)}"
                f"Known: {', '.join(circuit.receptacles)}."
            )
    return None


def _meant(name: str, known: tuple[str, ...]) -> str:
    by_folded = {receptacle.casefold(): receptacle for receptacle in known}
    close = difflib.get_close_matches(name[:200].casefold(), by_folded, n=1)
    return f"Did you mean {by_folded[close[0]]!r}? " if close else ""
