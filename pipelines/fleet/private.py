"""Folders and files of a fleet: for their owner only, and on the disk before they have their names."""

from __future__ import annotations

import os
import secrets
import stat
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from pipelines.fleet.logs import sync

OWN_FILE = 0o600
READ_ONLY = 0o400


def private_folder(path: Path) -> None:
    """Make a folder that only its owner may enter, and wait until its name is on the disk.

    One that is there keeps its rights.
    """
    if not path.parent.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
    with suppress(FileExistsError):
        path.mkdir(mode=0o700)
        sync(path.parent)


def private(path: str, flags: int) -> int:
    """An opener whose new files only their owner may read."""
    return os.open(path, flags, OWN_FILE)


def close_to_others(paths: Iterable[Path]) -> None:
    """Take from group and others all rights to these, where the system lets us; links are left."""
    for path in paths:
        with suppress(OSError):
            mode = path.lstat().st_mode
            if mode & 0o077 and not stat.S_ISLNK(mode):
                path.chmod(mode & 0o700)


@contextmanager
def temporary(folder: Path) -> Iterator[tuple[int, Path]]:
    """A new file open for writing under a name no reader looks for, removed unless it was renamed."""
    path = folder / f".incoming-{secrets.token_hex(8)}"
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, OWN_FILE)
    try:
        yield handle, path
    finally:
        os.close(handle)
        with suppress(OSError):
            path.unlink(missing_ok=True)


def settle(path: Path, target: Path) -> None:
    """Put a finished file on the disk, to be read by its owner only, and give it its name."""
    path.chmod(READ_ONLY)
    sync(path)
    os.rename(path, target)
    sync(target.parent)
