"""Work done ahead in a thread of its own, so that decoding, drawing and encoding overlap."""

from __future__ import annotations

import queue
import threading
from collections.abc import Generator
from typing import TypeVar

Item = TypeVar("Item")

AHEAD = 1  # waiting item: enough to overlap, and a picture of 4K is twelve megabytes
_LOOK_UP_S = 0.2  # how soon a waiting producer notices that nobody wants more


class _Failed:
    """Carries an error from the thread to where the item would have been taken."""

    def __init__(self, error: BaseException) -> None:
        self.error = error


class _End:
    """After the last item."""


def ahead(items: Generator[Item], name: str, most: int = AHEAD) -> Generator[Item]:
    """The same items, produced up to `most` in front by a thread; errors come out where they would have.

    Closing the result stops the thread, which closes `items`.
    """
    waiting: queue.Queue[Item | _Failed | _End] = queue.Queue(most)
    stopped = threading.Event()

    def put(item: Item | _Failed | _End) -> bool:
        while not stopped.is_set():
            try:
                waiting.put(item, timeout=_LOOK_UP_S)
            except queue.Full:
                continue
            return True
        return False

    def work() -> None:
        try:
            for item in items:
                if not put(item):
                    break
            else:
                put(_End())
        except BaseException as error:
            put(_Failed(error))
        finally:
            items.close()

    worker = threading.Thread(target=work, name=name, daemon=True)
    worker.start()
    try:
        while not isinstance(item := waiting.get(), _End):
            if isinstance(item, _Failed):
                raise item.error
            yield item
    finally:
        stopped.set()
        worker.join()
