"""``meterlink watch``: the running readings of a meter."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from meterlink.live.terminal import tell

if TYPE_CHECKING:
    from meterlink.live.session import LiveSession
    from meterlink.live.terminal import Keys, StopSignals
    from meterlink.live.watching import Output

_POLL_S = 0.1


@click.command()
@click.option(
    "--meter",
    required=True,
    metavar="ADDRESS",
    help="Address of the meter, or its remembered name; 'meterlink meters' finds it.",
)
@click.option(
    "--record",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Record to FILE, which must not exist. Default: a file in the user's folder, where the "
    "newest 20 are kept.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object a reading, a line each.")
@click.option(
    "--for", "for_s", type=click.FloatRange(min=0.1), metavar="SECONDS", help="Stop after so long."
)
@click.option("--dc", is_flag=True, help="Expect DC volts instead of AC.")
@click.option("--ohms", is_flag=True, help="Expect ohms.")
def command(
    meter: str, *, record: Path | None, as_json: bool, for_s: float | None, dc: bool, ohms: bool
) -> None:
    r"""Show the readings of a meter as they come, with level, jitter and jumps.

    Keys on a terminal: l load on, o load off, n note, q stop; they become marks in the recording.
    Whatever comes is recorded, so that it can be replayed and looked at later.

    \b
    Examples:
      meterlink watch --meter lines:/dev/ttyUSB0,9600
      meterlink watch --meter segments:/dev/ttyUSB1,2400,rts=off --record visit.jsonl
      meterlink watch --meter bench --json --for 60 | jq .volts
    """
    import os
    import sys
    from datetime import UTC, datetime

    from drivers.errors import CaptureError
    from drivers.readings import Function
    from meterlink.live.remembered import find_address, unnamed_recording
    from meterlink.live.session import LiveSession
    from meterlink.live.terminal import Keys, StopSignals
    from meterlink.live.watching import JsonOutput, PlainOutput, ScreenOutput

    address = find_address(meter)
    wanted = Function.OHM if ohms else Function.DC if dc else Function.AC
    path = record or unnamed_recording(datetime.now(UTC))
    with (
        Keys() as keys,
        LiveSession(address, path, wanted=wanted) as session,
        StopSignals() as signals,
    ):
        output: Output
        if as_json:
            output = JsonOutput(session.started)
        elif sys.stdout.isatty():
            title = session.meter.identity or str(address)
            output = ScreenOutput(title, wanted, keys=keys.available)
            keys.on_return = output.block.leave
        else:
            output = PlainOutput(wanted)
        tell(f"recording to {path}")
        try:
            readings = _watch(session, keys, output, signals, for_s)
        except BrokenPipeError:  # the program that read our lines has ended: so do we
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            return
        finally:
            output.close()
            recorded = session.is_recording
    if not recorded:
        raise CaptureError(f"The recording to {path} stopped before the end; see above.")
    _say_what_came(readings, session.rubbish, str(address))


def _watch(
    session: "LiveSession",
    keys: "Keys",
    output: "Output",
    signals: "StopSignals",
    for_s: float | None,
) -> int:
    """Show until the time is up, q or a signal; returns the number of readings."""
    from drivers.readings import Reading
    from meterlink.visit.keyboard import Keyboard
    from meterlink.visit.view import Key, VisitStage, VisitView

    only = (Key.LOAD_ON, Key.LOAD_OFF, Key.NOTE, Key.STOP)
    keyboard, view = Keyboard(only=only), VisitView(1, VisitStage.IDLE, "", "", keys=(Key.NOTE,))
    readings = 0
    while not signals.count and (for_s is None or session.now_s() < for_s):
        left_s = _POLL_S if for_s is None else min(_POLL_S, for_s - session.now_s())
        for event in session.poll(max(0.0, left_s)):
            readings += isinstance(event, Reading)
            output.take(event)
        output.flush(session.now_s())
        for typed in keyboard.press(keys.pressed(), view):
            if typed.what is Key.STOP:
                return readings
            session.mark(typed.what.value, typed.text)
        output.prompt(keyboard.text if keyboard.asked else None)
    return readings


def _say_what_came(readings: int, rubbish: bytes, address: str) -> None:
    """A watch without a reading is a failure, and says so."""
    from drivers.errors import SilentError
    from meterlink.visit.notices import not_understood

    if not readings:
        why = (
            "Is the meter on, and is the address right? 'meterlink meters' tries ports and speeds."
        )
        if rubbish:
            why = not_understood(rubbish)
        raise SilentError(f"No reading came from {address}. {why}")
    tell(f"{readings} readings")
