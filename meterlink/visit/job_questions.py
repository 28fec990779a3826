"""What ``meterlink start`` asks: sensible answers to offer, and how answers are read. Pure."""

from collections.abc import Sequence

from meterlink.circuit.checks import checked_figure, checked_name, checked_names
from meterlink.errors import UsageError

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
    """A load at 80 % of the breaker: ``meterlink.visit.load_check`` has the rule."""
    return round(0.8 * breaker_amps, 1)


def names_of(text: str) -> tuple[str, ...]:
    """Receptacles from a line with commas between.

    Raises:
        JobError: None, too many, or one that cannot be told apart or printed.
    """
    return checked_names([part.strip() for part in text.split(",")], "receptacles")


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
