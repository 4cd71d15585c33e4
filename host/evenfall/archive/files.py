"""Files that are there whole or not at all, and never over something that was there."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from collections.abc import Iterator
from pathlib import Path

from evenfall.errors import ArchiveError

_REASONS = {
    errno.ENOSPC: "the disk is full; free some room, nothing that was kept is lost",
    errno.EDQUOT: "your share of the disk is full; free some room, nothing that was kept is lost",
    errno.EFBIG: "it would be larger than this system allows a file to be",
    errno.EROFS: "the folder is on a medium that can only be read",
    errno.EACCES: "you may not write there; choose another folder or change its permissions",
    errno.EPERM: "you may not write there; choose another folder or change its permissions",
    errno.EIO: "the medium does not answer; try another one, and check this one",
    errno.ENOTDIR: "its folder is a file",
    errno.ENOENT: "its folder is not there",
    errno.EISDIR: "it is a folder",
}


def reason(error: OSError) -> str:
    """The true cause of a refused file operation, in words that say what to do."""
    return _REASONS.get(error.errno or 0, error.strerror or str(error))


def sync(path: Path) -> None:
    """Flush a file or a folder to the medium; where the system refuses it for folders, that is accepted."""
    if path.is_dir():
        if os.name == "nt":
            return  # no such call for folders there
        try:
            descriptor = os.open(path, os.O_RDONLY)
        except OSError:
            return
        try:
            with contextlib.suppress(OSError):
                os.fsync(descriptor)
        finally:
            os.close(descriptor)
        return
    # writable: some systems refuse to flush through a descriptor that may only read
    descriptor = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def temporary_file_beside(path: Path) -> Iterator[Path]:
    """A new empty file in `path`'s folder under a name nobody can foretell; gone at the end if still there.

    Made exclusively, so no link planted beforehand is followed; readable as the user's umask says.
    """
    spare = path.with_name(f".{path.name}.{secrets.token_hex(8)}.part")
    descriptor = os.open(spare, os.O_CREAT | os.O_EXCL | os.O_WRONLY | getattr(os, "O_NOFOLLOW", 0), 0o666)
    os.close(descriptor)
    try:
        yield spare
    finally:
        with contextlib.suppress(OSError):
            spare.unlink(missing_ok=True)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all; a link at `path` is replaced, not followed.

    A device or a pipe is written to, not replaced: nobody wants a file in place of /dev/stdout.
    """
    try:
        if path.exists() and not path.is_file() and not path.is_dir():
            path.write_bytes(data)
            return
        with temporary_file_beside(path) as spare:
            spare.write_bytes(data)
            sync(spare)
            os.replace(spare, path)
    except OSError as error:
        raise ArchiveError(f"{path} was not written: {reason(error)}") from None


def link_new(source: Path, target: Path) -> bool:
    """Give the file `source` the name `target` as well, unless that name is taken; whether it was free.

    Where the file system knows no hard links, `target` is a copy made under a spare name.
    """
    try:
        os.link(source, target)
        return True
    except FileExistsError:
        return False
    except OSError:
        import shutil

        if target.exists():
            return False
        with temporary_file_beside(target) as spare:
            shutil.copyfile(source, spare)
            sync(spare)
            os.rename(spare, target)
        return True


def unused_name(path: Path) -> Iterator[Path]:
    """`path`, then `path.2`, `path.3` ...: names to try until one is free."""
    yield path
    for n in range(2, 10_000):
        yield path.with_name(f"{path.name}.{n}")
