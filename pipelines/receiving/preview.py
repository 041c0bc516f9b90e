"""What the command line says of a file before it is loaded: a preview, or the draft of a mapping."""

import json
from pathlib import Path
from typing import Any

from pipelines.fields import REQUIRED
from pipelines.fleet.folder import Fleet
from pipelines.intake.encoding import ExportError
from pipelines.intake.mapping import MappingError, to_toml
from pipelines.intake.privacy import suspect_personal
from pipelines.intake.rows import type_batch
from pipelines.intake.suggestions import draft
from pipelines.receiving.upload import Upload
from pipelines.snapshot.exports import mappings_of


def preview(fleet: Fleet, path: Path, mapping: str | None = None) -> dict[str, Any]:
    """How one file would be read: dialect, mapping, each heading with its field, what would be dropped, what
    not used.

    Raises MappingError where `mapping` is none there is.
    """
    mappings = mappings_of(fleet)
    chosen = next((one for one in mappings if one.name == mapping), None)
    if mapping is not None and chosen is None:
        names = ", ".join(one.name for one in mappings)
        raise MappingError(mapping, "", f"there is no such mapping; there are {names}")
    try:
        upload = Upload(path, mappings)
        says = f"read with mapping {mapping!r}" if chosen else upload.recognition.why
        chosen = chosen or upload.recognition.mapping
        opening = upload.opened_with(chosen)
    except ExportError as error:
        return {"file_name": path.name, "says": str(error)}
    out: dict[str, Any] = {
        "file_name": path.name,
        "says": says,
        "encoding": opening.export.encoding,
        "delimiter": opening.export.delimiter,
        "heading_line": opening.export.heading_line,
        "notes": list(opening.export.notes),
        "mapping": chosen.name if chosen else None,
    }
    if chosen is None:
        suggestions = draft(opening.export.headings, opening.first.table).suggestions
        out["columns"] = [f"{one.heading}: {one.field or 'no field'} ({one.reason})" for one in suggestions]
        return out
    out["columns"] = [_as_line(row) for row in upload.trial(chosen).itertuples()]
    rows = opening.first.table.num_rows
    if rows:
        typed = type_batch(opening.first, chosen, file_name=path.name)
        out["says"] += (
            f"; {typed.table.num_rows:,} of the first {rows:,} rows could be used, "
            f"{typed.not_loaded.num_rows:,} entries not as read"
        )
        out["not_loaded"] = typed.not_loaded.slice(0, 20).to_pylist()
    return out


def _as_line(row: Any) -> str:
    """A row of a trial as a line."""
    counts = f", {row.used:,} used, {row.not_recorded:,} not recorded, {row.not_used:,} not used"
    counts += f", {row.with_row:,} in rows not loaded" if row.with_row else ""
    reasons = f" ({row.reasons})" if row.reasons else ""
    return f"{row.heading}: {row.field or 'no field'}{counts if row.field else ''}{reasons}"


def draft_mapping(fleet: Fleet, path: Path, name: str | None = None, agency: str | None = None) -> str:
    """TOML of a suggested mapping, what was left open as comments; raises ExportError."""
    opening = Upload(path, mappings_of(fleet)).opened_with(None)
    found = draft(opening.headings, opening.sample)
    mapping = found.mapping(name or path.stem, agency)
    personal = dict(suspect_personal(opening.headings, opening.sample))
    left = []
    for one in found.suggestions:
        if one.field is None:
            why, heading = one.reason, json.dumps(one.heading, ensure_ascii=False)
            if one.heading in personal:
                way_out = "dropped unless it gets a field or stands under carry"
                why += f"; looks personal ({personal[one.heading]}), {way_out}"
            left.append(f"# {heading}: {why}")
    short = next((one.short_date for one in found.suggestions if one.field and one.short_date), "")
    lacking = [field for field in REQUIRED if not mapping.feeds(field)]
    century = (
        f"# Years of two digits, as in {short!r}, need two_digit_years_from (1970: 70 is 1970, 69 is 2069)."
    )
    notes = (
        ([century] if short else [])
        + ([f"# Still lacking: {', '.join(lacking)}."] if lacking else [])
        + (["# Headings without a field:", *left] if left else [])
    )
    return to_toml(mapping) + ("\n" + "\n".join(notes) + "\n" if notes else "")
