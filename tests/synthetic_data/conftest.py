"""Fleets that several tests look at."""

from datetime import date

import pytest

from synthetic_data.fleet import make_fleet

AS_OF = date(2026, 3, 31)


@pytest.fixture(scope="session")
def small_fleet():
    return make_fleet(1500, seed=11, as_of=AS_OF)


@pytest.fixture(scope="session")
def usual_fleet():
    return make_fleet(8000, seed=2, as_of=AS_OF)
