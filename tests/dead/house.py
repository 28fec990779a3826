"""A dead circuit to visit: a meter and a supply over SCPI, and hands that place the leads."""

from collections.abc import Callable, Sequence

from drivers.address import parse_address
from drivers.closing import Closing
from drivers.readings import Function
from drivers.scpi_source import Limits, ScpiSource
from drivers.simulated import SimulatedMeter
from drivers.simulated_bytes import SimulatedSupply
from meterlink.circuit.circuit import Circuit, LoadKind
from meterlink.circuit.setup import Setup
from meterlink.visit.keyboard import Typed
from meterlink.visit.loop import Visit
from meterlink.visit.view import Key, VisitStage

from .test_source import Cable

FEED = {"Door": ("panel", 90.0), "Desk": ("Door", 30.0), "Bed": ("Desk", 45.0)}  # neutral, mohm
SPEED = 20.0


def way(name: str) -> set[str]:
    found = set()
    while name in FEED:
        found.add(name)
        name = FEED[name][0]
    return found


class House(Closing):
    """The circuit, the instruments at it, and where the leads are.

    Attributes:
        supply: The supply's inside.
        cable: To the supply.
        meter: The meter, with its own cable.
        setup: Where leads and source are; ``None`` before the first test.
        lead_mohm: Resistance of the leads of an ohmmeter of two wires.
        on_flow: Called with the current each time the meter looks while it flows.
    """

    def __init__(self, *, reversal: str = "relay") -> None:
        self.supply = SimulatedSupply(reversal=reversal, ohms=0.4)
        self.cable = Cable(self.supply)
        self.setup: Setup | None = None
        self.lead_mohm = 0.0
        self.on_flow: Callable[[float], None] = lambda _: None
        self.meter = SimulatedMeter(self._seen, driver="scpi", rate_hz=200.0, seed=3)
        self.meter.display.noise_v = 2e-6
        self.circuit = Circuit("Dead", tuple(FEED), conductor="14 AWG copper")
        self.direct = Circuit(
            "Dead", tuple(FEED), load_kind=LoadKind.DIRECT_SOURCE, load_amps=5.0,
            conductor="14 AWG copper",
        )  # fmt: skip

    def close(self) -> None:
        self.meter.close()

    def source(self) -> ScpiSource:
        return ScpiSource(
            parse_address("scpi:COM9"),
            Limits(12.0, 5.0),
            pause=lambda _: None,
            opener=self.cable.open,  # type: ignore[arg-type]
        )

    def neutral_mohm(self, setup: Setup) -> float:
        lead = way(setup.lead_a), way(setup.lead_b or "panel")
        flow = way(setup.load_at), way(setup.return_at or "panel")
        if setup.hookup.ohms:
            return sum(FEED[run][1] for run in lead[0] ^ lead[1])
        total = 0.0
        for run, (_, mohm) in FEED.items():
            seen = (run in lead[0]) - (run in lead[1])
            total += mohm * seen * ((run in flow[0]) - (run in flow[1]))
            if setup.side == "neutral+ground":
                total += 1.1 * mohm * seen * ((run in flow[0]) - (run in flow[1]))
        return total

    def _seen(self, t_s: float) -> float:
        """Ohms or volts between the leads, as the meter is set."""
        del t_s
        flow = self.supply.flow()
        if flow:
            self.on_flow(flow)
        is_ohms = self.meter.instrument.function is Function.OHM
        if self.meter.instrument.function is Function.AC or (self.setup is None and not is_ohms):
            return 0.002
        if self.setup is None:  # tips together
            return 1e-3 * self.lead_mohm
        mohm = self.neutral_mohm(self.setup)
        if self.meter.instrument.function is Function.OHM:
            return 1e-3 * (mohm + self.lead_mohm)
        return 1e-3 * mohm * flow + 15e-6


class Person:
    """A surface: says that the leads are ready, and stops when it is settled or has enough."""

    def __init__(self, house: House, most_tests: int = 99) -> None:
        self.house = house
        self.most = most_tests
        self.rows: list[object] = []
        self.heard: list[str] = []
        self.shown: list[str] = []
        self._keys: list[Typed] = []
        self._step = -1

    def typed(self) -> Sequence[Typed]:
        keys, self._keys = self._keys, []
        return keys

    def show(self, visit: Visit) -> None:
        view = visit.view
        if view.instruction not in self.shown[-1:]:
            self.shown.append(view.instruction)
        self.heard += [text for text in view.alerts if text not in self.heard]
        if view.step == self._step:
            return
        self._step = view.step
        if view.stage is VisitStage.SETTLED or len(self.rows) >= self.most:
            self._keys.append(Typed(Key.STOP, blind=True))
        elif view.stage is VisitStage.SET_UP and Key.READY in view.keys:
            self.house.setup = visit.setup
            self._keys.append(Typed(Key.READY, blind=True))

    def event(self, event: object) -> None:
        pass

    def row(self, row: object) -> None:
        self.rows.append(row)

    def outlook(self, outlook: object) -> None:
        pass

    def say(self, text: str) -> None:
        self.heard.append(text)

    def command(self, command: object, outlook: object) -> None:
        pass
