"""Tables that an agency keeps beside its exports: CSV in the fleet's folder, read and refused by line."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Sequence
from datetime import date

from pipelines.fleet.logs import FleetError

DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)


def lines(
    data: bytes, path: object, headings: Sequence[str], optional: Sequence[str] = ()
) -> Iterator[tuple[int, dict[str, str]]]:
    """(line, cells by heading) of a table as bytes; none where it is empty, FleetError where it is none.

    A heading that is `optional` may be missing: its cells are empty then.
    """
    if not data:
        return
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise FleetError(f"{path}, line {line}: not UTF-8 text; save it as UTF-8.") from None
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise FleetError(f"{path}, line {line}: not UTF-8 text; save it as UTF-8.")
    reader = csv.DictReader(io.StringIO(text, newline=""))
    try:
        missing = [name for name in headings if name not in (reader.fieldnames or ())]
        if missing:
            raise FleetError(
                f"{path}, line 1: heading {missing[0]!r} is missing; it needs {', '.join(headings)}."
            )
        for row in reader:
            if None in row:
                raise FleetError(
                    f"{path}, line {reader.line_num}: it has more cells than there are headings."
                )
            yield reader.line_num, {name: row.get(name) or "" for name in (*headings, *optional)}
    except csv.Error as error:
        raise FleetError(f"{path}, line {reader.line_num + 1}: it cannot be read as CSV ({error}).") from None


def day(line: str, heading: str, text: str) -> date:
    """The day in a cell; FleetError begins with `line` where it holds none."""
    try:
        if DAY.fullmatch(text):
            return date.fromisoformat(text)
    except ValueError:
        pass
    raise FleetError(
        f"{line}: {heading} needs a day as year, month and day, such as 2026-03-01, not {text!r}."
    )
