"""Add a file: how it is read, by which mapping or what its columns are, and then, only then, loading it."""

from collections.abc import Sequence
from pathlib import Path

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from dashboard import arrivals, arrived, data, filters, frame, mapping, tables, uploads, wording
from dashboard.markup import as_label

who, snapshot = filters.viewer(), filters.snapshot()
memory = st.session_state
spots: list[DeltaGenerator] = []  # where it may be said how far a load is
NEW = "A new mapping for these headings"
USES = (
    tables.Column("heading", "Heading"),
    tables.Column("field", "Field", lambda field: wording.use(field, data.called)),
    tables.Column("unit", "Unit", lambda unit: wording.UNITS.get(unit, unit)),
    tables.count("used", "Used"),
    tables.count("not_recorded", "Not recorded"),
    tables.count("not_used", "Not used"),
    tables.Column(
        "reasons", "Why not", lambda row: wording.why_not(row.reasons, row.examples), of_row=True, width="40%"
    ),
)


def upload() -> list[tuple[str, int]]:
    """(path, size) of the files that are open and not loaded yet.

    Each is written once, and again if the connection was lost and came back.
    """
    limit = uploads.LARGEST_UPLOAD >> 20
    tables.section(
        "The files",
        f"CSV exports of up to {limit} MB each, with their headings in one line. "
        "Nothing is stored before you load it.",
    )
    files = st.file_uploader(
        "CSV exports",
        key=f"file {memory.get('files_added', 0)}",
        label_visibility="collapsed",
        accept_multiple_files=True,
    )
    kept, loaded = memory.setdefault("uploads", {}), memory.get("loaded", ())
    here = {file.file_id: file for file in files if file.file_id not in loaded}
    for gone in kept.keys() - here.keys():
        uploads.let_go(kept.pop(gone))
    if not files:
        tables.steps(wording.STEPS, wording.LARGER_FILES, "coldfill load PATH")
        tables.links([("Take in a list that came back filled in instead", filters.link("returned"))])
        if names := uploads.changeable(who):
            tables.said("To change a mapping that is there:")
            tables.links((name, filters.link("add", mapping=name)) for name in names)
    for file_id, file in here.items():
        if file_id not in kept:
            memory.pop("refused", None)
        if file_id not in kept or ("loading" not in memory and not Path(kept[file_id]).exists()):
            kept[file_id] = uploads.keep_upload(who, file, file_id)
    return [(uploads.held(kept[file_id]), file.size) for file_id, file in here.items()]


def facts(opened: uploads.Upload, size: int) -> None:
    """How the file is read."""
    export = opened.export
    tables.facts(
        [
            ("File", f"{opened.file_name}, {wording.size(size)}"),
            ("Encoding", wording.encoding(export.encoding)),
            ("Cells set apart by", wording.SEPARATORS.get(export.delimiter, export.delimiter)),
            ("Headings in line", f"{export.heading_line:,}"),
            ("Columns", f"{len(opened.headings):,}"),
            ("Rows looked at", wording.rows_looked_at(opened.rows_looked_at, opened.whole)),
        ]
    )
    if export.notes:
        tables.lines(map(wording.sentence, export.notes))


def as_read(opened: uploads.Upload) -> None:
    """The first rows of the file."""
    tables.as_read(opened.rows, f"The first {wording.plural(len(opened.rows), 'row')}, as read")


def chosen_mapping(opened: uploads.Upload) -> str | None:
    """Name of the mapping to read the file with, NEW, or None while that is open."""
    tables.section("How its columns are read")
    if opened.mapping:
        tables.said(wording.recognized(opened.mapping, opened.missing, opened.unknown))
    elif opened.fitting:
        tables.lines_of(
            "Its headings fit several mappings; none is chosen for you",
            [wording.fit(name, here, of) for name, here, of in opened.shares if name in opened.fitting],
        )
    else:
        differing = wording.nearest(opened.nearest, opened.missing, opened.unknown)
        tables.lines_of("No mapping fits its headings", differing)
    shares = {name: (here, of) for name, here, of in opened.shares}
    offered = [*opened.fitting, NEW, *(name for name in shares if name not in opened.fitting)]
    first = opened.mapping if opened.mapping else None if opened.fitting else NEW

    def described(name: str) -> str:
        if name == NEW:
            return name
        return wording.fit(name, *shares[name]) + (", recognized" if name == opened.mapping else "")

    return st.selectbox(
        "Read it with",
        offered,
        index=None if first is None else offered.index(first),
        key=f"mapping {uploads.token(opened)}",
        placeholder="Choose a mapping, or make a new one",
        format_func=described,
    )


def with_mapping(opened: uploads.Upload, name: str) -> None:
    """What a mapping there is makes of the file, and loading with it."""
    chosen = uploads.mapping_called(name)
    if name in uploads.changeable(who) and st.checkbox(
        "Change this mapping", key=f"change {name} {uploads.token(opened)}"
    ):
        with_change(opened, chosen, loads=True)
        return
    above = st.container()
    tried = opened.trial(chosen)
    tables.show(
        tried[(tried["not_used"] > 0) & ~tried["field"].isin(["", "ignored"])],
        USES,
        "Columns with cells that would not be used",
        empty="Every filled cell of the mapping's columns would be used.",
    )
    keep = mapping.keep_personal(opened, chosen)
    as_read(opened)
    columns = wording.plural(len(opened.headings), "column")
    tables.folded_table(tried, USES, f"What becomes of {columns}, one by one")
    with above:
        agency = whose(opened, chosen)
        by_name = None if name == opened.mapping and not agency else name
        wanted = uploads.Wanted(opened.path, by_name, agency, keep)
        decision, before = uploads.decided(who, wanted, uploads.state())
        tables.section("If it is loaded now")
        if decision.status == "kept out":
            frame.notice(decision.why)
        elif decision.status == "already loaded":
            tables.said(
                "These very bytes are loaded already, with this mapping and for this agency: "
                "there is nothing to load."
            )
        elif before is not None and before.status == "loaded":
            tables.said(
                f"These bytes were loaded before, with mapping {before.mapping}. "
                "Loading them now replaces what came of that."
            )
        may = decision.status == "loaded" and judged(opened, chosen, decision.agency, decision.dropped)
        act(wanted, "Load the file", not may)


def with_new(opened: uploads.Upload) -> None:
    """A new mapping made in the browser, saved, and loading with it."""
    above = st.container()
    as_read(opened)
    made, missing = mapping.form(who, opened, agencies())
    keep = mapping.keep_personal(opened, made)
    with st.expander("The mapping as a text, to keep or to correct by hand"):
        st.code(made.text, language="toml")
        st.download_button(
            "Download it",
            made.text,
            file_name=f"{made.name or 'mapping'}.toml",
            mime="application/toml",
            on_click="ignore",
        )
    with above:
        tables.section(
            "Save and load",
            "The mapping is made below and saved with the fleet: the next file with these headings is "
            "recognized by it.",
        )
        may = not missing
        if missing:
            tables.lines_of("Still lacking", missing)
        else:
            agency = made.agency or uploads.IN_THE_FILE
            may = judged(opened, made, agency, mapping.personal_unused(opened, made, keep))
        wanted = uploads.Wanted(opened.path, None, "", keep, made)
        act(wanted, "Save the mapping and load the file", not may, savable=not missing)


def whose(opened: uploads.Upload, chosen: uploads.Made) -> str:
    """A choice of the agency where neither the mapping nor a column of the file names it; else ""."""
    if chosen.agency or uploads.names_agency(opened.headings, chosen):
        return ""
    label = "Agency: neither the mapping nor a column names it"
    return mapping.agency(st, label, agencies(), who, f"agency of {uploads.token(opened)}")


def with_change(opened: uploads.Upload, before: uploads.Made, *, loads: bool) -> None:
    """A mapping there is, changed on the page: what that does to its files, and saving it.

    `loads`: the file it is looked at on is to be loaded with it; else that is one of those stored.
    """
    above = st.container()
    as_read(opened)
    made, missing = mapping.form(who, opened, agencies(), before)
    keep = mapping.keep_personal(opened, made) if loads else ()
    files = len(uploads.read_with(before.name))
    with above:
        tables.section(
            f"Change the mapping {before.name}",
            "Saved, it holds for the files that are loaded with it, too: they are read again, and none of "
            "them becomes newer by that. The text that was used before is kept; comments within it are not "
            "taken over.",
        )
        same = uploads.alike(made, before)
        may = not missing and not same
        if missing:
            tables.lines_of("Still lacking", missing)
        elif same:
            tables.said("Nothing is changed yet.")
        else:
            shown_effects(before, made, files)
        agency = whose(opened, made) if loads else ""
        if may and loads:
            tables.subsection(f"{opened.file_name}, if it is loaded now")
            agency_of_rows = agency or made.agency or uploads.IN_THE_FILE
            unused = mapping.personal_unused(opened, made, keep)
            may = judged(opened, made, agency_of_rows, unused, before_a_change=True)
            told = agency or made.agency or uploads.names_agency(opened.headings, made)
            may = may and bool(told or not agencies())  # else the door refuses it once the change is saved
        if loads:
            wanted = uploads.Wanted(opened.path, None, agency, keep, made, before)
            act(wanted, "Save the change and load the file", not may)
        elif not at_work():
            again = f" and read {wording.plural(files, 'file')} again"
            if st.button(f"Save the change{again}", type="primary", disabled=not may):
                memory.pop("refused", None)
                memory["loading"] = uploads.begin_change(who, before, made)
                st.rerun()
            refused()


def shown_effects(before: uploads.Made, made: uploads.Made, files: int) -> None:
    """What a change does to the files that are loaded with the mapping."""
    found = uploads.effects(who, before, made, uploads.state())
    tables.show(
        tables.rows(found),
        (
            tables.Column("file_name", "File"),
            tables.count("rows", "Rows looked at"),
            *(tables.count(name, label) for name, label in arrivals.EFFECTS),
            tables.Column("fields", "Fields touched", arrivals.touched, of_row=True, width="34%"),
        ),
        f"What the change does to the {arrivals.these_of(len(found), files)} loaded with it",
        empty="No file is loaded with it.",
    )


def change() -> None:
    """The mapping that the address names, changed on a file that is loaded with it."""
    name = st.query_params["mapping"]
    tables.links([("Add a file instead", filters.link("add"))])
    if name not in uploads.changeable(who):
        frame.notice(f"There is no mapping called {name!r} that could be changed.")
        return
    files = uploads.read_with(name)
    if not files:
        frame.notice(f"No file is loaded with {name}: add one, choose this mapping, and change it there.")
        return
    chosen = st.selectbox(
        "Look at it on the file",
        files,
        key=f"file of {name}",
        format_func=lambda one: f"{one.file_name}, {one.received_at[:10]}",
    )
    with_change(
        uploads.stored(who, chosen.sha256, uploads.state()), uploads.mapping_called(name), loads=False
    )
    progress()


def judged(
    opened: uploads.Upload,
    chosen: uploads.Made,
    agency: str,
    dropped: Sequence[tuple[str, str]],
    *,
    before_a_change: bool = False,
) -> bool:
    """Say what the rows would come to and what of the file would be lost; whether it may be loaded."""
    found = uploads.verdict(who, opened, str(opened.path), chosen, agency, snapshot, uploads.state())
    tables.facts(arrivals.counted(found))
    sentences = (
        arrivals.reckoned_on(found, before_a_change=before_a_change),
        arrivals.rows_lost(found),
        arrivals.dropped(heading for heading, _ in dropped),
    )
    tables.said(" ".join(filter(None, sentences)))
    if lines := arrivals.unread(found):
        tables.lines_of("Texts that mean nothing yet", lines)
    if doubt := arrivals.doubt(found):
        frame.notice(doubt)
    if found.hopeless:
        return False
    key = f"all the same {uploads.token(opened)} {chosen.sha256}"
    return not found.doubtful or st.checkbox("Load it all the same", key=key)


def act(wanted: uploads.Wanted, label: str, disabled: bool, savable: bool | None = None) -> None:
    """The buttons, but while a load is at work.

    `savable` says whether the mapping may be saved alone; None where there is none to save.
    """
    if at_work():
        return
    with st.container(horizontal=True):
        begin = st.button(label, type="primary", disabled=disabled)
        save = savable is not None and st.button("Save the mapping only", disabled=not savable)
    if save and wanted.draft is not None:
        tables.said(f"Saved as {uploads.save_mapping(who, wanted.draft)}. Nothing was loaded.")
    if begin:
        memory.pop("refused", None)
        memory["loading"] = uploads.begin_load(who, wanted)
        st.rerun()
    refused()


def at_work() -> bool:
    """Whether a load is at work; if so, how far it is will stand here."""
    if "loading" in memory:
        spots.append(st.empty())
    return "loading" in memory


def progress() -> None:
    """Say how far the load is, until it is over, in the place of the button that began it.

    It comes last: widgets that are not drawn in a run forget their choice.
    """
    if "loading" not in memory:
        return
    work = memory["loading"]
    with (spots[0] if spots else st.empty()).status("Loading", expanded=True) as status:
        st.html("<p class='read'>It goes on even if you leave this page.</p>")
        bar = st.empty()
        while not work.wait(0.15):
            status.update(label=as_label(wording.sentence(work.said)), expanded=True)
            if work.share is not None:
                bar.progress(work.share)
    st.rerun()


def finish() -> None:
    """Take note of how a load ended."""
    work, kept = memory.pop("loading"), memory.get("uploads", {})
    if isinstance(work, uploads.Rereading):
        if work.error:
            memory["refused"] = [frame.words_of(work.error)]
        else:
            memory["changed"] = work.after.name
        return
    failed = [(one.path, work.error) for one in work.wanted] if work.error else work.refused
    several = len(work.wanted) > 1
    refused = [
        f"{path.name}: {frame.words_of(error)}" if several else frame.words_of(error)
        for path, error in failed
    ]
    if refused:
        memory["refused"] = refused[:1] if work.error else refused
    for path, _ in failed:
        if str(path) not in kept.values():
            uploads.let_go(str(path))
    done = {str(one.path) for one in work.brought}
    if done:
        memory["brought"] = work.brought
    memory["loaded"] = {*memory.get("loaded", ()), *(key for key, path in kept.items() if path in done)}
    for key in memory["loaded"] & kept.keys():
        del kept[key]
    if not kept:
        memory["files_added"] = memory.get("files_added", 0) + 1


def agencies() -> list[str]:
    return data.choices(who, snapshot)["agency"] if snapshot else []


def draw() -> None:
    """The files that are open: one as a whole, several each in a line and one of them below as a whole."""
    files = dict(upload())
    path = one_of_several(files) if len(files) > 1 else next(iter(files), None)
    if path is not None:
        opened = uploads.read(who, path, uploads.state())
        facts(opened, files[path])
        name = chosen_mapping(opened)
        if name == NEW:
            with_new(opened)
        elif name:
            with_mapping(opened, name)
    progress()
    if path is None and len(files) < 2:
        refused()


def one_of_several(files: dict[str, int]) -> str | None:
    """A line for each file, the button that loads those recognized; the path of the one that is opened."""
    lines = [uploads.waiting(who, path, snapshot) for path in files]
    tables.show(
        tables.rows(lines),
        (
            tables.Column("file_name", "File"),
            tables.Column("mapping", "Mapping"),
            *(
                tables.Column("verdict", label, arrivals.count_of(label), kind=tables.NUMBER)
                for label in arrivals.COUNTS
            ),
            tables.Column("why", "How it stands", arrivals.standing, of_row=True, width="40%"),
        ),
        f"{wording.plural(len(lines), 'file')}, if they are loaded now",
        empty="",
    )
    ready = [one.wanted for one in lines if one.wanted is not None]
    label = f"Load the {wording.plural(len(ready), 'file')} recognized"
    if not at_work():
        if st.button(label, type="primary", disabled=not ready):
            memory.pop("refused", None)
            memory["loading"] = uploads.begin_load(who, *ready)
            st.rerun()
        refused()
    tables.section(
        "One of them", "A file that is not recognized, or of which little can be used, is opened here."
    )
    waits = [one.path for one in lines if one.wanted is None and one.why != uploads.ALREADY_LOADED]
    return st.selectbox(
        "Open",
        [*waits, *(path for path in files if path not in waits)],
        index=0 if waits else None,
        key=f"open {len(memory.get('loaded', ()))}",
        format_func=lambda path: Path(path).name,
        placeholder="Choose a file to look at",
    )


def refused() -> None:
    """Why files could not be loaded, or a change not saved."""
    for text in memory.get("refused", ()):
        frame.notice(text)


if "loading" in memory and memory["loading"].wait(0):
    finish()
    st.rerun()
if "changed" in memory:
    said = f"The mapping {memory.pop('changed')} is changed, and the files loaded with it are read again."
    tables.said(said)
if "brought" in memory:
    arrived.report(memory["brought"])
    if memory.get("uploads"):
        draw()
    elif st.button("Add another file"):
        del memory["brought"]
        st.rerun()
elif st.query_params.get("mapping"):
    change()
else:
    draw()
