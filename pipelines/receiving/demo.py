"""A fleet folder for the invented sample exports, which the demo alone may empty."""

import shutil
from pathlib import Path

from pipelines.fleet.logs import FleetError

SAMPLES = Path(__file__).parents[2] / "sample_exports"
MARK = ".made-by-coldfill-demo"


def fresh_folder(target: Path) -> None:
    """Make the folder with what a fleet of the samples needs beside the exports.

    What an earlier demo left there goes; FleetError where something else lies there.
    """
    if target.exists():
        if not (target / MARK).exists():
            other = "move it away, or run from another folder"
            raise FleetError(f"{target} was not made by coldfill demo and is left alone: {other}.")
        for path in target.rglob("*"):
            if path.is_file():
                path.chmod(0o644)
        shutil.rmtree(target)
    target.mkdir(mode=0o700)
    (target / MARK).write_text("coldfill demo may empty this folder\n", encoding="utf-8")
    shutil.copytree(SAMPLES / "fleet", target, copy_function=shutil.copyfile, dirs_exist_ok=True)
