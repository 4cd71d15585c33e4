"""Mean effective pressure, specific power, piston speed, and the mean power between two speeds."""

from dataclasses import replace

import numpy as np
import pytest
from evenfall.errors import InputError
from evenfall.model import Air, Peak
from evenfall.output.tables import Row, columns_of
from evenfall.output.text import METRIC, SI, US, engine_lines
from evenfall.reduction.engine_figures import EngineSize, band_mean, engine_figures, engine_size
from evenfall.reduction.reduce import reduce_run
from made_runs import ENGINES, make_run

outside = pytest.mark.outside
AIR = Air(98_000.0, 293.15, 0.5)


@pytest.fixture(scope="module")
def result():
    made = make_run(ENGINES[2], seed=3)
    return reduce_run(made.run, made.calibration, made.setup, AIR, "none")


@outside(
    "Heywood, Internal Combustion Engine Fundamentals, 2.20: mep kPa = 6.28 n_R T(N.m) / V(dm3), from memory"
)
def test_mean_effective_pressure_is_that_of_the_textbook(result):
    at = replace(result, peak_torque_Nm=Peak(3.0, 0.03, 7000.0), peak_power_W=Peak(2700.0, 20.0, 9000.0))
    f = engine_figures(at, engine_size(50.0, None, 0.034))
    assert f.mean_effective_pressure_Pa / 1000 == pytest.approx(6.28 * 1 * 3.0 / 0.050, rel=1e-3)
    assert f.mean_effective_pressure_half_Pa == pytest.approx(0.01 * f.mean_effective_pressure_Pa)
    assert f.specific_power_W_m3 / 1e6 == pytest.approx(2.7 / 0.050)  # kW per litre
    assert f.piston_speed_m_s == pytest.approx(2 * 0.034 * 150)


@outside("75 kgf.m/s: the metric horsepower is 735.49875 W (ISO 80000-4 remark, from memory)")
def test_metric_horsepower():
    assert METRIC.power_scale == pytest.approx(735.49875, rel=1e-9) and METRIC.torque_scale == 1.0


def test_what_is_not_known_is_not_said(result):
    assert [line.split()[0:2] for line in engine_lines(result, EngineSize(), SI)] == [["Mean", "power"]]
    said = engine_lines(result, engine_size(None, 0.042, 0.034), US)
    assert any("psi" in line and "hp per litre" in line for line in said)
    assert any("ft/min" in line for line in said)
    assert engine_size(None, 0.042, 0.034).displacement_m3 == pytest.approx(np.pi / 4 * 0.042**2 * 0.034)


@outside("numpy.trapezoid over the bins of the band")
def test_mean_power_over_the_band(result):
    b = result.bins
    inside = (b.speed_rpm >= 7000) & (b.speed_rpm <= 9500)
    got = band_mean(b, (7000.0, 9500.0))
    assert got.power_W == pytest.approx(np.trapezoid(b.power_W[inside], b.speed_rpm[inside]) / 2500)
    own = band_mean(b)
    held = b.speed_rpm[b.power_W >= 0.9 * np.nanmax(b.power_W)]
    assert (own.low_rpm, own.high_rpm) == (held.min(), held.max())
    with pytest.raises(InputError, match="mean power"):
        band_mean(b, (100.0, 9500.0))


def test_the_exported_table_holds_them_with_what_was_noted(result):
    row = Row(
        1, result, size=engine_size(50.0, None, 0.034), band_rpm=(7000.0, 9000.0),
        details={"head_temperature": "180 C", "exhaust_temperature_end": "950 F", "fuel_mix": "50:1"},
    )  # fmt: skip
    table = columns_of([row], "runs")
    assert table["mean_power_from_rpm"][0] == 7000 and table["mean_power_W"][0] > 1000
    assert table["head_temperature_K"][0] == pytest.approx(453.15)
    assert table["exhaust_temperature_end_K"][0] == pytest.approx(783.15)
    assert np.isnan(table["head_temperature_end_K"][0]) and table["fuel_mix"][0] == "50:1"
    assert table["mean_effective_pressure_Pa"][0] > 1e5
