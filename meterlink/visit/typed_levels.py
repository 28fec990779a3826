"""Readings that a person types: how they are read, and which of them other tests make absurd. Pure.

A bare number is in the unit of the hookup: mV between neutrals or to ground, V between hot and
neutral, ohm for an ohmmeter. ``6 815`` is both levels, ``j`` and ``nj`` only that there was a jump,
or none.
"""

import re
from dataclasses import replace
from datetime import datetime

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.errors import UsageError
from meterlink.levels.visit_split import smallest_drop_mv
from meterlink.testlog.columns import TestRow
from meterlink.testlog.rows import (
    SOURCE_U_MV,
    SUPPLY_WANDER_MV,
    WANDER_MV,
    Levels,
    entered_row,
    ohms_row,
    step_of,
)
from meterlink.visit.state import Phase, TypedTest
from meterlink.visit.steps import Steps

MOST_MV = 1e6  # 1 kV; more is a slip of the decimal point
MOST_OHM = 1e6
SLIP = 1000.0  # a volt taken for a millivolt, or the other way
FAR = 10.0  # times out of what can be: then a slip is asked about
NEAR = 1.5  # times out of it: then what was meant is offered
HIGHEST_SHARE = 0.2  # of the supply: a drop above it is no drop on a wire that works
SUPPLY_SHARE = 0.25  # by which a supply may be off its nominal value

_NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*([^\d\s,.;+-]*)")
_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
#: Case-folded, which makes the micro sign a Greek mu and the ohm sign a Greek omega.
_UNITS = {"uv": 1e-3, "\u03bcv": 1e-3, "mv": 1.0, "v": 1e3}  # to mV
_OHMS = {"mohm": 1e-3, "m\u03c9": 1e-3, "ohm": 1.0, "ohms": 1.0, "\u03c9": 1.0}  # to ohm


def unit_of(hookup: Hookup) -> str:
    """Unit that a bare number is taken in."""
    if hookup.ohms:
        return "ohm"
    return "V" if hookup is Hookup.LINE_DROP else "mV"


def typed_levels(text: str, hookup: Hookup) -> list[float]:
    """One or two levels that were typed, in mV or ohm.

    Raises:
        UsageError: It is no number, has the unit of something else, or there are too many.
    """
    found = [_level(number, unit, hookup) for number, unit in _parts(text)]
    most = 1 if hookup.ohms else 2
    if not 1 <= len(found) <= most:
        example = "0.143" if hookup.ohms else "6 815"
        raise UsageError(f"Type {'one reading' if most == 1 else 'one reading or two'}: {example}.")
    return found


def typed_step(text: str, hookup: Hookup) -> float | None:
    """Weight in ohm of the last digit of an ohmmeter's reading as it was typed: 0.140 has three."""
    if not hookup.ohms:
        return None
    (number, unit), *_ = _parts(text)
    return step_of(number.replace(",", ".")) * _OHMS[unit.casefold() or "ohm"]


def typed_test(setup: Setup, text: str) -> TypedTest:
    """A whole test that was typed: both levels, the ohms, or ``j`` or ``nj``.

    Raises:
        UsageError: It is none.
    """
    word = text.strip().casefold()
    if word in ("j", "jump", "nj", "no-jump") and not setup.hookup.ohms:
        is_jump = word in ("j", "jump")
        return TypedTest(setup, verdict=Verdict.IN_PATH if is_jump else Verdict.NOT_IN_PATH)
    values = typed_levels(text, setup.hookup)
    if setup.hookup.ohms:
        return TypedTest(setup, on=values[0], step=typed_step(text, setup.hookup))
    if len(values) != 2:
        raise UsageError("Both readings are wanted, without load and with it: 6 815.")
    return TypedTest(setup, values[0], values[1])


def odd_value(
    test: TypedTest, expected: tuple[float, float] | None, circuit: Circuit
) -> tuple[TypedTest, str] | None:
    """What was probably meant by a value that makes no sense here, and why it makes none.

    Args:
        test: As typed.
        expected: Bounds that other tests set for its drop, in mV; ``None`` where they set none.
        circuit: For the supply.
    """
    if test.on is None or test.setup.hookup.ohms or test.idle is None:
        return None
    if test.setup.hookup is Hookup.LINE_DROP:
        return _odd_supply(test, circuit.volts)
    highest = HIGHEST_SHARE * 1e3 * (circuit.volts or 120.0)
    low, high = expected if expected is not None else (0.0, highest)
    if test.setup.hookup is Hookup.NEUTRAL_GROUND and test.setup.lead_a == test.setup.load_at:
        low = max(low, smallest_drop_mv(circuit))  # all of the load's current comes this way
    bounds = (max(low, 0.0), min(max(high, 1.0), highest))
    if not _is_far(abs(test.on - test.idle), bounds):
        return None
    for meant in _slips(test):
        if meant.on is not None and meant.idle is not None and _fits(meant, bounds):
            other = "other tests let it be" if expected is not None else "a wire that works has"
            return meant, f"{other} {_range(bounds)}"
    return None


def typed_row(test: TypedTest, circuit: Circuit, time: datetime) -> TestRow:
    """The row of a typed test; the log gives it its number.

    Raises:
        UsageError: The levels make no sense.
    """
    if test.setup.hookup.ohms:
        ohms = test.on or 0.0
        step = step_of(f"{ohms:g}") if test.step is None else test.step
        return ohms_row(test.setup, circuit, time=time, ohms=ohms, step_ohms=step)
    if test.verdict is not None:
        return entered_row(test.setup, circuit, time=time, seen=test.verdict)
    line = test.setup.hookup is Hookup.LINE_DROP
    wander = SUPPLY_WANDER_MV if line else SOURCE_U_MV if test.setup.dead else WANDER_MV
    seen = Levels(test.idle or 0.0, test.on or 0.0, wander)
    return entered_row(test.setup, circuit, time=time, seen=seen)


def level_text(value: float, hookup: Hookup) -> str:
    """A level as it would be typed, with its unit."""
    if hookup.ohms:
        return f"{value:g} ohm"
    return f"{value / 1e3:g} V" if hookup is Hookup.LINE_DROP else f"{value:g} mV"


def _parts(text: str) -> list[tuple[str, str]]:
    rest = text.strip()
    found = []
    while rest:
        match = _NUMBER.match(rest)
        if match is None:
            raise UsageError(f"{rest[:40]!r} is no number. Type a reading, such as 815 or 0.815 V.")
        found.append((match[1], match[2]))
        rest = rest[match.end() :].lstrip(" \t;")
        if len(found) > 2:
            break
    return found


def _level(number: str, unit: str, hookup: Hookup) -> float:
    value = float(number.replace(",", "."))
    known = _OHMS if hookup.ohms else _UNITS
    name = unit.casefold() or unit_of(hookup).casefold()
    if name not in known:
        wanted = "ohms" if hookup.ohms else "volts or millivolts"
        raise UsageError(f"{number} {unit[:20]}: a reading in {wanted} is wanted here.")
    if name == "mv" and _THOUSANDS.fullmatch(number):  # 1,048 mV is a thousand, or hardly one
        plain, point = number.replace(",", ""), number.replace(",", ".")
        raise UsageError(f"{number} can be read two ways: write {plain}, or {point}.")
    value *= known[name]
    if abs(value) > (MOST_OHM if hookup.ohms else MOST_MV):
        raise UsageError(f"{number} {unit[:20]}: that is more than a receptacle can show.")
    return value


def _odd_supply(test: TypedTest, volts: float | None) -> tuple[TypedTest, str] | None:
    """A supply that is a thousand times off."""
    if volts is None or test.idle is None or abs(test.idle / 1e3 / volts - 1) < SUPPLY_SHARE:
        return None
    for meant in _slips(test):
        if meant.idle is not None and abs(meant.idle / 1e3 / volts - 1) < SUPPLY_SHARE:
            return meant, f"the supply is {volts:g} V"
    return None


def _slips(test: TypedTest) -> list[TypedTest]:
    """The same with the level under load, or both levels, a thousand times larger or smaller."""
    if test.on is None or test.idle is None:
        return []
    return [
        replace(test, on=on, idle=idle)
        for factor in (SLIP, 1 / SLIP)
        for on, idle in (
            (test.on * factor, test.idle),
            (test.on * factor, test.idle * factor),
            (test.on, test.idle * factor),
        )
    ]


def _is_far(drop: float, bounds: tuple[float, float]) -> bool:
    low, high = bounds
    return drop > FAR * high or drop < low / FAR


def _fits(test: TypedTest, bounds: tuple[float, float]) -> bool:
    drop = abs((test.on or 0.0) - (test.idle or 0.0))
    low, high = bounds
    return low / NEAR <= drop <= high * NEAR


def _range(bounds: tuple[float, float]) -> str:
    return f"{bounds[0]:.0f} to {bounds[1]:.0f} mV"


def take_typed(
    steps: Steps, idle: float | None, on: float | None, step: float | None = None
) -> bool:
    """Typed readings, in mV or ohm; returns whether they mean something now.

    The level without load stays until the one with it comes.
    """
    state = steps.state
    if not (state.is_typed and state.phase is Phase.SET_UP and state.setup and not state.odd):
        return False
    if idle is not None:
        state.typed_idle = idle
    if on is None:
        return True
    if state.typed_idle is None and not state.setup.hookup.ohms:
        return False
    _log_or_ask(steps, TypedTest(state.setup, state.typed_idle, on, step=step))
    return True


def _log_or_ask(steps: Steps, test: TypedTest) -> None:
    """Log a typed test, or ask where other tests make it absurd."""
    state = steps.state
    expected = state.outlook.expected if state.outlook is not None else None
    asked_for = state.outlook.setup if state.outlook is not None else None
    found = odd_value(test, expected if test.setup == asked_for else None, state.circuit)
    if found is None:
        log_typed(steps, test)
    else:
        meant, state.why_odd = found
        state.odd = (test, meant)


def log_typed(steps: Steps, test: TypedTest) -> None:
    """Have a typed test logged."""
    state = steps.state
    state.phase, state.typed_idle, state.odd, state.void = Phase.LOGGING, None, None, ""
    steps.log(test)
