"""Inspections in force fetched in batches of whole homes, worked out side by side, and written."""

import os
from concurrent.futures import ThreadPoolExecutor, as_completed
from threading import Event, Lock

import numpy as np
import pyarrow as pa

from pipelines.fields import DATE, FIELDS, NUMBER, WORD
from pipelines.snapshot import homes, tables
from pipelines.snapshot.comparison import ADDRESS, CREW, ORDER_OF_VISITS, SYSTEM
from pipelines.snapshot.tables import IN_FORCE

# Inspections fetched at once, homes kept whole; more where that made too many fetches, since each looks
# through all rows for its own.
ROWS_FETCHED = 200_000
MOST_FETCHES = 20
ROWS_AT_ONCE = 50_000  # of these, worked out and written at once
WORKERS = min(4, os.cpu_count() or 1)
AT_HAND = WORKERS + 2  # batches at once: fetched, with a process that judges, or being written

NOT_FETCHED = ("elderly", "disabled", "children", "high_energy_use", "high_energy_burden")
BATCH_FIELDS = tuple(
    field.name
    for field in FIELDS
    if field.kind in (WORD, NUMBER, DATE) and field.name not in (*NOT_FETCHED, "inspected_on")
) + ("inspected_on",)
BATCH_TEXTS = (
    "agency",
    "inspection_id",
    "home_id",
    "region",
    "job_number",
    "repairs_reported",
    "unusable",
    "export_id",
)


def roll(connection, judge, progress, touched=None):
    """Recompute, check and follow over time every home, or those of the table `touched`; fills the tables.

    `judge` works out one slice of whole homes, several side by side where it can. Returns check id → (words,
    numbers) that its results may show.
    """
    in_force = f"SELECT count(*) FROM received_rows WHERE standing = {IN_FORCE}"
    count = connection.execute(in_force).fetchall()[0][0]
    fetches = 1 if touched else max(1, -(-count // max(ROWS_FETCHED, count // MOST_FETCHES)))
    fetching, writing, stopped, done = Lock(), Lock(), Event(), []

    def slices():
        for number in range(fetches):
            with connection.cursor() as cursor:
                table = batch(cursor, number, fetches, touched)
            yield from _whole_homes(table, ROWS_AT_ONCE)

    coming = slices()

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
        """What the threads return; where one fails, or CTRL-C comes, the others end with their slice."""
        try:
            working = [pool.submit(work) for _ in range(AT_HAND)]
            return [one.result() for one in as_completed(working)]
        finally:
            stopped.set()

    with connection.cursor() as writer, ThreadPoolExecutor(AT_HAND) as pool:
        # One transaction for all: rows are written once, in whole groups, and not first to a log.
        writer.begin()
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


def batch(connection, number, fetches, touched=None):
    """One of so many fetches: inspections in force of whole homes, in the order of visits, as an Arrow table.

    Sorting only the keys, and putting the rows into that order after, takes half the time of sorting whole
    rows.
    """
    among = f"SEMI JOIN {touched} USING (agency, home_id)" if touched else ""
    own = f"AND hash(agency, home_id) % {fetches} = {number}" if fetches > 1 else ""
    chosen = f"(SELECT *, rowid AS row FROM received_rows {among} WHERE standing = {IN_FORCE} {own})"
    found = connection.sql(f"""
        SELECT {", ".join(f"r.{name}" for name in BATCH_TEXTS + BATCH_FIELDS)}, {CREW} AS crew,
               {SYSTEM} AS system_id, {ADDRESS} AS address_number, repeated, gallons, days, r.row,
               r.address IS NOT NULL AND r.postal_code IS NOT NULL AS addressed,
               CASE WHEN r.elevation_ft IS NULL
                    THEN coalesce(by_code.elevation_ft, by_region.elevation_ft) END AS place_elevation_ft,
               CASE WHEN r.elevation_ft IS NOT NULL THEN NULL
                    WHEN by_code.elevation_ft IS NOT NULL THEN by_code.spread_ft
                    ELSE by_region.spread_ft END AS place_spread_ft
        FROM {chosen} AS r
        LEFT JOIN compared ON compared.row = r.row
        LEFT JOIN strands ON strands.row = r.row
        LEFT JOIN renamed ON renamed.row = r.row
        LEFT JOIN place_of AS by_code
               ON by_code.kind = 'postal_code' AND by_code.agency = r.agency
              AND by_code.place = lower(r.postal_code)
        LEFT JOIN place_of AS by_region
               ON by_region.kind = 'region' AND by_region.agency = r.agency
              AND by_region.place = lower(r.region)
    """).to_arrow_table()
    found = found.combine_chunks()
    in_order = connection.sql(f"""
        SELECT r.row FROM {chosen} AS r
        LEFT JOIN strands ON strands.row = r.row
        ORDER BY agency, home_id, {SYSTEM}, {ADDRESS}, {ORDER_OF_VISITS}
    """).to_arrow_table()
    rows, wanted = found.column("row").to_numpy(), in_order.column("row").to_numpy()
    sorter = np.argsort(rows, kind="stable")
    positions = sorter[np.searchsorted(rows, wanted, sorter=sorter)] if len(rows) else sorter
    return tables.positions_as_words(found.drop_columns(["row"]).take(pa.array(positions)))
