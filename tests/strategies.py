"""Random inputs that several test files share."""

from datetime import UTC, datetime, timedelta, timezone

from hypothesis import strategies as st

from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.testlog.columns import Source, TestRow

#: Text as foreign programs may write it: formulas, quotes, commas, line ends, other scripts.
awkward_text = st.one_of(
    st.text(max_size=20),
    st.text(alphabet="=+-@'\"\t\r\n ,;\uff1da1\u05d0\U0001f600", max_size=12),
)

_names = st.one_of(
    st.sampled_from(["Door", "Desk", "Bed", "=1+1", "'x", "@sum", '5" pipe', "a,b", "-3"]),
    awkward_text.filter(bool),
)
_millivolts = st.none() | st.integers(-(10**9), 10**9).map(lambda n: n / 1e4)
_spreads = st.none() | st.integers(0, 10**9).map(lambda n: n / 1e4)
_amps = st.none() | st.integers(10, 2 * 10**6).map(lambda n: n / 1e4)
_counts = st.none() | st.integers(0, 10**6)


@st.composite
def setups(draw: st.DrawFn) -> Setup:
    hookup = draw(st.sampled_from(Hookup))
    lead_a = draw(_names)
    lead_b = draw(_names.filter(lambda n: n != lead_a)) if hookup.has_lead_b else None
    if hookup.ohms:
        sides = ("neutral", "hot") if hookup.has_lead_b else ("hot+ground", "neutral+ground")
        return Setup(hookup, lead_a, lead_b, "", draw(st.sampled_from(sides)))
    return Setup(hookup, lead_a, lead_b, draw(_names))


@st.composite
def rows(draw: st.DrawFn, test: int = 1) -> TestRow:
    """A row whose numbers have no more digits than the log keeps."""
    zone = draw(st.sampled_from([UTC, timezone(timedelta(hours=-5, minutes=-30))]))
    millis = draw(st.integers(0, 10**12))
    return TestRow(
        test=test,
        time=datetime(2020, 1, 1, tzinfo=zone) + timedelta(milliseconds=millis),
        setup=draw(setups()),
        amps=draw(_amps),
        idle_mv=draw(_millivolts),
        idle_sd_mv=draw(_spreads),
        on_mv=draw(_millivolts),
        on_sd_mv=draw(_spreads),
        after_mv=draw(_millivolts),
        delta_mv=draw(_millivolts),
        drop_mv=draw(_millivolts),
        drop_u_mv=draw(_spreads),
        limit_mv=draw(_spreads),
        verdict=draw(st.sampled_from(Verdict)),
        n_idle=draw(_counts),
        n_on=draw(_counts),
        source=draw(st.sampled_from(Source)),
        capture=draw(st.none() | awkward_text.filter(bool)),
        flags=tuple(draw(st.lists(st.sampled_from(["gap", "idle-moves", "=x"]), max_size=3))),
        note=draw(awkward_text),
        path_mohm=draw(_millivolts),
        path_u_mohm=draw(_spreads),
        setting=draw(st.sampled_from([None, "low", "high", "low+high"])),
        level_u_mv=draw(_spreads),
        cycles=draw(_counts),
    )
