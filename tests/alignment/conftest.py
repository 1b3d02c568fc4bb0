"""Generated flights of known truth, by the benchmark's generator: it shares nothing with the estimator."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import pytest


@pytest.fixture(scope="session")
def flights(loaded: Callable[[str], ModuleType]) -> ModuleType:
    """`fly`, `see`, `log` and `EPOCH` of the generator."""
    return loaded("benchmarks/alignment_flights.py")
