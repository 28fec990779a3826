"""Conductors against printed tables; every file under fixtures/reference names its source."""

import contextlib
import csv
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.circuit.circuit import ConductorError, awg_area_mm2, conductor

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"
KFT_PER_KM = 3.280839895


def table(name: str) -> list[dict[str, str]]:
    lines = (REFERENCE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def constants() -> dict[str, dict[str, object]]:
    return json.loads((REFERENCE / "conductor_constants.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("row", table("conductors_awg_copper_20c.csv"), ids=lambda r: r["awg"])
def test_awg_copper_at_20c_is_the_copper_wire_table_to_four_figures(row):
    # ASTM B258 and IACS; the published column is the copper wire table.
    per_km = conductor(f"{row['awg']} AWG copper").ohm_per_m(20.0) * 1e3
    assert per_km == pytest.approx(float(row["cu_ohm_per_km_20c_computed"]), rel=5e-5)
    published = float(row["cu_ohm_per_kft_20c_published"])
    assert per_km / KFT_PER_KM == pytest.approx(published, rel=5e-4)
    assert awg_area_mm2(int(row["awg"])) == pytest.approx(float(row["area_mm2"]), rel=1e-4)


@pytest.mark.parametrize("metal", ["copper", "aluminium"])
@pytest.mark.parametrize(
    "row", table("conductors_nec_table8.csv"), ids=lambda r: f"{r['awg']}-{r['construction']}"
)
def test_awg_at_75c_is_table_8_of_the_electrical_code_within_one_per_cent(row, metal):
    # NFPA 70 chapter 9 table 8, one conductor, direct current, 75 °C.
    column = {"copper": "cu_uncoated_ohm_per_kft_75c", "aluminium": "al_ohm_per_kft_75c"}[metal]
    ours = conductor(f"{row['awg']} AWG {row['construction']} {metal}").ohm_per_m(75.0) * 1e3
    assert ours / KFT_PER_KM == pytest.approx(float(row[column]), rel=0.01)


@pytest.mark.parametrize("row", table("conductors_iec60228.csv"), ids=lambda r: r["mm2"])
def test_metric_sizes_at_20c_are_the_limits_of_the_cable_standard(row):
    # IEC 60228:2004 tables 1 and 2.
    copper = conductor(f"{row['mm2']} mm2 copper").ohm_per_m(20.0) * 1e3
    assert copper == pytest.approx(float(row["class1_cu_plain_max_ohm_per_km_20c"]))
    if row["class1_2_al_max_ohm_per_km_20c"]:
        aluminium = conductor(f"{row['mm2']} mm2 aluminium").ohm_per_m(20.0) * 1e3
        assert aluminium == pytest.approx(float(row["class1_2_al_max_ohm_per_km_20c"]))


@pytest.mark.parametrize("row", table("cable_mv_per_amp_metre.csv"), ids=lambda r: r["mm2"])
def test_loop_millivolts_per_ampere_metre_at_70c_are_those_of_the_wiring_regulations(row):
    # BS 7671 appendix 4, single phase, 70 °C; printed to two figures.
    ours = 2 * conductor(f"{row['mm2']} mm2 copper").ohm_per_m(70.0) * 1e3
    assert ours == pytest.approx(float(row["single_phase_mV_per_A_per_m"]), rel=0.02)


@pytest.mark.parametrize("temperature_c", range(0, 76, 5))
def test_three_published_temperature_corrections_agree_within_half_a_per_cent(temperature_c):
    # NFPA 70 table 8 note, IEC 60228 tabulated k_t, IEC 60228 exact k_t (ours).
    copper = conductor("14 AWG copper")
    ours = copper.ohm_per_m(temperature_c) / copper.ohm_per_m(20.0)
    code = (1 + 0.00323 * (temperature_c - 75)) / (1 + 0.00323 * (20 - 75))
    assert ours == pytest.approx(code, rel=0.005)
    factors = constants()["IEC_60228_temperature_factor"]["table_t_C_to_kt"]
    if str(temperature_c) in factors:
        assert ours == pytest.approx(1 / factors[str(temperature_c)], rel=0.005)


@pytest.mark.parametrize(
    ("case", "wire", "temperature_c", "amps", "one_way_m", "relative"),
    [
        ("VD1", "16 AWG stranded copper", 75.0, 4, 100 * 0.3048, 0.0125),
        ("VD2", "12 AWG stranded copper", 75.0, 20, 100 * 0.3048, 0.007),
        ("VD3", "8 AWG stranded copper", 75.0, 20, 100 * 0.3048, 0.016),
        ("VD4", "14 AWG copper", 25.0, 12, 10 * 0.3048, 0.005),
        ("VD5", "8 AWG stranded copper", 75.0, 10, 140 * 0.3048, 0.01),
        ("VD6", "2.5 mm2 copper", 70.0, 16, 18, 0.02),
    ],
)
def test_worked_voltage_drop_examples_follow_from_the_conductor(
    case, wire, temperature_c, amps, one_way_m, relative
):
    # Handbooks and lessons named per row of voltage_drop_examples.csv; tolerance is the printed
    # rounding of the result or of the resistance used there.
    row = next(r for r in table("voltage_drop_examples.csv") if r["id"] == case)
    drop_v = 2 * amps * one_way_m * conductor(wire).ohm_per_m(temperature_c)
    assert drop_v == pytest.approx(float(row["computed_V"]), rel=relative)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("14 AWG copper", "14 AWG copper"),
        ("14awg Cu", "14 AWG copper"),
        ("AWG 12 copper", "12 AWG copper"),
        ("#12 copper wire", "12 AWG copper"),
        ("No. 10 AWG aluminum", "10 AWG aluminium"),
        ("12 AWG (solid) copper", "12 AWG copper"),
        ("12 AWG stranded copper", "12 AWG stranded copper"),
        ("2.5 mm2 copper", "2.5 mm2 copper"),
        ("2,5 mm² Cu", "2.5 mm2 copper"),
        ("copper 1.5mm^2", "1.5 mm2 copper"),
        ("4 sq mm aluminium", "4 mm2 aluminium"),
    ],
)
def test_usual_ways_of_writing_a_conductor_are_read(text, name):
    assert conductor(text).name == name


@pytest.mark.parametrize(
    "text",
    ["", "copper", "14 AWG", "13 AWG copper", "3 mm2 copper", "14 AWG gold", "14 AWG copper al"],
)
def test_an_unknown_conductor_is_refused_with_what_is_known(text):
    with pytest.raises(ConductorError, match="Known sizes: 18, 16, 14"):
        conductor(text)


@given(st.text(max_size=300))
def test_any_text_is_a_conductor_or_the_one_error(text):
    with contextlib.suppress(ConductorError):
        assert conductor(text).ohm_per_m_20c > 0
