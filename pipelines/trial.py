"""How a file would be read, before it is loaded: a preview, the draft of a mapping, and a trial of one.

Nothing here is stored but a mapping, and that only once it has been checked.
"""

import json
import os
import re
import secrets

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.fields import BY_NAME, REQUIRED
from pipelines.intake.cells import BLANKS, folded
from pipelines.intake.draft import draft
from pipelines.intake.mapping import CANONICAL, MappingError, parse_mapping, recognize, repeat_of, to_toml
from pipelines.intake.privacy import suspect_personal
from pipelines.intake.reader import Batch
from pipelines.intake.rows import NOT_MAPPED, type_batch
from pipelines.intake.sniff import ExportError
from pipelines.logs import sync, told
from pipelines.reading import batches, mappings_of, opened, own_headings

ROWS = 5_000  # of a file, looked at
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,79}", re.ASCII)
LOST = "its row is not loaded"


def preview(fleet, path, mapping=None):
    """How one file would be read: dialect, mapping, each heading with its field, what would be dropped, what not used.

    Raises MappingError where `mapping` is none there is.
    """
    mappings = mappings_of(fleet)
    chosen = next((one for one in mappings if one.name == mapping), None)
    if mapping is not None and chosen is None:
        raise MappingError(mapping, "", f"there is no such mapping; there are {', '.join(one.name for one in mappings)}")
    known = {heading for one in mappings for heading in one.known}
    try:
        export = opened(path, chosen, known)
        recognition = recognize(own_headings(export.headings), mappings)
        says = f"read with mapping {mapping!r}" if chosen else recognition.why
        chosen = chosen or recognition.mapping
        export = opened(path, chosen, known)
    except ExportError as error:
        return {"file_name": path.name, "says": str(error)}
    out = {"file_name": path.name, "says": says, "encoding": export.encoding, "delimiter": export.delimiter, "heading_line": export.heading_line,
           "notes": list(export.notes), "mapping": chosen.name if chosen else None}
    sample = _first_rows(export)
    if chosen is None:
        out["columns"] = [f"{one.heading}: {one.field or 'no field'} ({one.reason})" for one in draft(export.headings, sample).suggestions]
        return out
    tried = trial(path, chosen, known)
    out["columns"] = [f"{row.heading}: {row.field or 'no field'}" + (f", {row.used:,} used, {row.not_recorded:,} not recorded, {row.not_used:,} not used" if row.field else "")
                      + (f" ({row.reasons})" if row.reasons else "") for row in tried.itertuples()]
    typed = type_batch(_batch(export), chosen, file_name=path.name) if sample.num_rows else None
    if typed is not None:
        out["says"] += f"; {typed.table.num_rows:,} of the first {sample.num_rows:,} rows could be used, {typed.not_loaded.num_rows:,} entries not as read"
        out["not_loaded"] = typed.not_loaded.slice(0, 20).to_pylist()
    return out


def draft_mapping(fleet, path, name=None, agency=None):
    """TOML of a suggested mapping for an unknown export, and in its comments what was left open. Raises ExportError."""
    export = opened(path, None, {heading for one in mappings_of(fleet) for heading in one.known})
    headings, sample = own_headings(export.headings), _first_rows(export)
    found = draft(headings, sample.select(list(headings)))
    mapping = found.mapping(name or path.stem, agency)
    personal = dict(suspect_personal(headings, sample.select(list(headings))))
    left = [f"# {json.dumps(one.heading, ensure_ascii=False)}: {one.reason}" + (f"; looks personal ({personal[one.heading]}), dropped unless it gets a field or stands under carry" if one.heading in personal else "")
            for one in found.suggestions if one.field is None]
    lacking = [field for field in REQUIRED if not mapping.feeds(field)]
    notes = ([f"# Still lacking: {', '.join(lacking)}."] if lacking else []) + (["# Headings without a field:", *left] if left else [])
    return to_toml(mapping) + ("\n" + "\n".join(notes) + "\n" if notes else "")


def trial(path, mapping, known=()):
    """What a mapping makes of a file's first rows (ROWS), one row per heading and field, in the order of the file.

    Columns: heading, field ("" none, "carried", "ignored"), unit, used, not_recorded, not_used (these three add up to the
    rows looked at), reasons why not (with counts), examples of texts not used. `known` are more headings by which to
    find the line of headings. Raises ExportError.
    """
    export = opened(path, mapping, known)
    headings, batch = own_headings(export.headings), _batch(export)
    typed = type_batch(batch, mapping, file_name=path.name)
    table, entries = typed.table, typed.not_loaded.to_pandas()
    here, carried, ignored = (set(map(folded, some)) for some in (headings, mapping.carry, mapping.ignore))
    personal = dict(suspect_personal(headings, batch.table.select(list(headings))))
    rows = []
    for heading in headings:
        name = folded(heading) if folded(heading) in mapping.known else repeat_of(heading, here) or folded(heading)
        filled = pc.not_equal(pc.utf8_trim(pc.fill_null(batch.table.column(heading), ""), BLANKS), "").to_numpy(zero_copy_only=False)
        fields = [(column.field, column.unit or BY_NAME[column.field].unit) for column in mapping.columns if folded(column.heading) == name]
        fields += [(join.field, None) for join in mapping.joins if name in map(folded, join.headings)]
        rows += [{"heading": heading, "field": field, "unit": unit or "", **_use_of(field, table, entries, batch.lines, filled)} for field, unit in fields]
        if not fields:
            used = int((filled & np.isin(batch.lines, table.column("source_line").to_numpy())).sum()) if name in carried else 0
            why = f"looks personal: {personal[heading]}; dropped at the door" if heading in personal else NOT_MAPPED if name not in ignored else ""
            texts = pc.unique(batch.table.column(heading).filter(pa.array(filled))).slice(0, 3).to_pylist()
            rows.append({"heading": heading, "field": "carried" if name in carried else "ignored" if name in ignored else "", "unit": "", "used": used, "not_used": int(filled.sum()) - used,
                         "not_recorded": int((~filled).sum()), "reasons": "" if name in carried else why, "examples": "; ".join(texts)})
    return pd.DataFrame(rows, columns=["heading", "field", "unit", "used", "not_recorded", "not_used", "reasons", "examples"])


def _use_of(field, table, entries, lines, filled):
    """Counts over the rows looked at, and why cells of one field were not used."""
    there = pc.is_valid(table.column(field)).to_numpy(zero_copy_only=False)
    loaded = table.column("source_line").to_numpy()
    own = entries[entries["field"] == field]
    refused = int((np.isin(loaded, own["source_line"]) & ~there).sum())
    cost_the_row = int((own["extent"] == "row").sum())
    with_row = int((filled & ~np.isin(lines, loaded) & ~np.isin(lines, own["source_line"])).sum())
    used, not_used = int(there.sum()), refused + cost_the_row + with_row
    reasons = own["reason"].value_counts().to_dict() | ({LOST: with_row} if with_row else {})
    texts = own["raw_text"].drop_duplicates()
    return {"used": used, "not_used": not_used, "not_recorded": len(lines) - used - not_used,
            "reasons": "; ".join(f"{reason} ({count:,})" for reason, count in reasons.items()), "examples": "; ".join(texts[texts != ""].head(3))}


def save_mapping(fleet, name, toml_text):
    """Check a mapping and put it into the fleet's own mappings, over one of the same name; returns its path.

    Raises MappingError, and leaves what was there, if it cannot be used or the name will not do.
    """
    if not NAME.fullmatch(name) or name == CANONICAL:
        raise MappingError(f"{name}.toml", "", f"the name needs letters, digits, dashes and underscores, and is not {CANONICAL!r}")
    mapping = parse_mapping(name, toml_text.replace("\r\n", "\n"))
    fleet.create()
    target = fleet.mappings / f"{name}.toml"
    draft_path = fleet.mappings / f".{name}-{secrets.token_hex(8)}"
    with told("write", target):
        try:
            draft_path.write_bytes(mapping.text.encode())
            sync(draft_path)
            os.replace(draft_path, target)
            sync(fleet.mappings)
        finally:
            draft_path.unlink(missing_ok=True)
    return target


def _batch(export):
    """The first rows of an export as one batch, which may be empty."""
    first = next(batches(export, ROWS), None)
    if first is not None:
        return first
    return Batch(pa.table({heading: pa.array([], pa.string()) for heading in export.headings}), np.empty(0, np.int64))


def _first_rows(export):
    return _batch(export).table
