"""The check with the power off, in the terminal and as JSON: steps, expectations, findings."""

import json
from collections.abc import Sequence
from dataclasses import dataclass

from meterlink.circuit.circuit import Circuit
from meterlink.show.isolation import STEPS
from meterlink.show.text_width import clean, display_width, pad, wrap
from meterlink.show.words import percent
from meterlink.testlog.findings import Cut, Finding, State
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
    "must not be parted while either is on (NEC 300.13(B)). Leave the grounding conductors joined."
)
UNSURE = (0.2, 0.8)  # between these a receptacle is expected to be neither


@dataclass(frozen=True, slots=True)
class Expectation:
    """What should be found at one receptacle, and how probable that is."""

    name: str
    state: State
    probability: float

    @property
    def unsure(self) -> bool:
        """Whether the tests say too little to expect anything."""
        return self.probability < UNSURE[1]


@dataclass(frozen=True, slots=True)
class Check:
    """Everything about one check.

    Attributes:
        circuit: Names.
        at: The receptacle to open.
        expected: For all others what should be found with its onward conductors parted.
        wiring_map: What is known now, findings among it.
        findings: Everything found so far.
    """

    circuit: Circuit
    at: str
    expected: tuple[Expectation, ...]
    wiring_map: WiringMap
    findings: tuple[Finding, ...]

    @property
    def steps(self) -> tuple[str, ...]:
        """The steps in order."""
        return tuple(step.replace("{opened}", clean(self.at)) for step in STEPS)


def expectations(
    names: Sequence[str], at: str, feeds_probability: Sequence[float]
) -> tuple[Expectation, ...]:
    """Dead behind the parted conductors, live elsewhere; dead ones first.

    Args:
        names: All receptacles.
        at: The one that is opened.
        feeds_probability: For each receptacle that ``at`` feeds it.
    """
    found = [
        Expectation(name, State.DEAD, float(p))
        if p >= 0.5
        else Expectation(name, State.LIVE, 1 - float(p))
        for name, p in zip(names, feeds_probability, strict=True)
        if name != at
    ]
    return tuple(sorted(found, key=lambda e: (e.state is State.LIVE, -e.probability)))


def check_text(check: Check, width: int, job: str) -> str:
    """Steps and expectations for somebody who stands at the panel."""
    lines = [f"Check with the power off at {clean(check.at)}", "", *wrap(FIRST_OF_ALL, width), ""]
    for i, step in enumerate(check.steps, 1):
        first, *rest = wrap(step, width - 3)
        lines += [f"{i}. {first}", *(f"   {line}" for line in rest)]
    lines += ["", *wrap(MORE_CARE, width), "", "To be found with the onward conductors parted:"]
    lines += expected_lines(check)
    example = next((e for e in check.expected), None)
    if example is not None:
        lines += [
            "",
            "Write down what was found, for example:",
            f"  meterlink isolate {job} --at {clean(check.at)!r} "
            f"--found-{example.state} {clean(example.name)!r}",
        ]
    return "\n".join([*lines, *found_lines(check, width)])


def expected_lines(check: Check) -> list[str]:
    """One line a receptacle."""
    wide = max((display_width(clean(e.name)) for e in check.expected), default=0)
    return [
        f"  {'either' if e.unsure else e.state:6s}  {pad(clean(e.name), min(wide, 40))}  "
        f"{f'more likely {e.state}, ' if e.unsure else ''}{percent(e.probability)}"
        for e in check.expected
    ]


def found_lines(check: Check, width: int) -> list[str]:
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
        Cut.PARTED: f"conductors parted at {clean(finding.at or '')}",
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
            "cautions": [FIRST_OF_ALL, MORE_CARE],
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
        },
        indent=2,
        allow_nan=False,
    )
