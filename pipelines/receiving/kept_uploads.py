"""Uploads kept until they are loaded or let go."""

import fcntl
import secrets
import shutil
import time
from contextlib import contextmanager, suppress

from pipelines.fleet.logs import FleetError, attempting
from pipelines.fleet.private import private, private_folder

UPLOADS, UPLOAD_KEPT_S = ".uploads", 86_400.0  # folder in the fleet's, and how long one may lie there
LARGEST_UPLOAD = 200 << 20  # bytes a browser may send; larger files go through `coldfill load`


def keep_upload(fleet, file_name, file, name=None):
    """What a browser sent (bytes, or a file open for reading) as a file of its own name; returns its path.

    It lies in a private folder, no part of the fleet, until `forget_upload`. The folder is called `name`, if
    given, which nobody else must use. What others left there more than a day ago is removed. FleetError where
    the file is larger than LARGEST_UPLOAD or cannot be written.
    """
    uploads = fleet.path / UPLOADS
    sweep_uploads(fleet)
    with attempting("write in", uploads):
        folder = uploads / (name or secrets.token_hex(8))
        for one in (fleet.path, uploads, folder):
            private_folder(one)
    try:
        return _written(folder, file_name, file)
    except BaseException:
        forget_upload(folder / "it")
        raise


def forget_upload(path):
    """Remove what `keep_upload` wrote, if it is still there."""
    shutil.rmtree(path.parent, ignore_errors=True)
    with suppress(OSError):
        path.parent.parent.rmdir()


@contextmanager
def serving(fleet):
    """While a dashboard serves a fleet; what others left in .uploads goes first, if none of them serves."""
    if not fleet.exists():
        yield
        return
    lock = fleet.path / ".uploads.lock"
    with attempting("lock", lock), open(lock, "wb", opener=private) as held:
        with suppress(BlockingIOError):
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
            shutil.rmtree(fleet.path / UPLOADS, ignore_errors=True)
        fcntl.flock(held, fcntl.LOCK_SH)
        yield


def sweep_uploads(fleet):
    """Remove uploads that nobody took up for a day: their page was closed, or the server was."""
    for folder in (fleet.path / UPLOADS).glob("*"):
        with suppress(OSError):
            if time.time() - folder.stat().st_mtime > UPLOAD_KEPT_S:
                shutil.rmtree(folder, ignore_errors=True)


def _written(folder, file_name, file):
    name = file_name.replace("\\", "/").split("/")[-1].replace("\0", "").strip() or "upload.csv"
    path = folder / (f"_{name}" if name in (".", "..") else name)
    with attempting("write", path), open(path, "wb", opener=private) as copy:
        size = 0
        for block in (
            [file]
            if isinstance(file, bytes | bytearray | memoryview)
            else iter(lambda: file.read(1 << 20), b"")
        ):
            size += len(block)
            if size > LARGEST_UPLOAD:
                raise FleetError(
                    f"{path.name} has more than {LARGEST_UPLOAD >> 20} MB: "
                    "load it with the command coldfill load, or send it in parts."
                )
            copy.write(block)
    return path
