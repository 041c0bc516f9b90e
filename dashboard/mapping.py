"""The form in which a mapping is made: what holds for the whole file, then a row for each heading.

Each row says what its column is for and, at once, what becomes of its cells.
"""

import streamlit as st

from dashboard import data, tables, uploads, wording
from dashboard.markup import as_label, render

WIDTHS = (26, 30, 11, 33)
WORDS_A_LINE = 4
USES = {
    field.name: wording.field_said(data.called(field.name), field.unit, field.required)
    for field in uploads.BY_NAME.values()
} | {uploads.CARRY: wording.CARRIED, uploads.IGNORE: wording.IGNORED}


def form(who, path, look, agencies):
    """Draw the form; (the mapping as chosen so far, sentences of what is lacking)."""
    found = uploads.suggested(who, path)
    name, agency, decimal, dates, not_recorded = _whole_file(who, path, found, agencies)
    personal = dict(look.personal)
    tables.section(
        "What each column is",
        "A suggestion stands in each row, with what speaks for it. The counts are of "
        f"{_looked_at(who, path)} and follow every change.",
    )
    summary = st.container()
    _heads()
    rows = [_row(who, path, heading, personal) for heading in found.headings]
    settled = dict(agency=agency, decimal=decimal or ".", dates=dates or "ymd", not_recorded=not_recorded)
    texts = uploads.words(who, path, uploads.composed(name, [row.choice for row in rows], **settled))
    choices = [_with_words(row, texts) for row in rows]
    mapping = uploads.composed(name, choices, **settled)
    tried = uploads.tried(who, path, mapping)
    joined = {join.field: join.headings for join in mapping.joins}
    for row in rows:
        _say_use(row, tried[tried["heading"] == row.choice.heading].itertuples(), personal, joined)
    lacking, twice = uploads.shortcomings(mapping)
    missing = [wording.lacking_field(data.called(field), uploads.BY_NAME[field].meaning) for field in lacking]
    missing += [wording.fed_twice(data.called(field), headings) for field, headings in twice.items()]
    if not mapping.agency and not uploads.names_agency([choice.heading for choice in choices], mapping):
        missing.append(wording.NO_AGENCY)
    missing += [
        sentence
        for chosen, sentence in (
            (decimal, wording.NO_DECIMAL),
            (dates, wording.NO_DATES),
            (name, wording.NO_NAME),
        )
        if not chosen
    ]
    with summary:
        _summary(tried, missing, choices)
    return mapping, missing


def agency(where, label, offered, who, key, **more):
    """A choice of the agency: one there is or, for who sees all, a new name."""
    return (
        where.selectbox(
            label,
            list(who.agencies) if who.agencies is not None else offered,
            index=None,
            key=key,
            accept_new_options=who.agencies is None,
            placeholder="Choose, or type a name" if who.agencies is None else "Choose",
            **more,
        )
        or ""
    )


def _looked_at(who, path):
    rows, all_of_them = uploads.rows_looked_at(who, path)
    return wording.rows_looked_at(rows, all_of_them)


def _whole_file(who, path, found, agencies):
    tables.section("What holds for the whole file")
    with st.container(key="whole-file"):
        first, second, third, fourth = st.columns(4, vertical_alignment="top")
        chosen = agency(
            first,
            "Agency",
            agencies,
            who,
            f"agency {uploads.token(path)}",
            help="Whose file it is. Leave it open if a column names the agency of each row.",
        )
        if chosen and chosen not in agencies:
            first.html(render("mapping", "aside", text=wording.NEW_AGENCY))
        name = second.text_input(
            "Name of the mapping",
            value=uploads.mapping_name(who, path),
            key=f"name {uploads.token(path)}",
            max_chars=80,
            help=(
                "Letters, digits, dashes and underscores. The next file with these headings is recognized "
                "by it."
            ),
        ).strip()
        decimal = third.selectbox(
            "Decimal mark",
            list(wording.DECIMALS),
            index=_place(wording.DECIMALS, found.decimal),
            key=f"decimal {uploads.token(path)}",
            format_func=wording.DECIMALS.__getitem__,
            placeholder="The cells do not tell: choose",
        )
        dates = fourth.selectbox(
            "Order of dates",
            list(wording.DATES),
            index=_place(wording.DATES, found.dates),
            key=f"dates {uploads.token(path)}",
            format_func=wording.DATES.__getitem__,
            placeholder="The cells do not tell: choose",
        )
        not_recorded = st.multiselect(
            "Texts that mean “not recorded”, beside empty cells, n/a, ?, - and the like",
            [],
            key=f"not recorded {uploads.token(path)}",
            accept_new_options=True,
            placeholder="None, or type such a text",
        )
    return name, chosen, decimal, dates, not_recorded


def _place(of, value):
    return list(of).index(value) if value in of else None


class _Row:
    """One heading's widgets: its choice so far, and what is filled in once all is chosen."""

    def __init__(self, choice, counts, below, key):
        self.choice, self.counts, self.below, self.key = choice, counts, below, key


def _heads():
    with st.container(key="heads"):
        for place, head in zip(
            st.columns(WIDTHS),
            ("Heading and first cells", "Field", "Unit", "What becomes of its cells"),
            strict=True,
        ):
            place.html(render("mapping", "aside", text=head))


def _row(who, path, one, personal):
    key = f"{uploads.token(path)} {one.heading}"
    with st.container(key=f"row {key}"):
        heading, field, unit, counts = st.columns(WIDTHS, vertical_alignment="top")
        examples = "  ·  ".join(wording.cut(text, 24) for text in one.examples)
        heading.html(render("mapping", "heading", text=one.heading, examples=examples))
        use = (
            field.selectbox(
                f"Field of {as_label(one.heading)}",
                list(USES),
                index=_place(USES, one.field),
                key=f"use {key}",
                format_func=USES.__getitem__,
                placeholder="Open: choose a field",
                label_visibility="collapsed",
            )
            or ""
        )
        chosen_unit, words = (
            (one.unit, one.words)
            if use == one.field
            else uploads.suited(who, path, one.heading, use)
            if use in uploads.BY_NAME
            else (None, ())
        )
        why = wording.why_suggested(one.why) if use == (one.field or "") else ""
        meaning = uploads.BY_NAME[use].meaning if use in uploads.BY_NAME else ""
        field.html(render("mapping", "aside", text=wording.about_use(meaning, why)))
        units = uploads.units_of(use)
        if units:
            wanted = uploads.unit_named(chosen_unit) if chosen_unit else units[0]
            chosen_unit = unit.selectbox(
                f"Unit of {as_label(one.heading)}",
                units,
                index=units.index(wanted),
                key=f"unit {key} {use}",
                format_func=lambda name: wording.UNITS.get(name, name),
                label_visibility="collapsed",
            )
        return _Row(
            uploads.Choice(one.heading, use, chosen_unit if units else None, words),
            counts.empty(),
            st.container(),
            key,
        )


def _with_words(row, texts):
    """The row's choice with the words that are chosen for texts; draws these choices."""
    use = row.choice.use
    own = texts[(texts["heading"] == row.choice.heading) & (texts["field"] == use)]
    if own.empty:
        return row.choice
    understood, unknown = own[own["word"] != ""], own[own["word"] == ""]
    with row.below:
        if len(understood):
            left, right = st.columns((70, 30), vertical_alignment="center")
            read = wording.words_read(understood.itertuples())
            left.html(render("mapping", "understood", words=read))
            if right.checkbox(
                f"Change words of {as_label(wording.cut(row.choice.heading, 22))}",
                key=f"change {row.key} {use}",
            ):
                unknown = own
        chosen = _choices_of_words(row, use, list(unknown.itertuples()))
    words = {text: word for text, word in row.choice.words if text not in chosen} | {
        text: word for text, word in chosen.items() if word
    }
    return uploads.Choice(row.choice.heading, use, row.choice.unit, tuple(words.items()))


def _choices_of_words(row, use, texts):
    """{text: word} chosen, a word of None where it is left open."""
    offered, chosen = list(uploads.words_of(use)), {}
    if uploads.takes_lists(use):
        offered.append("none")
    for start in range(0, len(texts), WORDS_A_LINE):
        for place, one in zip(st.columns(WORDS_A_LINE), texts[start : start + WORDS_A_LINE], strict=False):
            chosen[one.text] = place.selectbox(
                f"“{as_label(wording.cut(one.text, 28))}”, {wording.plural(one.times, 'cell')}",
                offered,
                index=_place(offered, one.word),
                key=f"word {row.key} {use} {one.text}",
                format_func=wording.word,
                placeholder="Not understood: choose",
            )
    return chosen


def _say_use(row, uses, personal, joined):
    """Counts of the row's cells, and why those not used are not."""
    lines = []
    for one in uses:
        if one.field in uploads.BY_NAME:
            lines.append(
                (
                    wording.counts(one.used, one.not_recorded, one.not_used),
                    wording.why_not(one.reasons, one.examples),
                )
            )
            if one.field in joined:
                lines.append(("", wording.joined(data.called(one.field), joined[one.field])))
        elif one.field == "carried":
            lines.append(
                (
                    wording.counts(one.used, one.not_recorded, one.not_used),
                    wording.CARRIED_SAID
                    + (f" It looks personal: {personal[one.heading]}." if one.heading in personal else ""),
                )
            )
        else:
            lines.append(
                (
                    f"{wording.plural(one.not_used, 'filled cell')}, used for nothing",
                    wording.DROPPED_SAID.format(personal[one.heading]) if one.heading in personal else "",
                )
            )
    emphasized = [(*_emphasized(said), more) for said, more in lines]
    row.counts.html(render("mapping", "becomes", lines=emphasized))


def _emphasized(said):
    """Counts in two: plain, and in bold what wants attention, cells that are not used."""
    used, mark, not_used = said.rpartition(", ")
    if not_used.endswith("not used") and not_used != "0 not used":
        return used + mark, not_used
    return said, ""


def _summary(tried, missing, choices):
    left_open = sum(not choice.use for choice in choices)
    said = wording.of_mapping(
        len({choice.heading for choice in choices if choice.use}),
        len(choices),
        left_open,
        int(
            (
                tried["field"].ne("") & tried["not_used"].gt(0) & ~tried["field"].isin(["ignored", "carried"])
            ).sum()
        ),
    )
    tables.said(said)
    if missing:
        tables.lines_told("Still lacking", missing)


def keep_personal(look, mapping, path):
    """The explicit choice of unused columns to keep though they look personal; () unless some do."""
    used = mapping.feeding.values() if mapping else ()
    unused = [
        heading for heading, _ in look.personal if heading not in {*used, *(mapping.carry if mapping else ())}
    ]
    if not unused:
        return ()
    reasons = dict(look.personal)
    tables.section(
        "Dropped before anything is stored",
        "These columns look personal and no field uses them. Nothing of them is kept unless you choose so "
        "here.",
    )
    tables.lines(f"{heading}: {reasons[heading]}" for heading in unused)
    return tuple(
        st.multiselect(
            "Keep all the same, in the stored file only",
            unused,
            key=f"keep {uploads.token(path)}",
            placeholder="None is kept",
        )
    )
