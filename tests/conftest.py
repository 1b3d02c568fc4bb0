"""Settings for every test: property tests draw the same examples everywhere, so that a red run can be repeated."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile(
    "repeatable",
    derandomize=True,
    deadline=None,  # a slow machine is not a failing test
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("repeatable")


@pytest.fixture(scope="session")
def loaded() -> Callable[[str], ModuleType]:
    """Makes a module of a file that is none, such as a benchmark, by its path in the repository."""

    def load(path: str) -> ModuleType:
        name = f"loaded_{Path(path).parent.name}_{Path(path).stem}"
        spec = importlib.util.spec_from_file_location(name, Path(__file__).parents[1] / path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module  # its dataclasses look themselves up
        spec.loader.exec_module(module)
        return module

    return load


@contextmanager
def _growing_no_further(most: int) -> Iterator[None]:
    import resource  # not to be had everywhere

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.fixture
def growing_no_further() -> Callable[[int], AbstractContextManager[None]]:
    """No file may become larger than so many bytes meanwhile: the system's own limit, which gives EFBIG."""
    return _growing_no_further
