"""Settings for every test: property tests draw the same examples everywhere, so that a red run can be repeated."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile(
    "repeatable",
    derandomize=True,
    deadline=None,  # a slow machine is not a failing test
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("repeatable")
