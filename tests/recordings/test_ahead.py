"""Items come in order, errors come out in their place, and an abandoned producer is stopped and closed."""

from __future__ import annotations

import threading
import time
from collections.abc import Generator

import pytest

from overlay.recordings.ahead import AHEAD, ahead


def count(stop: int, closed: list[bool] | None = None) -> Generator[int]:
    try:
        yield from range(stop)
    finally:
        if closed is not None:
            closed.append(True)


def threads() -> set[str]:
    return {thread.name for thread in threading.enumerate()}


def test_all_items_in_order_through_two_stages() -> None:
    assert list(ahead(ahead(count(100), "first"), "second")) == list(range(100))
    assert not threads() & {"first", "second"}


def test_an_error_comes_after_the_items_before_it() -> None:
    def broken() -> Generator[int]:
        yield 1
        yield 2
        raise KeyError("three")

    items = ahead(broken(), "broken")
    assert [next(items), next(items)] == [1, 2]
    with pytest.raises(KeyError, match="three"):
        next(items)


def test_an_abandoned_producer_is_closed_and_its_thread_ends() -> None:
    closed: list[bool] = []
    items = ahead(count(10**9, closed), "endless")
    assert next(items) == 0
    items.close()
    assert closed == [True]
    assert "endless" not in threads()


@pytest.mark.parametrize("most", [AHEAD, 16])
def test_no_more_items_are_made_in_front_than_asked_for(most: int) -> None:
    made: list[int] = []

    def noted() -> Generator[int]:
        for number in range(1000):
            made.append(number)
            yield number

    items = ahead(noted(), "noted", most)
    next(items)
    until = time.monotonic() + 5
    while len(made) < most + 2 and time.monotonic() < until:
        time.sleep(0.01)
    time.sleep(0.1)
    assert len(made) == most + 2  # besides those that wait, the one taken and the one in hand
    items.close()
