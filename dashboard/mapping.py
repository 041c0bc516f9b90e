"""The form in which a mapping is made: what holds for the whole file, then a row for each heading.

Each row says what its column is for and, at once, what becomes of its cells.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from dashboard import arrivals, data, tables, uploads, wording
from dashboard.markup import as_label, render
from dashboard.uploads import Choice, Heading, Made, Suggested, Upload, Viewer

WIDTHS = (26, 30, 11, 33)
HEADS = ("Heading and first cells", "Field", "Unit", "What becomes of its cells")
WORDS_A_LINE = 4
SUGGESTED = "A suggestion stands in each row, with what speaks for it. "
USES: dict[str, str] = {
    field.name: wording.field_said(data.called(field.name), field.unit, field.required)
    for field in uploads.BY_NAME.values()
} | {uploads.CARRY: wording.CARRIED, uploads.IGNORE: wording.IGNORED}


@dataclass(frozen=True)
class WholeFile:
    """What holds for the whole file, as chosen so far; None and "" where it is still open."""

    name: str
    agency: str
    decimal: str | None
    dates: str | None
    not_recorded: tuple[str, ...]
    century: DeltaGenerator
    two_digit_years_from: int | None = None

    def mapping(self, choices: Sequence[Choice]) -> Made:
        """The mapping that these and the choices of the headings make."""
        return uploads.composed(
            self.name,
            choices,
            agency=self.agency,
            decimal=self.decimal or ".",
            dates=self.dates or "ymd",
            two_digit_years_from=self.two_digit_years_from,
            not_recorded=self.not_recorded,
        )


@dataclass(frozen=True)
class Row:
    """One heading's choice so far, and the spots of its row that are filled once all is chosen."""

    choice: Choice
    counts: DeltaGenerator
    below: DeltaGenerator
    key: str


def form(
    who: Viewer, upload: Upload, agencies: Sequence[str], start: Made | None = None
) -> tuple[Made, list[str]]:
    """Draw the form; the mapping as chosen so far, and sentences of what is lacking.

    It starts from suggestions, or from a mapping to be changed.
    """
    token = uploads.token(upload) + (f" {start.name}" if start else "")
    found = uploads.as_it_is(upload, start) if start else upload.suggested
    whole = _whole_file(who, upload, found, agencies, token, start)
    looked_at = wording.rows_looked_at(upload.rows_looked_at, upload.whole)
    tables.section(
        "What each column is",
        ("Each row says what its column is now. " if start else SUGGESTED)
        + f"The counts are of {looked_at} and follow every change.",
    )
    summary = st.container()
    _heads()
    rows = [_row(upload, heading, token) for heading in found.headings]
    short = _short_date(found.headings, rows)
    whole = _with_century(whole, token, short)
    texts = upload.words(whole.mapping([row.choice for row in rows]))
    choices = [_with_words(row, texts) for row in rows]
    mapping = whole.mapping(choices)
    if start:
        mapping = uploads.changed(start, upload.headings, mapping, choices)
    undecided = short and whole.two_digit_years_from is None
    tried = upload.trial(replace(mapping, two_digit_years_from=arrivals.JUDGED_IN) if undecided else mapping)
    joined = {join.field: join.headings for join in mapping.joins}
    for row in rows:
        _say_use(row, tried[tried["heading"] == row.choice.heading], dict(upload.personal), joined)
    missing = _lacking(whole, mapping, choices, agency_told=start is None or bool(start.agency))
    missing += [arrivals.NO_CENTURY] if undecided else []
    with summary:
        _summary(tried, choices)
    return mapping, missing


def agency(
    where: Any,
    label: str,
    offered: Sequence[str],
    who: Viewer,
    key: str,
    description: str | None = None,
    first: str = "",
) -> str:
    """A choice of the agency: one there is or, for who sees all, a new name; "" while it is open."""
    names = list(
        dict.fromkeys([*([first] if first else []), *(offered if who.agencies is None else who.agencies)])
    )
    chosen = where.selectbox(
        label,
        names,
        index=_position(names, first),
        key=key,
        accept_new_options=who.agencies is None,
        placeholder="Choose, or type a name" if who.agencies is None else "Choose",
        help=description,
    )
    return chosen or ""


def _lacking(whole: WholeFile, mapping: Made, choices: Sequence[Choice], *, agency_told: bool) -> list[str]:
    """Sentences of what keeps the mapping from being saved; `agency_told`: it must say whose a file is."""
    lacking, twice = uploads.shortcomings(mapping)
    missing = [wording.lacking_field(data.called(field), uploads.BY_NAME[field].meaning) for field in lacking]
    missing += [wording.fed_twice(data.called(field), headings) for field, headings in twice.items()]
    if (
        agency_told
        and not mapping.agency
        and not uploads.names_agency([choice.heading for choice in choices], mapping)
    ):
        missing.append(wording.NO_AGENCY)
    for chosen, sentence in (
        (whole.decimal, wording.NO_DECIMAL),
        (whole.dates, wording.NO_DATES),
        (whole.name, wording.NO_NAME),
    ):
        if not chosen:
            missing.append(sentence)
    return missing


def _whole_file(
    who: Viewer, upload: Upload, found: Suggested, agencies: Sequence[str], token: str, start: Made | None
) -> WholeFile:
    tables.section("What holds for the whole file")
    with st.container(key="whole-file"):
        first, second, third, fourth = st.columns(4, vertical_alignment="top")
        about = "Whose file it is. Leave it open if a column names the agency of each row."
        own = (start.agency if start else "") or ""
        chosen = agency(first, "Agency", agencies, who, f"agency {token}", about, own)
        if chosen and chosen not in agencies:
            first.html(render("adding", "aside", text=wording.NEW_AGENCY))
        name = second.text_input(
            "Name of the mapping",
            value=start.name if start else uploads.mapping_name(upload),
            key=f"name {token}",
            disabled=start is not None,
            max_chars=80,
            help="Letters, digits, dashes and underscores. "
            "The next file with these headings is recognized by it.",
        )
        decimal = _mark(third, "Decimal mark", wording.DECIMALS, found.decimal, f"decimal {token}")
        dates = _mark(fourth, "Order of dates", wording.DATES, found.dates, f"dates {token}")
        texts = list(start.not_recorded) if start else []
        not_recorded = st.multiselect(
            "Texts that mean “not recorded”, beside empty cells, n/a, ?, - and the like",
            texts,
            default=texts,
            key=f"not recorded {token}",
            accept_new_options=True,
            placeholder="None, or type such a text",
        )
        century = st.container()
    from_year = start.two_digit_years_from if start else None
    return WholeFile(name.strip(), chosen, decimal, dates, tuple(not_recorded), century, from_year)


def _short_date(headings: Sequence[Heading], rows: Sequence[Row]) -> str:
    """The first date with a year of two digits in a column that is chosen for dates; empty where none is."""
    found = (
        one.short_date
        for one, row in zip(headings, rows, strict=True)
        if one.short_date and uploads.takes_dates(row.choice.use)
    )
    return wording.cut(next(found, ""), 24)


def _with_century(whole: WholeFile, token: str, short: str) -> WholeFile:
    """The same with the century of two-digit years, which is asked for only where there are some."""
    if not short:
        return whole
    begins = whole.two_digit_years_from
    offered = sorted({*arrivals.CENTURIES, *([begins] if begins else [])}, reverse=True)
    chosen = whole.century.selectbox(
        "Years of two digits",
        offered,
        index=offered.index(begins) if begins else None,
        key=f"century {token}",
        format_func=lambda begins: arrivals.century(begins, short, whole.dates),
        placeholder=f"Dates such as {short} do not tell the century: choose",
    )
    return replace(whole, two_digit_years_from=chosen)


def _mark(
    where: DeltaGenerator, label: str, labels: Mapping[str, str], suggested: str | None, key: str
) -> str | None:
    """A choice among marks, by their labels; None while it is open."""
    return where.selectbox(
        label,
        list(labels),
        index=_position(list(labels), suggested),
        key=key,
        format_func=labels.__getitem__,
        placeholder="The cells do not tell: choose",
    )


def _position(of: Sequence[str], value: str | None) -> int | None:
    return of.index(value) if value is not None and value in of else None


def _heads() -> None:
    with st.container(key="heads"):
        for spot, head in zip(st.columns(WIDTHS), HEADS, strict=True):
            spot.html(render("adding", "aside", text=head))


def _row(upload: Upload, one: Heading, token: str) -> Row:
    """Draw one heading with its suggestion and its choices of field and unit."""
    key = f"{token} {one.heading}"
    with st.container(key=f"row {key}"):
        heading, field, unit, counts = st.columns(WIDTHS, vertical_alignment="top")
        examples = "  ·  ".join(wording.cut(text, 24) for text in one.examples)
        heading.html(render("adding", "heading", name=one.heading, examples=examples))
        options = list(USES)
        use = field.selectbox(
            f"Field of {as_label(one.heading)}",
            options,
            index=_position(options, one.field),
            key=f"use {key}",
            format_func=USES.__getitem__,
            placeholder="Open: choose a field",
            label_visibility="collapsed",
        )
        use = use or ""
        meaning = uploads.BY_NAME[use].meaning if use in uploads.BY_NAME else ""
        why = wording.why_suggested(one.why) if use == (one.field or "") else ""
        field.html(render("adding", "aside", text=wording.about_use(meaning, why)))
        suiting, words = _suiting(upload, one, use)
        chosen_unit = _unit(unit, one, use, suiting, key)
        choice = Choice(one.heading, use, chosen_unit, words)
        return Row(choice, counts.empty(), st.container(), key)


def _suiting(upload: Upload, one: Heading, use: str) -> tuple[str | None, tuple[tuple[str, str], ...]]:
    """The unit and the words that suit what a heading is for."""
    if use == one.field:
        return one.unit, one.words
    return upload.suited(one.heading, use) if use in uploads.BY_NAME else (None, ())


def _unit(where: DeltaGenerator, one: Heading, use: str, suiting: str | None, key: str) -> str | None:
    """The unit chosen for a heading; None where its field has none."""
    units = uploads.units_of(use)
    if not units:
        return None
    return where.selectbox(
        f"Unit of {as_label(one.heading)}",
        units,
        index=units.index(uploads.unit_named(suiting)) if suiting else 0,
        key=f"unit {key} {use}",
        format_func=lambda name: wording.UNITS.get(name, name),
        label_visibility="collapsed",
    )


def _with_words(row: Row, texts: pd.DataFrame) -> Choice:
    """The row's choice with the words that are chosen for texts; draws these choices."""
    use = row.choice.use
    own = texts[(texts["heading"] == row.choice.heading) & (texts["field"] == use)]
    if own.empty:
        return row.choice
    understood, unknown = own[own["word"] != ""], own[own["word"] == ""]
    with row.below:
        if len(understood):
            left, right = st.columns((70, 30), vertical_alignment="center")
            said = wording.words_read(understood.itertuples())
            left.html(render("adding", "understood", texts=said))
            label = f"Change words of {as_label(wording.cut(row.choice.heading, 22))}"
            if right.checkbox(label, key=f"change {row.key} {use}"):
                unknown = own
        chosen = _choices_of_words(row, use, list(unknown.itertuples()))
    words = {text: word for text, word in row.choice.words if text not in chosen}
    words |= {text: word for text, word in chosen.items() if word}
    return Choice(row.choice.heading, use, row.choice.unit, tuple(words.items()))


def _choices_of_words(row: Row, use: str, texts: Sequence[Any]) -> dict[str, str | None]:
    """{text: word} chosen, a word of None where it is left open."""
    offered = [*uploads.words_of(use), *(["none"] if uploads.takes_lists(use) else [])]
    chosen: dict[str, str | None] = {}
    for start in range(0, len(texts), WORDS_A_LINE):
        for spot, one in zip(st.columns(WORDS_A_LINE), texts[start : start + WORDS_A_LINE], strict=False):
            chosen[one.text] = spot.selectbox(
                f"“{as_label(wording.cut(one.text, 28))}”, {wording.plural(one.times, 'cell')}",
                offered,
                index=_position(offered, one.word),
                key=f"word {row.key} {use} {one.text}",
                format_func=wording.word,
                placeholder="Not understood: choose",
            )
    return chosen


def _say_use(
    row: Row, uses: pd.DataFrame, personal: Mapping[str, str], joined: Mapping[str, Sequence[str]]
) -> None:
    """Draw counts of the row's cells, and why those not used are not."""
    lines: list[tuple[str, str, str]] = []
    one: Any
    for one in uses.itertuples():
        counted = wanting_apart(wording.counts(one.used, one.not_recorded, one.with_row, one.not_used))
        why = personal.get(one.heading)
        if one.field in uploads.BY_NAME:
            lines.append((*counted, wording.why_not(one.reasons, one.examples)))
            if one.field in joined:
                lines.append(("", "", wording.joined(data.called(one.field), joined[one.field])))
        elif one.field == "carried":
            lines.append((*counted, wording.CARRIED_SAID + (f" It looks personal: {why}." if why else "")))
        else:
            unused = f"{wording.plural(one.not_used, 'filled cell')}, used for nothing"
            lines.append((unused, "", wording.DROPPED_SAID.format(why) if why else ""))
    row.counts.html(render("adding", "uses", lines=lines))


def wanting_apart(said: str) -> tuple[str, str]:
    """Counts in two: what is plain, and what wants attention, the cells that are not used."""
    used, mark, not_used = said.rpartition(", ")
    if not_used.endswith("not used") and not_used != "0 not used":
        return used + mark, not_used
    return said, ""


def _summary(tried: pd.DataFrame, choices: Sequence[Choice]) -> None:
    fields = tried["field"].ne("") & ~tried["field"].isin(["ignored", "carried"])
    used = len({choice.heading for choice in choices if choice.use})
    left_open = sum(not choice.use for choice in choices)
    unused = int((fields & tried["not_used"].gt(0)).sum())
    tables.said(wording.of_mapping(used, len(choices), left_open, unused))


def personal_unused(upload: Upload, mapping: Made, keep: Sequence[str] = ()) -> tuple[tuple[str, str], ...]:
    """(heading, why) of the columns that look personal, that no field uses and that are not kept."""
    used = {*mapping.feeding.values(), *mapping.carry, *keep}
    return tuple((heading, why) for heading, why in upload.personal if heading not in used)


def keep_personal(upload: Upload, mapping: Made) -> tuple[str, ...]:
    """The explicit choice of columns to keep though they look personal and nothing uses them."""
    unused = dict(personal_unused(upload, mapping))
    if not unused:
        return ()
    tables.section(
        "Dropped before anything is stored",
        "These columns look personal and no field uses them. "
        "Nothing of them is kept unless you choose so here.",
    )
    tables.lines(f"{heading}: {why}" for heading, why in unused.items())
    kept = st.multiselect(
        "Keep all the same, in the stored file only",
        list(unused),
        key=f"keep {uploads.token(upload)}",
        placeholder="None is kept",
    )
    return tuple(kept)
