"""What commands print of a load, a preview and what stands, in lines; imports nothing that takes time."""

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas

    from pipelines.fleet.decided import Decision
    from pipelines.fleet.samples import Sample
    from pipelines.fleet.snapshots import Snapshot
    from pipelines.receiving.returned import Returned

ELSEWHERE = (
    "Only the fleet folder was purged. Backups, copies elsewhere and the file that was loaded are yours to "
    "delete; a dashboard that is open may show what it holds until it is closed."
)


def brought(row: dict[str, Any]) -> str:
    """What a file that was loaded came to, in sentences, from what `receiving.report` says of it."""
    if not row["rows_kept"]:
        return "Nothing of it counts: no row of it is new or changed."
    return (
        f"Inspections: {row['rows_new']:,} new, {row['rows_changed']:,} changed. Of what they found: "
        f"{row['newly_open']:,} newly open, {row['act_today']:,} of it to act on today; "
        f"{row['corrected']:,} corrected. Units of it to hold before reporting: {row['to_hold']:,}."
    )


def of_load(row: dict[str, Any]) -> Iterator[str]:
    """One file that was not kept out, from what `receiving.report` says of it."""
    yield f"{row['status']}  {row['file_name']}  ({row['agency']}, mapping {row['mapping']})"
    yield (
        f"  rows: {row['rows_read']:,} read, {row['rows_kept']:,} in force, "
        f"{row['rows_not_loaded']:,} not loaded, {row['rows_repeated']:,} repeated, "
        f"{row['rows_superseded']:,} superseded; {row['cells_not_loaded']:,} cells not used"
    )
    for dropped in row["dropped"]:
        keeping = "a field or carry in the mapping keeps it, or --keep-columns"
        yield f"  dropped, not stored: {dropped['heading']!r} ({dropped['why']}); {keeping}"
    for remark in filter(None, (row["reason"], *row["remarks"])):
        yield f"  note: {remark}"
    for line in row["not_loaded"]:
        yield f"  not loaded: {line}"
    if row["status"] == "loaded":
        yield f"  {brought(row)}"
    yield f"  {row['answers']}"


def as_json(rows: list[dict[str, Any]], snapshot: "Snapshot | None") -> dict[str, Any]:
    """A load as one document, from what `receiving.report` says of its files."""
    from pipelines.snapshot.unmatched import unmatched

    kept_out = [row for row in rows if row["status"] == "kept out"]
    return {
        "snapshot": snapshot.name if snapshot else None,
        "exports": [row for row in rows if row["status"] != "kept out"],
        "kept_out": [{"file_name": row["file_name"], "why": row["reason"]} for row in kept_out],
        "remarks": unmatched(snapshot) if snapshot else [],
    }


def of_preview(found: dict[str, Any]) -> Iterator[str]:
    """One file as `receiving.trial.preview` finds it."""
    yield f"{found['file_name']}: {found['says']}"
    for key in ("encoding", "delimiter", "heading_line", "mapping"):
        if value := found.get(key):
            yield (
                f"  {key.replace('_', ' ')}: {value!r}"
                if key == "delimiter"
                else f"  {key.replace('_', ' ')}: {value}"
            )
    for note in found.get("notes", ()):
        yield f"  note: {note}"
    for line in found.get("columns", ()):
        yield f"  {line}"


def of_rebuild(found: dict[str, Any]) -> Iterator[str]:
    """What a rebuild came to, from `snapshot.stages.as_json`."""
    yield from found["notes"]
    yield f"snapshot  {found['snapshot']}"


def of_status(found: dict[str, Any]) -> Iterator[str]:
    """What stands, from `Fleet.status` and `snapshot.inputs.ahead`."""
    published = f", published {found['published']}" if found["published"] else ""
    ahead, newest = found["ahead"], found["newest_received"]
    behind = ""
    if ahead:
        behind = f", {ahead} ahead of the snapshot: run coldfill rebuild"
    elif ahead is None:
        behind = "; states.csv says nothing of the snapshot: coldfill verify says what to do"
    elif found["snapshot"] and ahead == 0:
        behind = ", all in the snapshot"
    yield f"fleet     {found['fleet']}"
    yield f"snapshot  {found['snapshot'] or 'none yet'}{published}"
    yield f"log       {found['log_length']} lines{behind}"
    if newest:
        yield f"newest    {newest['file_name']}, {newest['when']}"
    for name in found["inputs_ahead"]:
        yield f"changed   {name}: newer than the snapshot, which was made from another: run coldfill rebuild"
    for remark in found["remarks"]:
        yield f"remark    {remark}"
    yield "loading   another load is running" if found["loading"] else "loading   no"
    yield from of_unlogged(found["exports_without_line"])
    for name in found["lines_without_export"]:
        yield f"gone      {name}: loaded, but its file left exports; coldfill verify says what to do"


def of_unlogged(names: list[str]) -> Iterator[str]:
    """Files in exports/ that no line of the log names."""
    for name in names:
        yield f"unlogged  {name}: in no line of the log, as after a load that died, and in no snapshot"


def of_purge(done: Any) -> Iterator[str]:
    """What a purge removed, from `receiving.purge.Purged`; what remains to be done is no part of it."""
    yield f"purged  {done.file_name} ({done.sha256[:12]})"
    for removed in done.removed:
        yield f"removed  {removed}"
    if done.snapshot:
        yield f"snapshot  {done.snapshot}"
    yield ELSEWHERE


def of_returned(found: "Returned", recorded: Sequence["Decision"] | None) -> Iterator[str]:
    """What becomes of the rows of a list that came back; `recorded` is None where it was only looked at."""
    yield f"list  {found.file_name}   {left_with(found)}"
    yield from (f"  {note}" for note in found.notes)
    for row in found.rows:
        if row.verdict == "accepted":
            yield f"accepted  {_place(row)}: {row.status}, {row.check_id}, home {row.home_id} of {row.agency}"
        elif row.verdict != "refused":
            yield f"{row.verdict}  {_place(row)}: {row.status}, home {row.home_id}: {row.reason}"
    for agency, home, what in found.changed:
        yield f"changed since  home {home} of {agency}: {what}"
    for row in found.rows:
        yield from (f"decided since  {_place(row)}: home {row.home_id}: {what}" for what in row.meanwhile)
    if found.hidden:
        yield f"filled in though hidden by a filter: {found.hidden:,} rows"
    yield f"not decided (status empty): {found.undecided:,}"
    if recorded is None:
        yield f"would be recorded: {len(found.of('accepted')):,}; nothing was written"
    elif recorded:
        yield f"recorded  {len(recorded):,} decisions, {recorded[0].id} to {recorded[-1].id}"
    else:
        yield "recorded  nothing: the list changes nothing"


def left_with(found: "Returned") -> str:
    """Which snapshot and day a list that came back rests on, and which is current."""
    if not found.snapshot:
        return f"it does not say with which snapshot it left; now {found.now}"
    since = "the current one" if found.snapshot == found.now else f"now {found.now}"
    as_of = f", as of {found.as_of}" if found.as_of else ""
    return f"left with snapshot {found.snapshot}{as_of}; {since}"


def refusals(found: "Returned") -> Iterator[str]:
    """The rows of a list that are not recorded, each with file, row, heading, text, and what would be."""
    for row in found.rows:
        if row.verdict == "refused":
            cell = f"{row.heading} {row.text!r}: " if row.heading else ""
            accepted = f"; accepted: {row.expected}" if row.expected else ""
            yield f"refused  {found.file_name}, {_place(row)}: {cell}{row.reason}{accepted}"


def _place(row: Any) -> str:
    return f"{row.sheet}, row {row.line}" if row.sheet else f"line {row.line}"


def returned_as_json(found: "Returned", recorded: Sequence["Decision"] | None) -> dict[str, Any]:
    """A list that came back as one JSON document; `recorded` is None where it was only looked at."""
    names = ("sheet", "line", "agency", "home_id", "system_id", "check_id", "status", "verdict", "heading")
    return {
        "file": found.file_name,
        "snapshot": found.snapshot or None,
        "as_of": found.as_of or None,
        "current": found.now,
        "rows": [
            {name: getattr(row, name) for name in (*names, "text", "reason", "expected", "meanwhile")}
            for row in found.rows
        ],
        "not_decided": found.undecided,
        "hidden": found.hidden,
        "changed": [
            {"agency": agency, "home_id": home, "what": what} for agency, home, what in found.changed
        ],
        "notes": list(found.notes),
        "recorded": None if recorded is None else [one.id for one in recorded],
    }


def of_sample(sample: "Sample", out: str | None) -> Iterator[str]:
    """A sample as drawn, the units to visit and, by number, the alternates left."""
    drawn = sample.drawn
    yield f"sample  {sample.name}   (kept in samples)"
    yield f"  seed {drawn['seed']}, program year {drawn['year']}, from {drawn['snapshot']}"
    yield f"  {drawn['size']:,} units: {drawn['why']}"
    yield f"  frame: {drawn['frame']['units']:,} units, SHA-256 {drawn['frame']['sha256']}"
    for one in drawn["strata"]:
        weight = f"each stands for {one['weight']:g}"
        yield f"  {one['stratum']}: {one['drawn']:,} of {one['units']:,} units, {weight}"
    for one in sample.replacements:
        replaced, by = one["replaced"], one["alternate"]
        yield f"  replaced: home {replaced['home_id']} by home {by['home_id']}, {one['why']}"
    for home in sample.to_visit:
        job = f"  job {home['job_number']}" if home["job_number"] else ""
        yield f"visit  {home['agency']}  home {home['home_id']}{job}  {home['crew'] or 'crew not recorded'}"
    yield f"alternates left: {len(sample.alternates):,}"
    if out:
        yield f"written  {out}"


def of_crews(found: "pandas.DataFrame", compared: str) -> Iterator[str]:
    """What lies beyond chance, then a line for each name, by agency and alphabet."""
    rows = records(found)
    beyond = [row for row in rows if row["beyond"]]
    yield f"Beyond chance: {len(beyond)}"
    for row in beyond:
        yield (
            f"  {row['name']}, {row['agency']}: {row['check_id']}, {row['observed']:,} of {row['visits']:,} "
            f"units deficient, {row['expected']:.1f} expected of the same houses: "
            f"{row['beyond']} than chance gives ({row['standing']})"
        )
    yield f"Anything deficient, by {compared}; in the order of the alphabet, without score or rank"
    for row in (one for one in rows if one["check_id"] == "any"):
        expected = "" if row["expected"] is None else f", {row['expected']:.1f} expected"
        yield (
            f"  {row['name']}, {row['agency']}: {row['observed']:,} of {row['visits']:,} units{expected}; "
            f"{row['not_verified']:,} not verified; {row['standing']}"
        )


def records(found: "pandas.DataFrame") -> list[dict[str, Any]]:
    """Rows of a frame for one JSON document, without NaN."""
    rows = found.astype(object).where(found.notna(), None).to_dict("records")
    return [{str(name): value for name, value in row.items()} for row in rows]
