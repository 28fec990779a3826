"""Volts in words for the screen."""


def volts_text(volts: float, resolution_v: float | None = None, *, signed: bool = False) -> str:
    """Volts as "12.34 mV" or "120.0 V".

    Args:
        volts: The value.
        resolution_v: Weight of the last digit to show; four figures where it is not known.
        signed: Whether a plus is written too.
    """
    milli = abs(volts) < 1.0 and (resolution_v is None or resolution_v < 1e-3)
    scale, unit = (1e3, "mV") if milli else (1.0, "V")
    value = volts * scale
    if resolution_v is None:
        decimals = 1 if abs(value) >= 100 else 2 if abs(value) >= 1 else 3
    else:
        decimals = min(4, max(0, -round(_exponent(resolution_v * scale))))
    return f"{value:{'+' if signed else ''}.{decimals}f} {unit}"


def _exponent(value: float) -> int:
    """Exponent of a power of ten, rounding noise aside."""
    return int(f"{value:.0e}".partition("e")[2])
