"""The fleet's table of places: elevation by postal code and region."""

import csv

import pyarrow as pa

from pipelines.fields import BY_NAME
from pipelines.fleet.logs import FleetError
from pipelines.intake.cells import collapsed, folded

# ---- places

PLACE_HEADINGS = ("agency", "postal_code", "region", "elevation_ft", "spread_ft")


def places_table(connection, fleet):
    """Elevation and spread of postal codes and regions, for homes without an elevation of their own."""
    by_key = {}
    agencies = [row[0] for row in connection.execute("SELECT DISTINCT agency FROM received_rows").fetchall()]
    for line, row in _places(fleet.places):
        low, high = BY_NAME["elevation_ft"].plausible
        try:
            elevation, spread = float(row["elevation_ft"]), float(row["spread_ft"])
        except ValueError:
            raise FleetError(
                f"{fleet.places}, line {line}: elevation_ft and spread_ft need numbers in feet, not {row['elevation_ft']!r} and {row['spread_ft']!r}."
            ) from None
        if not low <= elevation <= high or not 0 <= spread <= high:
            raise FleetError(
                f"{fleet.places}, line {line}: elevation_ft lies between {low:,} and {high:,}, spread_ft is not below 0."
            )
        kind = "postal_code" if row["postal_code"].strip() else "region"
        place = collapsed(row[kind]).lower()
        if not place:
            raise FleetError(f"{fleet.places}, line {line}: name a postal_code or a region.")
        own = collapsed(row["agency"])
        for agency in agencies:
            if not own or folded(own) == folded(agency):
                key = (kind, agency, place)
                if key not in by_key or own:
                    by_key[key] = (elevation, spread)
    connection.execute(
        "CREATE OR REPLACE TABLE place_of (kind VARCHAR, agency VARCHAR, place VARCHAR, elevation_ft DOUBLE, spread_ft DOUBLE)"
    )
    if by_key:
        columns = list(zip(*[(*key, *value) for key, value in by_key.items()], strict=True))
        connection.register(
            "places",
            pa.table(
                {
                    name: list(values)
                    for name, values in zip(
                        ("kind", "agency", "place", "elevation_ft", "spread_ft"), columns, strict=True
                    )
                }
            ),
        )
        connection.execute("INSERT INTO place_of SELECT * FROM places")
        connection.unregister("places")


def _places(path):
    if not path.exists():
        return
    with open(path, newline="", encoding="utf-8-sig") as file:
        reader = csv.DictReader(file)
        missing = [name for name in PLACE_HEADINGS if name not in (reader.fieldnames or ())]
        if missing:
            raise FleetError(
                f"{path}, line 1: heading {missing[0]!r} is missing; it needs {', '.join(PLACE_HEADINGS)}."
            )
        for row in reader:
            yield reader.line_num, {name: row[name] or "" for name in PLACE_HEADINGS}
