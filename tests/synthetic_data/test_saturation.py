"""synthetic_data/saturation.py against the published look-up values."""

import numpy as np
import pytest

from synthetic_data.saturation import atmosphere_psia, pressure_psia


@pytest.mark.parametrize(
    ("refrigerant", "degf", "line", "psig"),
    [
        # CoolProp 8.0.0, psig at sea level
        ("R-410A", 40, "bubble", 118.79), ("R-410A", 110, "dew", 365.37), ("R-32", 100, "bubble", 325.67),
        ("R-454B", 40, "dew", 107.49), ("R-22", 110, "bubble", 226.37), ("R-407C", 100, "dew", 196.10),
        ("R-134a", 40, "bubble", 35.05),
    ],
)  # fmt: skip
def test_pressures_are_those_of_the_reference_library(refrigerant, degf, line, psig):
    assert pressure_psia(refrigerant, np.array([degf]), line)[0] - 14.696 == pytest.approx(psig, abs=0.01)


def test_the_atmosphere_at_five_thousand_feet_is_12_2_psia():
    # US Standard Atmosphere 1976: 12.23 psia
    assert atmosphere_psia(np.array([5000.0]))[0] == pytest.approx(12.23, abs=0.01)
