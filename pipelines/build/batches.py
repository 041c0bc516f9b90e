"""Inspections in force fetched in batches of whole homes, worked out side by side, and written."""

import os
from concurrent.futures import ThreadPoolExecutor, as_completed
from threading import Event, Lock

import numpy as np
import pyarrow as pa

from pipelines.build import homes, tables
from pipelines.build.comparison import ORDER_OF_VISITS
from pipelines.build.tables import IN_FORCE
from pipelines.fields import FIELDS, WORD

ROWS_FETCHED = (
    200_000  # inspections fetched at once, homes kept whole; more where that made too many fetches,
)
MOST_FETCHES = 20  # since each looks through all rows for its own
ROWS_AT_ONCE = 50_000  # of these, worked out and written at once
WORKERS = min(4, os.cpu_count() or 1)
AT_HAND = WORKERS + 2  # batches at once: fetched, with a process that judges, or being written


# ---- inspections → results → homes

BATCH_FIELDS = tuple(
    f.name
    for f in FIELDS
    if f.kind in (WORD, "number", "date")
    and f.name
    not in ("elderly", "disabled", "children", "high_energy_use", "high_energy_burden", "inspected_on")
) + ("inspected_on",)
BATCH_TEXTS = (
    "agency",
    "inspection_id",
    "home_id",
    "region",
    "crew",
    "job_number",
    "repairs_reported",
    "unusable",
    "export_id",
)


def roll(connection, judge, progress, touched=None):
    """Recompute, check and follow over time every home (or those of the table `touched`); fills the batch tables.

    `judge` works out one slice of whole homes, several side by side where it can. Returns check id → (words, numbers) its results may show.
    """
    count = connection.execute(f"SELECT count(*) FROM received_rows WHERE standing = {IN_FORCE}").fetchall()[
        0
    ][0]
    parts = max(1, -(-count // max(ROWS_FETCHED, count // MOST_FETCHES))) if touched is None else 1
    fetching, writing, stopped, done = Lock(), Lock(), Event(), []

    def batches():
        for part in range(parts):
            with connection.cursor() as cursor:
                table = batch(cursor, part, parts, touched)
            yield from _whole_homes(table, ROWS_AT_ONCE)

    coming = batches()

    def work():
        shown = None
        while not stopped.is_set():
            with fetching:
                table = next(coming, None)
            if table is None:
                break
            worked_out, shown = judge(table)
            with writing:
                for name, found in worked_out.items():
                    tables.write(writer, name, found)
                done.append(table.num_rows)
                progress.step(sum(done), max(count, sum(done)))
            del table, worked_out
        return shown

    def all_done(pool):
        """What the threads return; where one fails, or CTRL-C comes, the others end with the batch they are at."""
        try:
            working = [pool.submit(work) for _ in range(AT_HAND)]
            return [one.result() for one in as_completed(working)]
        finally:
            stopped.set()

    with connection.cursor() as writer, ThreadPoolExecutor(AT_HAND) as pool:
        writer.begin()  # one transaction for all, so that rows are written once, in whole groups, and not first to a log
        shown = next(filter(None, all_done(pool)))
        writer.commit()
    return shown


def _whole_homes(table, rows):
    """A batch cut into slices of about so many rows, no home in two of them; an empty one stays one."""
    if table.num_rows <= rows:
        yield table
        return
    starts = homes.starts(table.column("agency").combine_chunks(), table.column("home_id").combine_chunks())
    cuts = np.unique(starts[np.searchsorted(starts, np.arange(0, table.num_rows, rows), side="right") - 1])
    for start, end in zip(cuts, [*cuts[1:], table.num_rows], strict=True):
        yield table.slice(start, end - start)


def batch(connection, part, parts, touched=None):
    """The inspections in force of some whole homes, in the order of visits, as an Arrow table."""
    where = f"AND hash(agency, home_id) % {parts} = {part}" if parts > 1 else ""
    among = f"SEMI JOIN {touched} USING (agency, home_id)" if touched else ""
    chosen = f"(SELECT *, rowid AS row FROM received_rows {among} WHERE standing = {IN_FORCE} {where}) AS r"
    fields = ", ".join(f"r.{name}" for name in BATCH_TEXTS + BATCH_FIELDS)
    found = (
        connection.sql(f"""
        SELECT {fields}, coalesce(r.system_id, '') AS system_id, repeated, gallons, days, r.row,
               CASE WHEN r.elevation_ft IS NULL THEN coalesce(by_code.elevation_ft, by_region.elevation_ft) END AS place_elevation_ft,
               CASE WHEN r.elevation_ft IS NULL THEN CASE WHEN by_code.elevation_ft IS NOT NULL THEN by_code.spread_ft ELSE by_region.spread_ft END END AS place_spread_ft
        FROM {chosen}
        LEFT JOIN compared ON compared.row = r.row
        LEFT JOIN place_of AS by_code ON by_code.kind = 'postal_code' AND by_code.agency = r.agency AND by_code.place = lower(r.postal_code)
        LEFT JOIN place_of AS by_region ON by_region.kind = 'region' AND by_region.agency = r.agency AND by_region.place = lower(r.region)
    """)
        .to_arrow_table()
        .combine_chunks()
    )
    # Sorting only the keys, and putting the rows into that order after, takes half the time of sorting whole rows.
    order = connection.sql(
        f"SELECT row FROM {chosen} ORDER BY agency, home_id, coalesce(system_id, ''), {ORDER_OF_VISITS}"
    ).to_arrow_table()
    rows = found.column("row").to_numpy()
    sorter = np.argsort(rows, kind="stable")
    places = (
        sorter[np.searchsorted(rows, order.column("row").to_numpy(), sorter=sorter)] if len(rows) else sorter
    )
    return tables.positions_as_words(found.drop_columns(["row"]).take(pa.array(places)))
