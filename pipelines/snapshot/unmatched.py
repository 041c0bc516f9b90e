"""What is set for a region, an agency or a crew that no inspection names: overrides without effect."""

from collections.abc import Iterator
from difflib import get_close_matches

import pyarrow as pa

from pipelines.fleet.own_tables import lines
from pipelines.intake.cells import collapsed, folded
from pipelines.snapshot.places import HEADINGS
from pipelines.snapshot.tables import IN_FORCE

MOST_NAMED = 8  # of what there is; beyond that the nearest
SPELLED = f"SELECT DISTINCT agency, region, crew FROM received_rows WHERE standing = {IN_FORCE}"
SCHEMA = pa.schema([("agency", pa.string()), ("remark", pa.string())])


def unmatched_table(connection, fleet, read):
    """Make `unmatched` and return its remarks: (agency, as spelled in the fleet, NULL for any; sentence)."""
    found = connection.execute(SPELLED).fetchall()
    remarks = list(dict.fromkeys(_remarks(fleet, read, found))) if found else []
    rows = pa.Table.from_pylist([dict(zip(SCHEMA.names, one, strict=True)) for one in remarks], SCHEMA)
    connection.register("remarks", rows)
    connection.execute("CREATE OR REPLACE TABLE unmatched AS SELECT * FROM remarks")
    connection.unregister("remarks")
    return [remark for _, remark in remarks]


def unmatched(snapshot):
    """The remarks of a snapshot."""
    return [remark for (remark,) in snapshot.rows("SELECT remark FROM unmatched ORDER BY remark")]


def would_be_unmatched(fleet, read, snapshot):
    """The remarks that a snapshot of the same rows would have under other inputs."""
    return list(dict.fromkeys(remark for _, remark in _remarks(fleet, read, snapshot.rows(SPELLED))))


def _remarks(fleet, read, found) -> Iterator[tuple[str | None, str]]:
    """(agency, sentence) of all that is set for what is not there; the first line stands for others alike."""
    agencies = {folded(agency): agency for agency, _, _ in found}
    there = {
        "region": {(folded(agency), folded(region)): region for agency, region, _ in found if region},
        "crew": {(folded(agency), folded(crew)): crew for agency, _, crew in found if crew},
    }
    several: dict[tuple, list[tuple[str, int]]] = {}
    for file, line, agency, kind, name in _named(fleet, read):
        known = folded(agency) in agencies
        if agency and not known:
            several.setdefault((file, "agency", folded(agency), ""), []).append((agency, line))
        elif name and not _there(there[kind], agency, name):
            several.setdefault((file, kind, folded(name), folded(agency)), []).append((name, line))
    for (file, kind, _, agency), named in several.items():
        name, line = named[0]
        more = f" and {len(named) - 1} more" if len(named) > 1 else ""
        own = agencies.get(agency)
        offered = agencies if kind == "agency" else there[kind]
        names = {spelled for key, spelled in offered.items() if own is None or key[0] == agency}
        of = f" of {own}" if own else ""
        plural = "agencies" if kind == "agency" else f"{kind}s"
        yield (
            own,
            f"{file}, line {line}{more}: {kind} {name!r}{of} matches no inspection; "
            f"{plural} there are: {_listed(name, names)}",
        )


def _there(names, agency, name):
    """Whether an inspection (of an agency, where one is named) has a name."""
    if agency:
        return (folded(agency), folded(name)) in names
    return any(one == folded(name) for _, one in names)


def _named(fleet, read):
    """(file, line, agency, kind, name) of each line that speaks of an agency, a region or a crew."""
    for region in (one for one in read.policy.regions if one.name):
        yield fleet.policy.name, region.line, collapsed(region.agency), "region", collapsed(region.name)
    for line, row in lines(read.places, fleet.places, HEADINGS):
        name = "" if row["postal_code"].strip() else collapsed(row["region"])
        yield fleet.places.name, line, collapsed(row["agency"]), "region", name
    for alias in read.crews:
        yield fleet.crews.name, alias.line, alias.agency, "crew", alias.name


def _listed(name, names):
    """What there is, in the order of the alphabet; the nearest of many."""
    if not names:
        return "none"
    if len(names) <= MOST_NAMED:
        return ", ".join(sorted(names, key=lambda one: (folded(one), one)))
    near = get_close_matches(name, sorted(names), MOST_NAMED, cutoff=0.0)
    return f"{', '.join(near)} and {len(names) - len(near)} more"
