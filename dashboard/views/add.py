"""Add a file: how an upload is read, which mapping reads it, or what its columns are; and then loading it."""

import streamlit as st

from dashboard import data, filters, frame, mapping, tables, uploads, wording
from dashboard.markup import as_label

who, snapshot = filters.viewer(), filters.snapshot()
memory = st.session_state
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


def upload():
    """(path, size) of the file that is open; None where there is none.

    It is written once, and again if the connection was lost and came back.
    """
    tables.section(
        "The file",
        f"One CSV export of up to {uploads.LARGEST_UPLOAD >> 20} MB, with its headings in one line. Nothing "
        "is stored before you load it.",
    )
    file = st.file_uploader(
        "CSV export", key=f"file {memory.get('files_added', 0)}", label_visibility="collapsed"
    )
    kept = memory.get("upload")
    if kept and (file is None or kept[0] != file.file_id):
        uploads.let_go(memory.pop("upload")[1])
        kept = None
    if file is None:
        tables.steps(wording.STEPS, wording.LARGER_FILES, "coldfill load PATH")
        return None
    if kept is None:
        memory.pop("refused", None)
    if kept is None or ("loading" not in memory and not uploads.place(kept[1]).exists()):
        memory["upload"] = kept = (file.file_id, uploads.keep_upload(who, file))
    return uploads.held(kept[1]), file.size


def as_read(look, path, size):
    rows, all_of_them = uploads.rows_looked_at(who, path)
    tables.facts(
        [
            ("File", f"{look.file_name}, {wording.size(size)}"),
            ("Encoding", wording.encoding(look.encoding)),
            ("Cells set apart by", wording.SEPARATORS.get(look.delimiter, look.delimiter)),
            ("Headings in line", f"{look.heading_line:,}"),
            ("Columns", f"{len(look.headings):,}"),
            ("Rows looked at", wording.rows_looked_at(rows, all_of_them)),
        ]
    )
    if look.notes:
        tables.lines(map(wording.sentence, look.notes))
    tables.as_read(look.rows, f"The first {wording.plural(len(look.rows), 'row')}, as read")


def chosen_mapping(look, path):
    """Name of the mapping to read the file with, NEW, or None while that is open."""
    tables.section("How its columns are read")
    if look.mapping:
        tables.said(wording.recognized(look.mapping, look.missing, look.unknown))
    elif look.fitting:
        tables.lines_told(
            "Its headings fit several mappings; none is chosen for you",
            [wording.fit(name, here, of) for name, here, of in look.mappings if name in look.fitting],
        )
    else:
        tables.lines_told(
            "No mapping fits its headings", wording.nearest(look.nearest, look.missing, look.unknown)
        )
    shares = {name: (here, of) for name, here, of in look.mappings}
    offered = [*look.fitting, NEW, *(name for name in shares if name not in look.fitting)]
    first = look.mapping if look.mapping else None if look.fitting else NEW
    return st.selectbox(
        "Read it with",
        offered,
        index=None if first is None else offered.index(first),
        key=f"mapping {uploads.token(path)}",
        placeholder="Choose a mapping, or make a new one",
        format_func=lambda name: (
            name
            if name == NEW
            else wording.fit(name, *shares[name]) + (", recognized" if name == look.mapping else "")
        ),
    )


def with_mapping(look, path, name):
    """What a mapping there is makes of the file, and loading with it."""
    known = uploads.mapping_called(name)
    tried, looked_at = (
        uploads.tried(who, path, known),
        wording.rows_looked_at(*uploads.rows_looked_at(who, path)),
    )
    lost = tried[(tried["not_used"] > 0) & (tried["field"] != "ignored")]
    tables.show(
        lost,
        USES,
        f"Columns with cells that would not be used, of {looked_at}",
        empty=f"Of {looked_at}, every filled cell of the mapping's columns would be used.",
    )
    tables.folded_table(
        tried, USES, f"What becomes of {wording.plural(len(look.headings), 'column')}, one by one"
    )
    agency = ""
    if not known.agency and not uploads.names_agency(look.headings, known):
        agency = mapping.agency(
            st,
            "Agency: neither the mapping nor a column names it",
            agencies(),
            who,
            f"agency of {uploads.token(path)}",
        )
    keep = mapping.keep_personal(look, known, path)
    wanted = uploads.Wanted(
        uploads.place(path), None if name == look.mapping and not agency else name, agency, keep
    )
    decision, before = uploads.decided(who, wanted, uploads.state())
    tables.section("Load")
    if decision.status == "kept out":
        frame.told(decision.why)
    elif decision.status == "already loaded":
        tables.said(
            "These very bytes are loaded already, with this mapping and for this agency: there is nothing "
            "to load."
        )
    elif before is not None and before.status == "loaded":
        tables.said(
            f"These bytes were loaded before, with mapping {before.mapping}. Loading them now replaces what "
            "came of that."
        )
    act(wanted, "Load the file", decision.status != "loaded")


def with_new(look, path):
    """A new mapping made in the browser, saved, and loading with it."""
    made, missing = mapping.form(who, path, look, agencies())
    keep = mapping.keep_personal(look, made, path)
    tables.section(
        "Save and load",
        "The mapping is saved with the fleet: the next file with these headings is recognized by it.",
    )
    with st.expander("The mapping as a text, to keep or to correct by hand"):
        st.code(made.text, language="toml")
        st.download_button(
            "Download it",
            made.text,
            file_name=f"{made.name or 'mapping'}.toml",
            mime="application/toml",
            on_click="ignore",
        )
    if missing:
        tables.lines_told("Still lacking", missing)
    act(
        uploads.Wanted(uploads.place(path), None, "", keep, made),
        "Save the mapping and load the file",
        bool(missing),
        save_only=True,
    )


def act(wanted, label, disabled, save_only=False):
    """The buttons; while a load is at work, how far it is."""
    if "loading" in memory:
        return progress()
    with st.container(horizontal=True):
        begin = st.button(label, type="primary", disabled=disabled)
        save = save_only and st.button("Save the mapping only", disabled=disabled)
    if save:
        tables.said(f"Saved as {uploads.save_mapping(who, wanted.draft)}. Nothing was loaded.")
    if begin:
        memory.pop("refused", None)
        memory["loading"] = uploads.begin_load(who, wanted)
        st.rerun()
    if "refused" in memory:
        frame.told(memory["refused"])


def progress():
    """Say how far the load is, until it is over."""
    work = memory["loading"]
    with st.status("Loading", expanded=True) as status:
        tables.said("It goes on even if you leave this page.")
        bar = st.empty()
        while not work.wait(0.15):
            status.update(label=as_label(wording.sentence(work.said)), expanded=True)
            if work.share is not None:
                bar.progress(work.share)
    st.rerun()


def finish():
    """Take note of how a load ended."""
    work = memory.pop("loading")
    still_open = "upload" in memory and uploads.place(memory["upload"][1]) == work.wanted.path
    if work.error is not None:
        memory["refused"] = frame.words_of(work.error)
        if not still_open:
            uploads.let_go(str(work.wanted.path))
        return
    memory["brought"] = work.brought
    if still_open:
        del memory["upload"]
        memory["files_added"] = memory.get("files_added", 0) + 1


def report():
    """What became of the file."""
    came = memory["brought"]
    found = came.report
    tables.section(f"{found['file_name']}: {found['status']}", wording.loaded(found, came.saved))
    tables.facts(
        [
            ("Rows read", f"{found['rows_read']:,}"),
            ("In force", f"{found['rows_kept']:,}"),
            ("Not loaded", f"{found['rows_not_loaded']:,}"),
            ("Repeated", f"{found['rows_repeated']:,}"),
            ("Superseded", f"{found['rows_superseded']:,}"),
            ("Cells not used", f"{found['cells_not_loaded']:,}"),
            ("Agency", found["agency"]),
            ("Mapping", found["mapping"]),
        ]
    )
    tables.show(
        data.not_loaded(who, snapshot, filters.current(), found["export_id"]),
        (
            tables.Column("extent", "What"),
            tables.Column("reason", "Reason"),
            tables.count("times", "Times"),
            tables.Column("headings", "Columns"),
            tables.count("first_line", "First line"),
        ),
        "Rows, cells and columns not used as read",
        empty="Everything was used as read.",
    )
    if found["dropped"]:
        tables.lines_told(
            "Dropped before anything was stored",
            [f"{one['heading']}: {one['why']}" for one in found["dropped"]],
        )
    for one in data.answers(who, snapshot, filters.current(), found["export_id"]):
        opening = wording.columns_said(one.opening, data.called)
        tables.said(wording.answered(len(one.answered), one.checks, opening))
    tables.links([("Files received", filters.link("files")), ("Fleet", filters.link("fleet"))])
    if st.button("Add another file"):
        del memory["brought"]
        st.rerun()


def agencies():
    return data.choices(who, snapshot)["agency"] if snapshot else []


def draw():
    opened = upload()
    if opened is None:
        if "loading" in memory:
            progress()
        elif "refused" in memory:
            frame.told(memory["refused"])
        return
    path, size = opened
    look = uploads.look(who, path, uploads.state())
    as_read(look, path, size)
    name = chosen_mapping(look, path)
    if name == NEW:
        with_new(look, path)
    elif name:
        with_mapping(look, path, name)


if "loading" in memory and memory["loading"].wait(0):
    finish()
    st.rerun()
if "brought" in memory:
    report()
else:
    draw()
