"""What the commands say: results on stdout, progress and remarks on stderr, nothing else anywhere."""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from collections.abc import Iterable
from contextlib import AbstractContextManager
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from overlay.errors import printable

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

_SHOWN_AFTER_S = 1.0


def say(line: str = "") -> None:
    """One line of the result."""
    print(line)  # noqa: T201  # stdout is for results


def remark(line: str) -> None:
    """One line beside the result: a warning, damage that was found, where a file was written."""
    print(printable(line), file=sys.stderr)  # noqa: T201


def say_json(value: Any) -> None:
    """One JSON object on stdout; NaN and infinities become null, since JSON has neither."""
    text = json.dumps(finite(value), indent=2, ensure_ascii=False, allow_nan=False)
    try:
        text.encode(sys.stdout.encoding if sys.stdout else "utf-8")
    except UnicodeEncodeError:  # a pipe of another encoding, or a file name that is no text: JSON has escapes for both
        text = json.dumps(finite(value), indent=2, allow_nan=False)
    say(text)


def finite(value: Any) -> Any:
    """`value` with every number that JSON cannot hold replaced by None."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(item) for item in value]
    return value


def add_json(parser: argparse.ArgumentParser) -> None:
    """The option every command has for scripts."""
    parser.add_argument("--json", action="store_true", help="print one JSON object on stdout and nothing else there")


def table(rows: Iterable[tuple[str, str]]) -> None:
    """Two aligned columns."""
    listed = list(rows)
    width = max((len(name) for name, _ in listed), default=0)
    for name, text in listed:
        say(f"  {name.ljust(width)}  {printable(text)}")


class Stages(AbstractContextManager["Stages"]):
    """Progress of the stages of one command with time left, on stderr, when a stage lasts more than a moment.

    Without a terminal there, one line per finished long stage is printed instead of a moving bar.
    """

    def __init__(self) -> None:
        self._bars: Progress | None = None
        self._tasks: dict[str, TaskID] = {}
        self._begun: dict[str, float] = {}
        self._done: set[str] = set()

    def __call__(self, stage: str, fraction: float) -> None:
        """Say that `stage` is `fraction` (0 … 1) done."""
        now = time.monotonic()
        begun = self._begun.setdefault(stage, now)
        if now - begun < _SHOWN_AFTER_S or stage in self._done:
            return
        if not sys.stderr.isatty():
            if fraction >= 1:
                self._done.add(stage)
                remark(f"{stage}: {now - begun:.0f} s")
            return
        bars = self._shown()
        if stage not in self._tasks:
            self._tasks[stage] = bars.add_task(stage, total=1.0)
        bars.update(self._tasks[stage], completed=fraction)

    def _shown(self) -> Progress:
        if self._bars is None:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

            self._bars = Progress(
                TextColumn("{task.description}", markup=False),  # a title may hold brackets
                BarColumn(),
                TextColumn("{task.percentage:>3.0f} %"),
                TimeElapsedColumn(),
                TextColumn("left"),
                TimeRemainingColumn(),
                console=Console(stderr=True),
            )
            self._bars.start()
        return self._bars

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bars is not None:
            self._bars.stop()

    def __enter__(self) -> Self:
        return self
