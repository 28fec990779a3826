"""What ``meterlink start`` asks: answers to offer, how they are read, and if the load is fit."""

from collections.abc import Sequence
from dataclasses import dataclass

from meterlink.circuit.checks import checked_figure, checked_name, checked_names
from meterlink.errors import UsageError

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
