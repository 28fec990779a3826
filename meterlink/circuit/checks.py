"""What a circuit may say of itself: names that can be told apart, figures that make sense.

Also whether the names in a test are receptacles of the circuit, and which was meant if not; what
is usual where a circuit is described for the first time, and if the load is fit for it.
"""

import difflib
import math
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from meterlink.assumptions import MAX_RECEPTACLES
from meterlink.circuit.circuit import (
    DEFAULT_TEMPERATURE_C,
    Circuit,
    ConductorError,
    LoadKind,
    conductor,
)
from meterlink.circuit.setup import Setup
from meterlink.errors import JobError, UsageError

MAX_NAME_LENGTH = 200

#: Least and most that makes sense, and the unit. Common practice.
FIGURES: Mapping[str, tuple[float, float, str]] = {
    "volts": (1.0, 1000.0, "V"),
    "hertz": (0.0, 1000.0, "Hz"),
    "breaker_amps": (0.1, 1000.0, "A"),
    "load_amps": (0.001, 200.0, "A"),
    "amps_low": (0.001, 200.0, "A"),
    "wire_temperature_c": (-40.0, 120.0, "°C"),
    "run_length_m": (0.01, 1000.0, "m"),
}

_BIDI_CONTROLS = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")

#: Attribute of ``Circuit`` (or "receptacle") to the place it was read from, for messages.
Where = Callable[[str], str]


def checked_circuit(values: Mapping[str, object], where: Where) -> tuple[Circuit, list[str]]:
    """Make a circuit from values as they were read.

    Args:
        values: By attribute of ``Circuit``; missing and ``None`` are not known.
        where: Gives the place of an attribute for messages.

    Returns:
        The circuit, and remarks on what was read but cannot be used.

    Raises:
        JobError: A value makes no sense; the message says where it stands.
    """
    remarks: list[str] = []
    names = checked_names(values.get("receptacles"), where("receptacles"))
    wire = _text(values.get("conductor"), where("conductor"))
    if wire is not None:
        try:
            conductor(wire)
        except ConductorError as error:
            remarks.append(f"{where('conductor')}: {error} Lengths are left out until it is known.")
    temperature_c = checked_figure(
        values.get("wire_temperature_c"), "wire_temperature_c", where("wire_temperature_c")
    )
    figures = {
        key: checked_figure(values.get(key), key, where(key))
        for key in ("volts", "hertz", "breaker_amps", "load_amps", "amps_low")
    }
    low, high = figures["amps_low"], figures["load_amps"]
    if low is not None and high is not None and low >= high:
        raise JobError(
            f"{where('amps_low')} is {low:g} A, not below the {high:g} A of the full setting. "
            "Correct one of them."
        )
    texts = {
        key: _text(values.get(key), where(key))
        for key in ("place", "panel", "breaker", "measured_by", "meter")
    }
    lengths = {
        name: checked_figure(value, "run_length_m", where("run_lengths_m"))
        for name, value in _by_name(values, "run_lengths_m", names, where).items()
    }
    rooms = {
        name: _text(value, where("rooms"))
        for name, value in _by_name(values, "rooms", names, where).items()
    }
    values_checked: dict[str, Any] = {**figures, **texts}
    circuit = Circuit(
        name=_text(values.get("name"), where("name")) or "Circuit",
        receptacles=names,
        conductor=wire,
        rooms={name: room for name, room in rooms.items() if room},
        run_lengths_m={name: metres for name, metres in lengths.items() if metres is not None},
        grounded=_switch(values, "grounded", where, default=True),
        no_ground=_some_of(values.get("no_ground"), names, where("no_ground")),
        ring_usual=_switch(values, "ring_usual", where, default=False),
        sub_panel=_switch(values, "sub_panel", where, default=False),
        load_kind=_load_kind(values.get("load_kind"), where("load_kind")),
        wire_temperature_c=DEFAULT_TEMPERATURE_C if temperature_c is None else temperature_c,
        **values_checked,
    )
    return circuit, remarks


def _switch(values: Mapping[str, object], key: str, where: Where, *, default: bool) -> bool:
    """A value that is true or false."""
    value = values.get(key)
    if value is None:
        return default
    if not isinstance(value, bool):
        raise JobError(f"{where(key)} is {_shown(value)}; write true or false.")
    return value


def _some_of(value: object, names: tuple[str, ...], where: str) -> tuple[str, ...]:
    """A list of some of the receptacles."""
    if value is None or value == []:
        return ()
    chosen = checked_names(value, where)
    for name in chosen:
        if name not in names:
            raise JobError(
                f"{where} names {_shown(name)}, which is no receptacle of this circuit. "
                f"Known: {', '.join(names)}."
            )
    return chosen


def _load_kind(value: object, where: str) -> LoadKind:
    """What kind of load there is."""
    if value is None:
        return LoadKind.HEATER
    try:
        return LoadKind(str(value))
    except ValueError as error:
        known = ", ".join(kind.value for kind in LoadKind)
        raise JobError(f"{where} is {_shown(value)}; expected one of {known}.") from error


def checked_names(value: object, where: str) -> tuple[str, ...]:
    """Check a list of receptacle names: each once, each fit to be read and printed."""
    if not isinstance(value, Sequence) or isinstance(value, str | bytes) or not value:
        raise JobError(
            f"{where} is {_shown(value)}; list the names of the receptacles, such as "
            '["Door", "Desk", "Bed"].'
        )
    if len(value) > MAX_RECEPTACLES:
        raise JobError(
            f"{where} lists {len(value)} receptacles; one breaker feeds at most "
            f"{MAX_RECEPTACLES} here. Split the list by breaker, one job each."
        )
    names: dict[str, str] = {}
    for item in value:
        name = checked_name(item, where)
        key = unicodedata.normalize("NFC", name)
        if key in names:
            raise JobError(f"{where} has {_shown(name)} twice; give each receptacle its own name.")
        names[key] = name
    return tuple(names.values())


def checked_name(value: object, where: str) -> str:
    """Check one receptacle name."""
    if not isinstance(value, str):
        raise JobError(f"{where} has {_shown(value)}, which is no text; write names in quotes.")
    name = value
    if not name.strip():
        raise JobError(f"{where} has an empty name; give every receptacle one.")
    if name != name.strip():
        raise JobError(f"{where} has {_shown(name)} with blanks at its ends; take them out.")
    if len(name) > MAX_NAME_LENGTH:
        raise JobError(
            f"{where} has a name of {len(name)} characters ({_shown(name)}); "
            f"use at most {MAX_NAME_LENGTH}."
        )
    if any(unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") for c in name) or (
        _BIDI_CONTROLS & set(name)
    ):
        raise JobError(f"{where} has {_shown(name)} with control characters; take them out.")
    if name.casefold() == "panel" or name.casefold().startswith("splice "):
        raise JobError(
            f"{where} has {_shown(name)}: 'panel' and names that start with 'splice ' mean parts "
            "of the map; choose another name."
        )
    return name


def checked_figure(value: object, key: str, where: str) -> float | None:
    """Check a number against what makes sense for it; ``None`` stays ``None``."""
    if value is None:
        return None
    low, high, unit = FIGURES[key]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise JobError(f"{where} is {_shown(value)}; write a number in {unit}.")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not low <= number <= high:  # refuses nan as well
        raise JobError(
            f"{where} is {_shown(value)}; expected {low:g} to {high:g} {unit}. "
            "Correct it, or leave it out if it is not known."
        )
    return number


def _text(value: object, where: str) -> str | None:
    if value is None:
        return None
    if not isinstance(value, str):
        raise JobError(f"{where} is {_shown(value)}; write text in quotes.")
    if len(value) > MAX_NAME_LENGTH or any(unicodedata.category(c)[0] == "C" for c in value):
        raise JobError(
            f"{where} is {_shown(value)}; use at most {MAX_NAME_LENGTH} characters and no "
            "control characters."
        )
    return value


def _by_name(
    values: Mapping[str, object], key: str, names: tuple[str, ...], where: Where
) -> Mapping[str, object]:
    table = values.get(key) or {}
    if not isinstance(table, Mapping):
        raise JobError(f"{where(key)} is {_shown(table)}; write a table, one receptacle a line.")
    for name in table:
        if name not in names:
            raise JobError(
                f"{where(key)} names {_shown(name)}, which is no receptacle of this circuit. "
                f"Known: {', '.join(names)}."
            )
    return table


def _shown(value: object) -> str:
    """A value as it can stand in a message: short, and without characters that act."""
    if value is None:
        return "missing"
    try:
        text = ascii(value) if isinstance(value, bytes) else repr(value)
    except ValueError:  # an integer too long to print
        return "a number of thousands of digits"
    return text if len(text) <= 60 else text[:57] + "..."


def meant(word: str, known: Sequence[str]) -> list[str]:
    """The names that a typed word can mean: the very same, else all that differ in case only.

    An accent is the same however it is written (Unicode Standard Annex #15).
    """
    if word in known:
        return [word]
    return [name for name in known if _folded(name) == _folded(word)]


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


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


CONTINUOUS_SHARE = 0.8
#: Of one plugged-in load on a 15 or 20 A circuit, and of a load that runs for three hours or more.
CONTINUOUS_SOURCE = "NEC 210.23(A)(1); NEC 210.19(A) and 210.20(A) for continuous loads"
HIGH_VOLTS = 200.0  # supplies above it are of the 230 V kind, at 50 Hz


def usual_hertz(volts: float) -> float:
    """Frequency that goes with a supply (common practice)."""
    return 50.0 if volts > HIGH_VOLTS else 60.0


def usual_breaker_amps(volts: float) -> float:
    """Breaker of a circuit of receptacles (common practice)."""
    return 16.0 if volts > HIGH_VOLTS else 15.0


def usual_conductor(volts: float, breaker_amps: float) -> str:
    """Conductor that goes with supply and breaker.

    14 AWG copper up to 15 A, 12 AWG up to 20 A, else 10 AWG: NEC 240.4(D), from memory; 2.5 mm² on
    230 V: common practice.
    """
    if volts > HIGH_VOLTS:
        return "2.5 mm2 copper"
    gauge = 14 if breaker_amps <= 15 else 12 if breaker_amps <= 20 else 10
    return f"{gauge} AWG copper"


def usual_load_amps(breaker_amps: float) -> float:
    """A load at 80 % of the breaker."""
    return round(CONTINUOUS_SHARE * breaker_amps, 1)


def names_of(text: str) -> tuple[str, ...]:
    """Receptacles from a line with commas between.

    Raises:
        UsageError: It is only how many there are.
        JobError: None, too many, or one that cannot be told apart or printed.
    """
    if text.strip().isdigit():
        raise UsageError(f"{text.strip()[:60]} is a number: name them, such as Door, Desk, Bed.")
    return told_apart([part.strip() for part in text.split(",")], "receptacles")


def told_apart(names: Sequence[str], where: str) -> tuple[str, ...]:
    """Names for a new job: also those that differ only by capitals are refused.

    Raises:
        JobError: One cannot be told apart or printed.
    """
    found = checked_names(names, where)
    alike: dict[str, str] = {}
    for name in found:
        other = alike.setdefault(_folded(name), name)
        if other != name:
            raise JobError(
                f"{where} has {other!r} and {name!r}, which are told apart by capitals only; "
                "give each receptacle its own name."
            )
    return found


def pairs_of(values: Sequence[str], option: str) -> dict[str, str]:
    """Answers of the form ``NAME=VALUE``; a name may itself hold an equals sign.

    Raises:
        UsageError: One has no name or no value.
    """
    found = {}
    for value in values:
        name, equals, text = value.rpartition("=")
        if not equals or not name.strip() or not text.strip():
            raise UsageError(f"{option} {value[:60]!r}: write NAME=VALUE, such as Desk=3.5.")
        found[checked_name(name.strip(), option)] = text.strip()
    return found


def lengths_of(pairs: dict[str, str], option: str) -> dict[str, float]:
    """Lengths in metres of the runs that feed receptacles.

    Raises:
        UsageError: One is no number.
        JobError: One makes no sense as a length.
    """
    found = {}
    for name, text in pairs.items():
        try:
            value = float(text.removesuffix("m").strip())
        except ValueError as error:
            raise UsageError(f"{option} {name}={text}: {text!r} is no length in metres.") from error
        metres = checked_figure(value, "run_length_m", f"{option} {name}")
        if metres is not None:
            found[name] = metres
    return found


@dataclass(frozen=True, slots=True)
class LoadCheck:
    """What there is to say of a load.

    Attributes:
        refusals: It must not be used so, and why.
        warnings: It may be used for the minutes of a test, with care.
    """

    refusals: tuple[str, ...]
    warnings: tuple[str, ...]


def check_load(
    load_amps: float, *, breaker_amps: float | None = None, lead_amps: float | None = None
) -> LoadCheck:
    """Compare a load with what carries it.

    A load above a rating is refused: the breaker trips, or the lead overheats. One above 80 % of it
    is told, with the rule. Figures that are not known are not checked.

    Args:
        load_amps: Of the load at nominal volts.
        breaker_amps: Rating of the breaker.
        lead_amps: Rating of the extension lead that the load is plugged into.
    """
    refusals, warnings = [], []
    for what, rating in (("breaker", breaker_amps), ("extension lead", lead_amps)):
        if rating is None:
            continue
        if load_amps > rating:
            refusals.append(
                f"The load of {load_amps:g} A is more than the {what}'s {rating:g} A. Use a "
                f"smaller load; at most {CONTINUOUS_SHARE * rating:g} A."
            )
        elif load_amps > CONTINUOUS_SHARE * rating + 1e-9:
            warnings.append(
                f"The load of {load_amps:g} A is {load_amps / rating:.0%} of the {what}'s "
                f"{rating:g} A; the rule is at most 80 %, here {CONTINUOUS_SHARE * rating:g} A "
                f"({CONTINUOUS_SOURCE}). Use a smaller one, or keep it on for no longer than asked."
            )
    return LoadCheck(tuple(refusals), tuple(warnings))


def amps_of(watts: float, volts: float) -> float:
    """Current of a heater of so many watts at nominal volts, to a hundredth of an ampere."""
    return round(watts / volts, 2)
