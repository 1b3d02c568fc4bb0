"""Segments encoded by several processes at once."""

from __future__ import annotations

import os
import pickle
import signal
import threading
from collections import deque
from collections.abc import Generator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass
from io import BytesIO
from multiprocessing import connection, get_context, parent_process
from multiprocessing.synchronize import Event
from pathlib import Path
from types import MappingProxyType
from typing import Any

from overlay.render.segments import Coded, Plan, Progress, Segment, encode


def encode_side_by_side(
    plan: Plan, segments: Sequence[Segment], folder: Path, progress: Progress | None, workers: int
) -> Generator[Coded]:
    """Write `segments` as files in `folder`, `workers` at a time, and give them in order; see `segments.encode`."""
    context = get_context("spawn")  # a fork would copy locks that threads of the decoder hold
    stop = context.Event()
    total = float(plan.stop - plan.begin)
    pool = ProcessPoolExecutor(workers, context, _begin, (_pickled(plan), folder, stop))
    under_way: deque[Future[list[Coded]]] = deque()
    waiting = iter(segments)
    try:
        for segment in segments:
            # no more in front than keeps everyone busy: what waits to be joined takes room on the disk
            while len(under_way) < 2 * workers and (following := next(waiting, None)) is not None:
                under_way.append(pool.submit(_encode, following))
            yield from under_way.popleft().result()
            if progress is not None:
                progress(float(segment.end_s - plan.begin), total)
    finally:
        stop.set()
        pool.shutdown(cancel_futures=True)


@dataclass(frozen=True)
class _Work:
    plan: Plan
    folder: Path
    stop: Event


_work: list[_Work] = []  # what this process was started for


def _begin(plan: bytes, folder: Path, stop: Event) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the one that started us says when to stop
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()
    _work.append(_Work(pickle.loads(plan), folder, stop))  # from our own parent


def _end_with(sentinel: int) -> None:
    connection.wait([sentinel])
    os._exit(1)


def _encode(segment: Segment) -> list[Coded]:
    work = _work[0]
    return list(encode(work.plan, [segment], work.folder, stopped=work.stop.is_set))


class _Pickler(pickle.Pickler):
    def reducer_override(self, value: object) -> Any:
        return (_read_only, (dict(value),)) if isinstance(value, MappingProxyType) else NotImplemented


def _read_only(values: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    return MappingProxyType(values)


def _pickled(plan: Plan) -> bytes:
    written = BytesIO()
    _Pickler(written).dump(plan)
    return written.getvalue()
