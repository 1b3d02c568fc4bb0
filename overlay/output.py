"""The one way a result reaches the disk: whole or not at all, and never over something that was there before.

The result is written to a file beside the target, forced to the disk, and only then given the target's name. Whatever
stops the program in between (an error, an interrupt, a power cut), the target is absent, old, or complete. Long work is
done in a folder beside the target, from which a later run can go on.
"""

from __future__ import annotations

import errno
import os
import re
import secrets
import shutil
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
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


@contextmanager
def writing_folder(
    path: str | os.PathLike[str],
    names: re.Pattern[str],
    *,
    overwrite: bool = False,
    inputs: Iterable[str | os.PathLike[str]] = (),
) -> Iterator[Path]:
    """Give a new folder beside `path` for files that match `names`; on success it becomes `path`, else it is removed.

    Raises UsageError at once when `path` is a file, or a folder that is not empty; with `overwrite` a folder is
    replaced, but never one that holds anything but files that match `names`, nor one of `inputs`. OutputError as
    `writing`.
    """
    if "\0" in os.fspath(path):
        raise UsageError(f"{printable(os.fspath(path))}: not a name; give a name for the result")
    target = Path(os.path.realpath(path))
    require_replaceable(target, names, overwrite, inputs)
    temporary = target.with_name(f"{target.name[:80]}.{secrets.token_hex(4)}.part")
    try:
        with _as_output_error(target):
            temporary.mkdir()
        yield temporary
        with _as_output_error(target):
            for file in (*temporary.iterdir(), temporary):
                _force_to_disk(file)
            require_replaceable(target, names, overwrite, inputs)
            _exchange(temporary, target)
            _force_to_disk(target.parent)
    except OSError as error:
        if isinstance(error, OutputError) or not _is_about(error, temporary):
            raise
        raise OutputError(f"{printable(str(target))}: {_reason(error)}") from error
    finally:
        shutil.rmtree(temporary, ignore_errors=True)


def require_replaceable(
    target: Path, names: re.Pattern[str], overwrite: bool, inputs: Iterable[str | os.PathLike[str]] = ()
) -> None:
    """Raise as `writing_folder` does where `target` must not become a new folder."""
    shown = printable(str(target))
    with _as_output_error(target):
        if not target.parent.is_dir():
            raise OutputError(f"{shown}: the folder {printable(str(target.parent))} does not exist; make it first")
        if os.path.lexists(target) and not target.is_dir():
            raise UsageError(f"{shown}: is not a folder; give the name of a new folder")
        held = sorted(entry.name for entry in target.iterdir()) if target.is_dir() else []
        if held and not overwrite:
            raise UsageError(f"{shown}: exists and is not empty; give the name of a new folder, or --overwrite")
        other = next((name for name in held if not names.fullmatch(name)), None)
        if other is not None:
            raise UsageError(f"{shown}: holds {printable(other)} too, and is left alone; give the name of a new folder")
        for source in inputs:
            if Path(os.path.realpath(source)).is_relative_to(target):
                raise UsageError(f"{shown}: holds the input {printable(str(source))}; give the name of a new folder")


def _exchange(temporary: Path, target: Path) -> None:
    """Put the new folder in the old one's place; the old one is gone only after the new one is there."""
    if not target.is_dir() or not any(target.iterdir()):
        temporary.replace(target)  # over nothing, or an empty folder
        return
    old = target.with_name(f"{temporary.name}.old")
    target.replace(old)
    temporary.replace(target)
    shutil.rmtree(old)


def made_folder(path: str | os.PathLike[str]) -> Path:
    """The folder, made where it is missing. UsageError where a file has its name, OutputError where it cannot be made."""
    folder = Path(path)
    require_folder_name(folder)
    with _as_output_error(folder):
        folder.mkdir(parents=True, exist_ok=True)
    return folder


def require_folder_name(path: str | os.PathLike[str]) -> None:
    """UsageError where a file is in the way of a folder of this name, OutputError where nobody may make one there."""
    folder = Path(path)
    with _as_output_error(folder):
        there = next(place for place in (folder, *folder.parents) if os.path.lexists(place) or not place.name)
        if not there.is_dir():
            raise UsageError(f"{printable(str(there))}: is not a folder; give the name of a folder")
        if there != folder and not os.access(there, os.W_OK | os.X_OK):
            raise OutputError(f"{printable(str(there))}: you may not write there; write elsewhere")


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


@dataclass
class Workplace:
    """A folder of work in progress: `result` is the file in it that is to become the target.

    It outlives a fault where `worth_keeping` is set, for a later run to go on from.
    """

    folder: Path
    result: Path | None = None
    worth_keeping: bool = False


_ALLOWED = ("lock", "joined-", "segment-")  # how the names of all that is put into a workplace begin


@contextmanager
def workplace(
    path: str | os.PathLike[str], *, overwrite: bool = False, inputs: Iterable[str | os.PathLike[str]] = ()
) -> Iterator[Workplace]:
    """Give the folder ``path`` + ``.part``, with what an earlier run left in it; on success its result becomes `path`.

    Raises what `writing` raises, and UsageError where another run is at work there or the folder holds anything else.
    A fault that leaves work behind says so in a note.
    """
    target = _checked(Path(path), overwrite, inputs)
    place = Workplace(target.with_name(f"{target.stem[:80]}{target.suffix}.part"))
    shown = printable(str(place.folder))
    with _as_output_error(target):
        lock = _taken(place.folder)
    try:
        yield place
        if place.result is None:
            raise RuntimeError(f"{shown}: no result was named")
        with _as_output_error(target):
            _publish(place.result, target, overwrite)
        place.worth_keeping = False
    except BaseException as error:
        if place.worth_keeping:
            error.add_note(f"what is done is kept in {shown}: give the same command again to go on, or delete it")
        if not isinstance(error, OSError) or isinstance(error, OutputError) or not _is_about(error, place.folder):
            raise
        raised = OutputError(f"{printable(str(target))}: {_reason(error)}")
        for note in error.__notes__ if hasattr(error, "__notes__") else ():
            raised.add_note(note)
        raise raised from error
    finally:
        with suppress(OSError):
            if not place.worth_keeping:
                _emptied(place.folder)
            os.close(lock)
            if not place.worth_keeping:
                place.folder.rmdir()


def _taken(folder: Path) -> int:
    """Make the folder where it is missing, and hold the lock in it, so that no two runs work there at once."""
    shown = printable(str(folder))
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise UsageError(f"{shown}: is in the way of the work in progress; move it elsewhere")
    folder.mkdir(exist_ok=True)
    strange = next((entry.name for entry in folder.iterdir() if not entry.name.startswith(_ALLOWED)), None)
    if strange is not None:
        raise UsageError(
            f"{shown}: holds {printable(strange)}, which this program did not put there; move it elsewhere"
        )
    lock = os.open(folder / "lock", os.O_CREAT | os.O_RDWR, 0o666)
    try:
        import fcntl

        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(lock)
        raise UsageError(f"{shown}: another run is writing the same video; wait for it, or give another name") from None
    except (ImportError, OSError):
        pass  # a system or a network disk without locks
    return lock


def _emptied(folder: Path) -> None:
    for entry in folder.iterdir():
        entry.unlink()


def require_free(
    path: str | os.PathLike[str], *, overwrite: bool = False, inputs: Iterable[str | os.PathLike[str]] = ()
) -> None:
    """Raise before long work what `writing` would raise after it."""
    _checked(Path(path), overwrite, inputs)


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
    """Whether the fault is the output's own: no room, or named after the temporary file or folder."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EIO):
        return True
    named = error.filename if isinstance(error.filename, (str, os.PathLike)) else ""
    return Path(named) == temporary or temporary in Path(named).parents


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
