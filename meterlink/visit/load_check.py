"""Whether a load is fit for the breaker and for the extension lead it hangs on. Pure."""

from dataclasses import dataclass

CONTINUOUS_SHARE = 0.8
#: Of one plugged-in load on a 15 or 20 A circuit, and of a load that runs for three hours or more.
CONTINUOUS_SOURCE = "NEC 210.23(A)(1); NEC 210.19(A) and 210.20(A) for continuous loads"


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
