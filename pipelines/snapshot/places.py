"""The fleet's table of places: elevation by postal code and region, and where a postal code lies."""

import json

import pyarrow as pa

from pipelines.fields import BY_NAME
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.fleet.own_tables import lines
from pipelines.fleet.snapshots import Snapshot
from pipelines.intake.cells import collapsed, folded

HEADINGS = ("agency", "postal_code", "region", "elevation_ft", "spread_ft")
WHERE = ("latitude", "longitude")
COLUMNS = ("kind", "agency", "place", "elevation_ft", "spread_ft")
PLAUSIBLE = BY_NAME["elevation_ft"].plausible
assert PLAUSIBLE
LOWEST_FT, HIGHEST_FT = PLAUSIBLE


def places_table(connection, data, path):
    """Make place_of: elevation and spread of postal codes and regions, for homes without one of their own.

    `data` is the table as bytes, empty where there is none; errors call it `path`. A line that names an
    agency goes before one for every agency. FleetError names the line that cannot be used, or that says
    something else of a place than one before it.
    """
    agencies = [row[0] for row in connection.execute("SELECT DISTINCT agency FROM received_rows").fetchall()]
    found = {}
    # By agency as written, kind and place: the numbers, and the line they stand on
    said: dict[tuple, tuple] = {}
    for line, row in lines(data, path, HEADINGS, WHERE):
        kind, place, elevation_ft, spread_ft = _place(f"{path}, line {line}", row)
        _where(f"{path}, line {line}", row)
        own = collapsed(row["agency"])
        numbers, before = said.setdefault((folded(own), kind, place), ((elevation_ft, spread_ft), line))
        if numbers != (elevation_ft, spread_ft):
            raise FleetError(
                f"{path}, line {line}: {collapsed(row[kind])!r} stands in line {before} already with "
                f"{numbers[0]:g} and {numbers[1]:g} ft, here with {elevation_ft:g} and {spread_ft:g}: "
                "keep the one that is right."
            )
        for agency in agencies:
            if not own or folded(own) == folded(agency):
                key = (kind, agency, place)
                if key not in found or own:
                    found[key] = (elevation_ft, spread_ft)
    connection.execute("""
        CREATE OR REPLACE TABLE place_of (
            kind VARCHAR, agency VARCHAR, place VARCHAR, elevation_ft DOUBLE, spread_ft DOUBLE)
    """)
    if found:
        rows = [dict(zip(COLUMNS, (*key, *value), strict=True)) for key, value in found.items()]
        connection.register("places", pa.Table.from_pylist(rows))
        connection.execute("INSERT INTO place_of BY NAME SELECT * FROM places")
        connection.unregister("places")


def coordinates(data, path):
    """{(agency, postal code): (latitude, longitude) in degrees} of the lines that have them, both folded.

    The agency is empty in a line for every agency. FleetError as `places_table`.
    """
    found: dict[tuple[str, str], tuple[float, float]] = {}
    for line, row in lines(data, path, HEADINGS, WHERE):
        kind, place, *_ = _place(f"{path}, line {line}", row)
        where = _where(f"{path}, line {line}", row)
        if where is not None and kind == "postal_code":
            found.setdefault((folded(row["agency"]), place), where)
    return found


def coordinates_of(snapshot: Snapshot) -> dict[tuple[str, str], tuple[float, float]]:
    """The `coordinates` of the table of places that a snapshot rests on."""
    hashes = json.loads(snapshot.rows("SELECT inputs FROM runs")[0][0])
    if "places" not in hashes:
        return {}
    fleet = Fleet(snapshot.path.parent.parent)
    return coordinates(fleet.input_bytes(hashes["places"]), fleet.places)


def _where(line, row):
    """(latitude, longitude) of one line, None where it has neither; FleetError begins with `line`."""
    said = [row[name].strip() for name in WHERE]
    if not any(said):
        return None
    try:
        latitude, longitude = map(float, said)
    except ValueError:
        latitude = longitude = float("nan")
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise FleetError(
            f"{line}: latitude and longitude are degrees from -90 to 90 and from -180 to 180, both or "
            f"neither, not {said[0]!r} and {said[1]!r}."
        )
    return latitude, longitude


def _place(line, row):
    """(kind, place, elevation, spread in feet) of one line; FleetError begins with `line`."""
    try:
        elevation_ft, spread_ft = float(row["elevation_ft"]), float(row["spread_ft"])
    except ValueError:
        raise FleetError(
            f"{line}: elevation_ft and spread_ft need numbers in feet, not {row['elevation_ft']!r} and "
            f"{row['spread_ft']!r}."
        ) from None
    if not LOWEST_FT <= elevation_ft <= HIGHEST_FT or not 0 <= spread_ft <= HIGHEST_FT:
        raise FleetError(
            f"{line}: elevation_ft lies between {LOWEST_FT:,} and {HIGHEST_FT:,}, spread_ft is not below 0."
        )
    kind = "postal_code" if row["postal_code"].strip() else "region"
    place = collapsed(row[kind]).lower()
    if not place:
        raise FleetError(f"{line}: name a postal_code or a region.")
    return kind, place, elevation_ft, spread_ft
