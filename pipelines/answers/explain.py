"""One inspection explained whole, as text for a terminal and as JSON."""

import textwrap
from dataclasses import asdict
from datetime import date

from pipelines.answers.cautions import CAUTIONS
from pipelines.answers.one_inspection import Inspection, Reading, Recomputed, Source, Unused
from pipelines.answers.outcomes import Result
from pipelines.answers.phrases import called
from pipelines.fields import BY_NAME

SHOWN_OUTCOMES = ("deficient", "not verified", "ok")
WIDTH = 100  # of sentences that are set into lines


def as_json(found: Inspection) -> dict:
    """An inspection as one JSON document, without NaN; readings carry their file and line."""

    def plain(value):
        return value.isoformat() if isinstance(value, date) else value

    where_from = {"file_name": found.source.file_name, "source_line": found.source.source_line}
    identity = ("snapshot", "agency", "inspection_id", "home_id", "system_id", "inspected_on")
    return {
        **{name: plain(getattr(found, name)) for name in identity},
        "source": _source(found.source),
        "other_rows": [_source(source) for source in found.other_rows],
        "readings": [
            {
                "field": one.field,
                "value": plain(one.value),
                "unit": BY_NAME[one.field].unit,
                "text": one.text,
                "cells": [asdict(cell) for cell in one.cells],
                **where_from,
            }
            for one in found.readings
        ],
        "unused": [asdict(one) | where_from for one in found.unused],
        "recomputed": {one.name: one.value for one in found.recomputed} | found.flags,
        "rests_on": {one.name: list(one.rests_on) for one in found.recomputed if one.rests_on},
        "results": [asdict(one) | {"remedy": _remedy(one)} for one in found.results],
        "causes": [asdict(one) for one in found.causes],
        "cautions": list(CAUTIONS),
    }


def _source(source: Source) -> dict:
    """A source under the names of the snapshot's columns."""
    names = {"row_status": "standing"}
    return {names.get(name, name): value for name, value in asdict(source).items()}


def as_text(found: Inspection) -> str:
    """An inspection as a person reads it in a terminal."""
    system = f", system {found.system_id}" if found.system_id else ""
    lines = [
        f"{found.agency}, inspection {found.inspection_id}: home {found.home_id}{system}, "
        f"{found.inspected_on.isoformat()}",
        f"from {found.source.file_name}, line {found.source.source_line} (snapshot {found.snapshot})",
    ]
    lines += [
        f"also received: {one.file_name}, line {one.source_line}: {one.row_status}"
        for one in found.other_rows
    ]
    lines += ["", "Readings, and the cells of the file they are of", *map(_reading, found.readings)]
    if found.cells_lacking:
        lines += [f"  Cells cannot be shown: {found.cells_lacking}"]
    if found.unused:
        lines += ["", "Received but not used as read", *map(_unused, found.unused)]
    lines += ["", "Recomputed", *map(_recomputed, found.recomputed)]
    for outcome in SHOWN_OUTCOMES:
        lines += _results(found, outcome)
    aside = [one.check_id for one in found.results if one.outcome == "not applicable"]
    if aside:
        lines += ["", f"Not applicable ({len(aside)}): {', '.join(aside)}"]
    lines += ["", "Before anyone touches anything"]
    for caution in CAUTIONS:
        lines += textwrap.wrap(caution, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    return "\n".join(lines)


def _remedy(one: Result) -> str | None:
    """What puts a deficiency right; None where there is none."""
    return one.check.remedy if one.outcome == "deficient" else None


def _reading(one: Reading) -> str:
    cells = ", ".join(
        f"{cell.heading}: {cell.raw_text!r}" + (f" ({cell.unit})" if cell.unit else "") for cell in one.cells
    )
    return f"  {called(one.field):32} {one.text:24} {cells}".rstrip()


def _unused(one: Unused) -> str:
    text = "(not shown)" if one.raw_text is None else repr(one.raw_text)
    return f"  {one.heading}: {text}: {one.reason}; accepted: {one.expected}"


def _recomputed(one: Recomputed) -> str:
    rests_on = f"  ({'; '.join(one.rests_on)})" if one.rests_on else ""
    return f"  {one.title:32} {one.text}{rests_on}"


def _results(found: Inspection, outcome: str) -> list[str]:
    """Lines of the results of one outcome; causes stand below what is deficient."""
    chosen = [one for one in found.results if one.outcome == outcome]
    if not chosen:
        return []
    lines = ["", f"{outcome.capitalize()} ({len(chosen)})"]
    for one in chosen:
        lines.append(f"  {one.check_id:32} {one.title}: {one.text.removeprefix(outcome + '; ')}")
        if remedy := _remedy(one):
            lines += textwrap.wrap(
                f"remedy: {remedy}", WIDTH, initial_indent=" " * 6, subsequent_indent=" " * 14
            )
    if outcome == "deficient" and found.causes:
        lines += ["", "Causes", *(f"  {one.text}" for one in found.causes)]
    return lines
