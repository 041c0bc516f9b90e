"""Who may enter a fleet's folders and read its files: their owner, and nobody else."""

from __future__ import annotations

import stat
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from pipelines.fleet.logs import sync

OWN_FILE = 0o600
READ_ONLY = 0o400


def private_folder(path: Path) -> None:
    """Make a folder that only its owner may enter, and wait until its name is on the disk.

    One that is there keeps its rights.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with suppress(FileExistsError):
        path.mkdir(mode=0o700)
        sync(path.parent)


def close_to_others(paths: Iterable[Path]) -> None:
    """Take from group and others all rights to these, where the system lets us; links are left."""
    for path in paths:
        with suppress(OSError):
            mode = path.lstat().st_mode
            if mode & 0o077 and not stat.S_ISLNK(mode):
                path.chmod(mode & 0o700)
