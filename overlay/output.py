"""The one way a result reaches the disk: whole or not at all, and never over something that was there before.

The result is written to a file beside the target, forced to the disk, and only then given the target's name. Whatever
stops the program in between (an error, an interrupt, a power cut), the target is absent, old, or complete.
"""

from __future__ import annotations

import errno
import os
import secrets
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from overlay.errors import OutputError, UsageError, printable

_NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.ENOSYS, errno.EOPNOTSUPP, errno.EMLINK, errno.EXDEV)


@contextmanager
def writing(
    path: str | os.PathLike[str], *, overwrite: bool = False, inputs: Iterable[str | os.PathLike[str]] = ()
) -> Iterator[Path]:
    """Give a temporary path beside `path`, with the same suffix; on success it becomes `path`, else it is removed.

    Raises UsageError at once when `path` exists (unless `overwrite`), is one of `inputs` under whatever name (even
    with `overwrite`), or is no plain file; OutputError when its folder is missing or closed to us, or the disk fails.
    """
    target = _checked(Path(path), overwrite, inputs)
    temporary = _reserved(target)
    try:
        yield temporary
        with _as_output_error(target):
            _publish(temporary, target, overwrite)
    except OSError as error:
        if isinstance(error, OutputError) or not _is_about(error, temporary):
            raise
        raise OutputError(f"{printable(str(target))}: {_reason(error)}") from error
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def write_text(
    path: str | os.PathLike[str],
    text: str,
    *,
    overwrite: bool = False,
    inputs: Iterable[str | os.PathLike[str]] = (),
) -> None:
    """Write `text` as UTF-8 with the guarantees of `writing`."""
    with writing(path, overwrite=overwrite, inputs=inputs) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="")


def _checked(target: Path, overwrite: bool, inputs: Iterable[str | os.PathLike[str]]) -> Path:
    """The file to be made, after links; a link's file is replaced, not the link."""
    shown = printable(str(target))
    if "\0" in str(target) or not target.name:
        raise UsageError(f"{shown}: not a file name; give a name for the result")
    with _as_output_error(target):
        for source in inputs:
            if _same_file(target, Path(source)):
                raise UsageError(f"{shown}: is the input {printable(str(source))} itself; give another name")
        _require_free(target, overwrite)
        target = Path(os.path.realpath(target)) if target.is_symlink() else target
        if not target.parent.is_dir():
            raise OutputError(f"{shown}: the folder {printable(str(target.parent))} does not exist; make it first")
    return target


def _require_free(target: Path, overwrite: bool) -> None:
    shown = printable(str(target))
    if target.is_dir():
        raise UsageError(f"{shown}: a folder; give a file name in it")
    if target.exists() and not target.is_file():
        raise UsageError(f"{shown}: a device or pipe; give the name of a plain file")
    if not overwrite and os.path.lexists(target):
        raise UsageError(f"{shown}: already exists; give another name or --overwrite")


def _same_file(target: Path, source: Path) -> bool:
    try:
        return target.samefile(source)
    except OSError:  # one of the two does not exist: then only the names can agree
        return os.path.realpath(target) == os.path.realpath(source)


def _reserved(target: Path) -> Path:
    """Make the temporary file, empty and ours alone, named so that it is seen to be unfinished."""
    stem = target.stem[:80]
    with _as_output_error(target):
        while True:
            temporary = target.with_name(f"{stem}.{secrets.token_hex(4)}.part{target.suffix}")
            try:
                os.close(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
            except FileExistsError:
                continue
            return temporary


def _publish(temporary: Path, target: Path, overwrite: bool) -> None:
    _force_to_disk(temporary)
    if overwrite:
        temporary.replace(target)
    else:
        try:
            os.link(temporary, target)  # unlike a rename it fails if the target has come into being meanwhile
        except FileExistsError:
            raise UsageError(f"{printable(str(target))}: came into being meanwhile and is left alone") from None
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise
            _rename_where_links_are_unknown(temporary, target)
    _force_to_disk(target.parent)


def _rename_where_links_are_unknown(temporary: Path, target: Path) -> None:
    """Take the name with an empty file of our own, then rename over it: memory cards know no hard links."""
    try:
        os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    except FileExistsError:
        raise UsageError(f"{printable(str(target))}: came into being meanwhile and is left alone") from None
    temporary.replace(target)


def _force_to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):  # a file system that cannot
            raise
    finally:
        os.close(handle)


@contextmanager
def _as_output_error(target: Path) -> Iterator[None]:
    try:
        yield
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(f"{printable(str(target))}: {_reason(error)}") from error


def _is_about(error: OSError, temporary: Path) -> bool:
    """Whether the fault is the output's own: no room, or named after the temporary file."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO):
        return True
    return error.filename is not None and os.fspath(error.filename) == str(temporary)


def _reason(error: OSError) -> str:
    remedies = {
        errno.ENOSPC: "the disk is full; make room or write elsewhere",
        errno.EDQUOT: "your share of the disk is used up; make room or write elsewhere",
        errno.EFBIG: "too large for this file system; write to another disk",
        errno.EROFS: "the disk is read-only; write elsewhere",
        errno.EACCES: "you may not write there; write elsewhere",
        errno.EPERM: "you may not write there; write elsewhere",
        errno.ENAMETOOLONG: "the name is too long; give a shorter one",
    }
    return remedies.get(error.errno or 0, f"cannot be written ({error.strerror or error})")
