"""What was not loaded of one export, in its own columns, for the agency to mend and send back."""

import io
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from pipelines.fleet.folder import safe_name
from pipelines.fleet.logs import FleetError
from pipelines.intake.cells import folded
from pipelines.intake.recognition import unmapped
from pipelines.intake.spreadsheets import harmless
from pipelines.snapshot.exports import MENDED, batches, is_stripped, mapping_of, opened, own_headings

# One row for each line of an export: why it, or cells of it, were not loaded, and the text of a damaged row.
ENTRIES = """
    SELECT source_line, string_agg(words, '; ' ORDER BY heading, reason) AS reason, max(text) AS text
    FROM (
        SELECT source_line,
               heading,
               reason,
               concat(
                   CASE WHEN heading <> '' THEN heading || ': ' ELSE '' END,
                   reason,
                   CASE WHEN expected <> '' THEN ' (accepted: ' || expected || ')' ELSE '' END
               ) AS words,
               CASE WHEN extent = 'row' AND heading = '' AND field = '' THEN raw_text END AS text
        FROM not_loaded
        WHERE export_id = ? AND extent <> 'column'
    )
    GROUP BY source_line
    ORDER BY source_line
"""


@dataclass(frozen=True)
class Mending:
    """A CSV of rows to mend: `rows` has the export's own columns, then the line and the reasons (MENDED)."""

    file_name: str
    rows: pa.Table
    delimiter: str

    def as_csv(self):
        """Bytes of the CSV: UTF-8 with a byte order mark, texts made harmless, which loading undoes."""
        out = io.BytesIO(b"\xef\xbb\xbf")
        out.seek(0, io.SEEK_END)
        safe = pa.table([harmless(column) for column in self.rows.columns], names=self.rows.column_names)
        pyarrow.csv.write_csv(
            safe, out, pyarrow.csv.WriteOptions(delimiter=self.delimiter, quoting_style="needed")
        )
        return out.getvalue()


def mending(fleet, snapshot, export_id, agencies=None):
    """The rows of a stored export that were not loaded, or not wholly, as they stand in it; a Mending.

    With `agencies` rows that name another one are left out.

    A damaged row has its text in the first column, where it was kept. The rows hold personal texts: they are
    for people who may see these. FleetError where the snapshot holds no such export, or its bytes are gone.
    """
    received = next(
        (one for one in fleet.received() if one.export_id == export_id and one.status == "loaded"), None
    )
    if received is None or not snapshot.rows(
        "SELECT 1 FROM exports WHERE export_id = ? AND sha256 = ? AND status = 'loaded'",
        [export_id, received.sha256],
    ):
        raise FleetError(f"{snapshot.name} holds no export {export_id} that is loaded.")
    entries = snapshot.arrow(ENTRIES, [export_id])
    lines = entries.column("source_line").to_numpy()
    mapping = mapping_of(fleet, received)
    export = opened(fleet.export_path(received.sha256), mapping, stripped=is_stripped(received))
    headings = own_headings(export.headings)
    slices = [
        batch.table.select(list(headings))
        .append_column(MENDED[0], pa.array(batch.lines))
        .filter(pa.array(np.isin(batch.lines, lines)))
        for batch in batches(export)
    ]
    schema = pa.schema([*((heading, pa.string()) for heading in headings), (MENDED[0], pa.int64())])
    whole = pa.concat_tables([*slices, schema.empty_table()])
    damaged = entries.filter(pa.array(~np.isin(lines, whole.column(MENDED[0]).to_numpy())))
    empty = pa.array([""] * damaged.num_rows, pa.string())
    texts = [
        pc.fill_null(damaged.column("text"), "").combine_chunks(),
        *[empty] * (len(headings) - 1),
        damaged.column("source_line").combine_chunks(),
    ]
    rows = pa.concat_tables([whole, pa.table(texts, schema=schema)]).sort_by(MENDED[0]).combine_chunks()
    reasons = (
        entries.column("reason")
        .combine_chunks()
        .take(pa.array(np.searchsorted(lines, rows.column(MENDED[0]).to_numpy())))
    )
    rows = rows.set_column(len(headings), MENDED[0], rows.column(MENDED[0]).cast(pa.string())).append_column(
        MENDED[1], reasons
    )
    if agencies is not None:
        rows = _of_agencies(rows, mapping, agencies)
    unknown = unmapped(headings, mapping)
    names = [
        harmless(pa.array([heading]))[0].as_py() if heading in unknown else heading
        for heading in rows.column_names
    ]
    return Mending(
        f"to-mend-{export_id}-{safe_name(received.file_name)}", rows.rename_columns(names), export.delimiter
    )


def _of_agencies(rows, mapping, agencies):
    own, named = {"", *map(folded, agencies)}, {folded(heading) for heading in mapping.feeds("agency")}
    for heading in rows.column_names:
        if folded(heading) in named:
            rows = rows.filter(
                pa.array([folded(text or "") in own for text in rows.column(heading).to_pylist()], pa.bool_())
            )
    return rows
