"""The command line: one module per command, each with `add` (its options) and `run` (its work).

Everything heavy is imported inside `run`, so that help is there at once. Library errors become one line and an exit
code here and nowhere else; anything unexpected is left to show its traceback.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Sequence

from overlay import __version__
from overlay.cli import align, clips, compare, debrief, demo, diagnose, export, inspect, layouts, new, render
from overlay.errors import OverlayError, printable

INTERRUPTED = 130
_COMMANDS = (demo, new, inspect, align, diagnose, render, clips, debrief, compare, layouts, export)

_DESCRIPTION = """\
Review a long-range model flight after it is over: put the recordings and the log on one clock, see when and
how the live picture broke up, and render the annotated review video.
"""
_EPILOG = """\
For review on the ground, never an aid in flight. Ranges shown are what happened, not permission: local aviation and
radio rules and licensed practice rule.
"""


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = argparse.ArgumentParser(prog="overlay", description=_DESCRIPTION, epilog=_EPILOG)
    top.add_argument("--version", action="version", version=f"overlay {__version__}")
    commands = top.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for module in _COMMANDS:
        module.add(commands)
    return top


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code (0, 2 usage, 3 unusable input, 4 no trustworthy answer, 130)."""
    _write_what_can_be_written()
    try:
        arguments = parser().parse_args(argv)
        code: int = arguments.run(arguments)
        if sys.stdout is not None:  # a caller may have closed it
            sys.stdout.flush()
    except OverlayError as error:
        return _told(f"overlay: {_worded(printable(str(error)), error)}", error.exit_code)
    except KeyboardInterrupt as error:
        _end_by_our_own_code()
        return _told(f"overlay: {_worded('interrupted', error)}", INTERRUPTED)
    except BrokenPipeError:
        # whoever read the output has gone: nothing is left to say, not even at exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        if error.filename is not None or not _is_stdout_trouble(error):
            raise
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _told(f"overlay: the output cannot be written: {error.strerror}", 3)
    return code


def _write_what_can_be_written() -> None:
    """A terminal or pipe that cannot show a character gets a question mark for it, not a traceback."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.errors == "strict":
            stream.reconfigure(errors="replace")


def _end_by_our_own_code() -> None:
    """Have Python forget an interrupt that broke off code made from text, as a dataclass is while it is imported.

    CPython remembers it though it was caught, and `python -m` ends by the signal instead of with the code that is asked for.
    """
    exec("")  # the next such code that ends well is what it remembers


def _worded(what: str, error: BaseException) -> str:
    """One line: what went wrong, and what was noted of it on the way."""
    return "; ".join([what, *getattr(error, "__notes__", ())])


def _is_stdout_trouble(error: OSError) -> bool:
    import errno

    return error.errno in (errno.ENOSPC, errno.EIO, errno.EBADF, errno.EDQUOT)


def _told(line: str, code: int) -> int:
    print(line, file=sys.stderr)  # noqa: T201  # the one place that speaks of errors
    return code
