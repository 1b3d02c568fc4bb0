"""Generated flights of known truth, by the benchmark's generator: it shares nothing with the estimator."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

GENERATOR = Path(__file__).parents[2] / "benchmarks" / "alignment_flights.py"


@pytest.fixture(scope="session")
def flights() -> ModuleType:
    """`fly`, `see`, `log` and `EPOCH` of the generator."""
    spec = importlib.util.spec_from_file_location(GENERATOR.stem, GENERATOR)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # its dataclasses look themselves up
    spec.loader.exec_module(module)
    return module
