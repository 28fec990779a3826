"""The check with the power off, for terminal and report: steps, expectations, what was found.

Articles are quoted for who is entitled to do the work; local code and licensed practice go first.
"""

import json
import shlex
from collections.abc import Iterable
from dataclasses import dataclass

from meterlink.answers.wirings import Expectation
from meterlink.show.format import clean, display_width, pad, percent, wrap
from meterlink.testlog.findings import Cut, Finding
from meterlink.tree.isolation import belonging, elsewhere
from meterlink.tree.wiring import WiringMap

FIRST_OF_ALL = (
    "Local code, the site's own procedure and the licence of who does the work go before anything "
    "written here. Opening a device is no work for somebody unlicensed; the map is only a guess "
    "at what is behind the cover, never a proof that a conductor is dead."
)
MORE_CARE = (
    "Two circuits may share a box or a neutral: verify every conductor there, not only this "
    "circuit's. Both breakers of a multiwire circuit go off together (NEC 210.4(B)); its neutral "
    "must not be disconnected while either is on (NEC 300.13(B)). Leave the grounding conductors "
    "joined."
)
STEPS = (
    "For a person licensed for this work only. Switch the breaker off, lock it or tag it "
    "(OSHA 29 CFR 1910.333(b)(2)).",
    "Prove the tester on a source known to be live, verify that every conductor in the box is "
    "dead, prove the tester again (NFPA 70E, 120.5).",
    "Open {at}. Disconnect the incoming (line) from the outgoing (load) wires, and cap every "
    "conductor by itself.",
    "Close the box so that nothing bare can be touched, then switch the breaker on.",
    "With a plug-in tester look at each receptacle below; write down live or dead.",
    "Switch off and lock again, verify dead, remake the joints, close up, and test.",
)
TRIP_STEPS = (  # no box is opened; UL 943 devices are to be tested every month (from memory)
    "With the breaker on, press TEST on the device at {at}. It must click, and its own face must "
    "be dead.",
    "With a plug-in tester look at each receptacle below; write down live or dead. Nothing is "
    "opened, and what is dead is on its load terminals.",
    "Press RESET. A device that does not trip or does not reset has to be replaced.",
)
_HEADS = {
    Cut.DISCONNECTED: "To be found with the outgoing (load) wires at {at} disconnected:",
    Cut.TRIPPED: "To be found with the device at {at} tripped:",
    Cut.BREAKER_OFF: "To be found with this breaker off:",
    Cut.OTHERS_OFF: "To be found with every breaker off but this one:",
}


@dataclass(frozen=True, slots=True)
class Check:
    """Everything about one check.

    Attributes:
        at: The receptacle to open, or whose device is tripped.
        cut: Which of the two.
        expected: What should be found.
        wiring_map: What is known now, findings among it.
        findings: Everything found so far.
    """

    at: str
    cut: Cut
    expected: tuple[Expectation, ...]
    wiring_map: WiringMap
    findings: tuple[Finding, ...]

    @property
    def steps(self) -> tuple[str, ...]:
        """The steps in order."""
        steps = TRIP_STEPS if self.cut is Cut.TRIPPED else STEPS
        return tuple(step.replace("{at}", clean(self.at)) for step in steps)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What goes before the steps and after them."""
        return (FIRST_OF_ALL,) if self.cut is Cut.TRIPPED else (FIRST_OF_ALL, MORE_CARE)

    @property
    def head(self) -> str:
        """What the list of expectations is about."""
        return _HEADS[self.cut].replace("{at}", clean(self.at))


def check_text(check: Check, width: int, job: str) -> str:
    """Steps and expectations for somebody who stands at the panel."""
    at = clean(check.at)
    title = (
        f"Test of the device at {at}"
        if check.cut is Cut.TRIPPED
        else f"Check with the power off at {at}"
    )
    lines = [title, "", *wrap(FIRST_OF_ALL, width), ""]
    for i, step in enumerate(check.steps, 1):
        first, *rest = wrap(step, width - 3)
        lines += [f"{i}. {first}", *(f"   {line}" for line in rest)]
    for caution in check.cautions[1:]:
        lines += ["", *wrap(caution, width)]
    lines += ["", *wrap(check.head, width), *expected_lines(check.expected)]
    if example := next((e for e in check.expected if e.name != check.at), None):
        option = "--tripped-at" if check.cut is Cut.TRIPPED else "--at"
        found = f"--found-{example.state}"
        words = ("meterlink", "isolate", job, option, at, found, clean(example.name))
        lines += [
            "",
            "Write down what was found, for example:",
            f"  {shlex.join(words)}",
        ]
    return "\n".join([*lines, *_found_lines(check, width)])


def expected_lines(expected: Iterable[Expectation]) -> list[str]:
    """One line a receptacle."""
    each = list(expected)
    wide = max((display_width(clean(e.name)) for e in each), default=0)
    return [
        f"  {expected_word(e):6s}  {pad(clean(e.name), min(wide, 40))}  "
        f"{f'more likely {e.state}, ' if e.unsure else ''}{percent(e.probability)}"
        for e in each
    ]


def expected_word(expectation: Expectation) -> str:
    """Dead, live, or either where the tests say too little."""
    return "either" if expectation.unsure else expectation.state.value


def _found_lines(check: Check, width: int) -> list[str]:
    """What has been found so far, which receptacles belong, and what contradicts."""
    lines: list[str] = []
    if check.findings:
        lines += ["", "Found so far:"]
        lines += [f"  {finding_words(finding)}" for finding in check.findings]
    if here := belonging(check.findings):
        lines += ["", f"On this circuit: {', '.join(map(clean, here))}"]
    if away := elsewhere(check.findings):
        lines += ["", f"On another circuit: {', '.join(map(clean, away))}"]
    for note in check.wiring_map.notes:
        lines += ["", *wrap(clean(note), width)]
    return lines


def finding_words(finding: Finding) -> str:
    """One finding in words."""
    how = {
        Cut.DISCONNECTED: f"load wires at {clean(finding.at or '')} disconnected",
        Cut.TRIPPED: f"device at {clean(finding.at or '')} tripped",
        Cut.BREAKER_OFF: "this breaker off",
        Cut.OTHERS_OFF: "all other breakers off",
    }[finding.cut]
    return f"{clean(finding.receptacle)} {finding.state}, {how}"


def check_json(check: Check) -> str:
    """The check as one JSON object."""
    first = check.wiring_map.first
    return json.dumps(
        {
            "at": check.at,
            "cautions": list(check.cautions),
            "steps": list(check.steps),
            "expected": [
                {"name": e.name, "state": e.state.value, "probability": round(e.probability, 6)}
                for e in check.expected
            ],
            "findings": [
                {
                    "finding": f.number,
                    "time": f.time.isoformat(timespec="seconds"),
                    "cut": f.cut.value,
                    "at": f.at,
                    "receptacle": f.receptacle,
                    "found": f.state.value,
                    "note": f.note,
                }
                for f in check.findings
            ],
            "on_this_circuit": list(belonging(check.findings)),
            "on_another_circuit": list(elsewhere(check.findings)),
            "first": {"receptacle": first.receptacle, "probability": round(first.probability, 6)},
            "settled": check.wiring_map.settled,
            "notes": list(check.wiring_map.notes),
            "cut": check.cut.value,
        },
        indent=2,
        allow_nan=False,
    )
