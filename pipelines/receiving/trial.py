"""What a mapping makes of a file's first rows: of each column's cells, and of the texts of words."""

from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from collections.abc import Mapping as Lookup
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.fields import BY_NAME, DATE, REQUIRED, WORD, WORDS
from pipelines.intake.cells import (
    BLANKS,
    NOT_RECORDED,
    Refused,
    collapsed,
    folded,
    ids,
    missing_words,
    word,
    word_key,
)
from pipelines.intake.mapping import Column, Mapping
from pipelines.intake.privacy import suspect_personal
from pipelines.intake.reader import Batch
from pipelines.intake.recognition import repeat_of
from pipelines.intake.rows import NOT_MAPPED, AcceptedIds, type_batch
from pipelines.receiving.drafts import filled

MOST_WORDS = 60  # distinct texts of a field of words that are asked about
COLUMNS = ("heading", "field", "unit", "used", "not_recorded", "not_used", "with_row", "reasons", "examples")


def words(batch: Batch, mapping: Mapping, accepted_ids: Lookup[str, Collection[str]]) -> pd.DataFrame:
    """The distinct texts in columns of words, the most frequent of each column first, and what each means.

    Columns: heading, field, text, times (rows looked at), word ("" where it is not understood), given (the
    mapping says so). The first MOST_WORDS that are understood and as many that are not of each column.
    """
    accepted = {name: {word_key(one): one for one in of_field} for name, of_field in accepted_ids.items()}
    here = {folded(heading): heading for heading in batch.table.column_names}
    rows: list[tuple[Any, ...]] = []
    for column in mapping.columns:
        field, heading = BY_NAME[column.field], here.get(folded(column.heading))
        if field.kind not in (WORD, WORDS) or heading is None:
            continue
        times: Counter[str] = Counter()
        spelled: dict[str, str] = {}
        for text, count in _texts(batch.table.column(heading), field.kind == WORDS):
            if text.lower() not in missing_words(field, mapping.not_recorded):
                times[word_key(text)] += count
                spelled.setdefault(word_key(text), text)
        meant = {key: _meaning(text, column, accepted.get(field.name)) for key, text in spelled.items()}
        by_frequency = sorted(times, key=lambda key: (-times[key], key))
        for understood in (False, True):
            of_kind = [key for key in by_frequency if bool(meant[key]) is understood][:MOST_WORDS]
            rows += [
                (heading, field.name, spelled[key], times[key], meant[key], key in column.translations)
                for key in of_kind
            ]
    return pd.DataFrame(rows, columns=["heading", "field", "text", "times", "word", "given"])


def _texts(column: pa.ChunkedArray, lists: bool) -> Iterator[tuple[str, int]]:
    """Distinct texts of a column, those of lists one by one, with how many rows say each."""
    for one in filled(column).value_counts().to_pylist():
        for text in one["values"].split(";") if lists else (one["values"],):
            if collapsed(text):
                yield collapsed(text), one["counts"]


def _meaning(text: str, column: Column, accepted_ids: dict[str, str] | None) -> str:
    """The word or id that a text means; "" where it is not understood."""
    field = BY_NAME[column.field]
    if field.kind == WORD:
        meant = word(text, field, column.translations)
        return "" if isinstance(meant, Refused) else meant
    found, _ = ids(text, column.translations, accepted_ids)
    return found or ("none" if word_key(text) == "none" else "")


def trial(headings: Sequence[str], batch: Batch, mapping: Mapping, accepted_ids: AcceptedIds) -> pd.DataFrame:
    """What a mapping makes of the first rows, one row per heading and field, in the order of the file.

    Columns: heading, field ("" none, "carried", "ignored"), unit, used, not_recorded, not_used, with_row
    (nothing is wrong with the cell, but its row is not loaded; these four add up to the rows looked at),
    reasons why cells are not used (with counts), examples of their texts. Required fields that a draft does
    not feed yet are left aside.
    """
    typed = type_batch(*_supplied(batch, mapping), accepted_ids=accepted_ids)
    table, entries = typed.table, typed.not_loaded.to_pandas()
    here = set(map(folded, headings))
    personal = dict(suspect_personal(headings, batch.table.select(list(headings))))
    rows: list[dict[str, Any]] = []
    for heading in headings:
        name = folded(heading)
        if name not in mapping.mapped_headings:
            name = repeat_of(heading, here) or name
        texts = batch.table.column(heading)
        is_filled = pc.not_equal(pc.utf8_trim(pc.fill_null(texts, ""), BLANKS), "").to_numpy()
        fields = [
            (column.field, column.unit or BY_NAME[column.field].unit)
            for column in mapping.columns
            if folded(column.heading) == name
        ]
        fields += [(join.field, None) for join in mapping.joins if name in map(folded, join.headings)]
        for field, unit in fields:
            counts = _use_of(field, table, entries, batch.lines, is_filled)
            rows.append({"heading": heading, "field": field, "unit": unit or "", **counts})
        if not fields:
            loaded = np.isin(batch.lines, table.column("source_line").to_numpy())
            use = _use_beside(name, mapping, personal.get(heading))
            carried = use[0] == "carried"
            used = int((is_filled & loaded).sum()) if carried else 0
            with_row = int((is_filled & ~loaded).sum()) if carried else 0
            rows.append(
                {
                    "heading": heading,
                    "field": use[0],
                    "unit": "",
                    "used": used,
                    "not_used": int(is_filled.sum()) - used - with_row,
                    "with_row": with_row,
                    "not_recorded": int((~is_filled).sum()),
                    "reasons": use[1],
                    "examples": "; ".join(
                        pc.unique(texts.filter(pa.array(is_filled))).slice(0, 3).to_pylist()
                    ),
                }
            )
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _use_beside(name: str, mapping: Mapping, personal: str | None) -> tuple[str, str]:
    """What a heading without a field is for ("", "carried", "ignored"), and why its cells are not used."""
    if name in map(folded, mapping.carry):
        return "carried", ""
    ignored = name in map(folded, mapping.ignore)
    why = "" if ignored else NOT_MAPPED
    if personal:
        why = f"looks personal: {personal}; dropped at the door"
    return "ignored" if ignored else "", why


def _supplied(batch: Batch, mapping: Mapping) -> tuple[Batch, Mapping]:
    """The same with something in each required field that no heading feeds yet: other cells can be judged."""
    lacking, table = [name for name in REQUIRED if not mapping.feeds(name)], batch.table
    for name in lacking:
        anything = "2000-01-01" if BY_NAME[name].kind == DATE else "1"
        table = table.append_column(f"\0{name}", pa.repeat(pa.scalar(anything), table.num_rows))
    supplied = (*mapping.columns, *(Column(f"\0{name}", name) for name in lacking))
    return replace(batch, table=table), replace(mapping, columns=supplied)


def _use_of(
    field: str, table: pa.Table, entries: pd.DataFrame, lines: np.ndarray, is_filled: np.ndarray
) -> dict[str, Any]:
    """Counts over the rows looked at, and why cells of one field were not used."""
    there = pc.is_valid(table.column(field)).to_numpy(zero_copy_only=False)
    loaded = table.column("source_line").to_numpy()
    own = entries[entries["field"] == field]
    with_row = int((is_filled & ~np.isin(lines, loaded) & ~np.isin(lines, own["source_line"])).sum())
    own = own[own["reason"] != NOT_RECORDED]  # a cell that is not there is none that is not used
    refused = int((np.isin(loaded, own["source_line"]) & ~there).sum())
    cost_the_row = int((own["extent"] == "row").sum())
    used, not_used = int(there.sum()), refused + cost_the_row
    reasons = own["reason"].value_counts().to_dict()
    texts = own["raw_text"].drop_duplicates()
    return {
        "used": used,
        "not_used": not_used,
        "with_row": with_row,
        "not_recorded": len(lines) - used - not_used - with_row,
        "reasons": "; ".join(f"{reason} ({count:,})" for reason, count in reasons.items()),
        "examples": "; ".join(texts[texts != ""].head(3)),
    }
