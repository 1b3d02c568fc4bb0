"""Flights shared by the tests of the sample generator."""

import pytest

from overlay_samples.flight import Flight, fly
from overlay_samples.scenario import DEFAULT, SHORT


@pytest.fixture(scope="session")
def short_flight() -> Flight:
    return fly(SHORT)


@pytest.fixture(scope="session")
def default_flight() -> Flight:
    return fly(DEFAULT)
