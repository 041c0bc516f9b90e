"""Tables that pages share: plain HTML, so that they wrap, print, follow the keyboard and carry real links.

Everything recorded by people is escaped here and nowhere trusted.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

import pandas as pd
import streamlit as st

from dashboard import wording

NUMBER, TEXT, SHORT, NAME = "number", "text", "short", "name-of"  # short is kept on one line, a name mostly


@dataclass(frozen=True)
class Column:
    """One column: the frame's column `name`, its heading, and how a value is said.

    `show` turns a value into plain text (the row, a named tuple, where `of_row`), `link` a row into an address or None,
    `mark` a value into a class of the stylesheet. `help` says what the column means, below the table and on the heading.
    """

    name: str
    label: str
    show: Callable = wording.text
    help: str = ""
    kind: str = TEXT
    link: Callable | None = None
    mark: Callable | None = None
    of_row: bool = False
    under: str = ""  # another column, written small below
    width: str = ""  # share of the table, for tables that stand above one another


def count(name, label, **more):
    return Column(name, label, wording.whole, kind=NUMBER, **more)


def home(link, name="home_id", label="Home", **more):
    """The home's id, leading to the home; `link` is a function of agency and home id."""
    return Column(name, label, kind=SHORT, link=lambda row: link(row.agency, getattr(row, name)), **more)


def agency(**more):
    return Column("agency", "Agency", kind=NAME, **more)


def homes(link, headline):
    """The columns of a list of homes; `headline` heads the sentence over each."""
    return (
        home(link, under="job_number"),
        agency(under="region"),
        risk(),
        Column(
            "headline",
            headline,
            lambda row: wording.in_a_list(row.headline, row.risk),
            of_row=True,
            width="34%",
        ),
        Column(
            "safety_not_verified",
            "Not verified",
            lambda row: wording.unverified(row.assessed, row.safety_not_verified),
            "Safety-critical checks that were never verified; a dash where the home was not assessed.",
            kind=NUMBER,
            of_row=True,
        ),
        Column("crew", "Crew", help="Last known to have worked on the home's heating."),
        day("last_inspected_on", "Last visit"),
    )


def risk(name="risk", label="Risk", **more):
    return Column(name, label, wording.text, mark=wording.RISK_CLASS.get, **more)


def day(name, label, **more):
    return Column(name, label, wording.day, kind=SHORT, **more)


def show(frame: pd.DataFrame, columns: Sequence[Column], caption: str, *, empty: str, wide: bool = True):
    """Draw a table under a caption; `empty` is said instead where there is no row."""
    if frame.empty:
        st.html(f'<p class="empty">{escape(empty)}</p>')
        return
    st.html(html(frame, columns, caption, wide=wide))


def html(frame, columns, caption, *, wide=True):
    """The table as HTML; for tests and for pages that set several side by side."""
    head = "".join(_heading(column) for column in columns)
    body = "".join(
        f"<tr>{''.join(_cell(column, row, first=place == 0) for place, column in enumerate(columns))}</tr>"
        for row in frame.itertuples(index=False)
    )
    helps = "".join(
        f"<dt>{escape(column.label)}</dt><dd>{escape(column.help)}</dd>" for column in columns if column.help
    )
    said = (
        f"<details class='what'><summary>What the columns mean</summary><dl>{helps}</dl></details>"
        if helps
        else ""
    )
    width = "table wide" if wide else "table"
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(caption)}"><table class="{width}"><caption>{escape(caption)}</caption>'
        f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>{said}"
    )


def _heading(column):
    title = f' title="{escape(column.help)}"' if column.help else ""
    width = f' style="width:{column.width}"' if column.width else ""
    return f'<th scope="col" class="{column.kind}"{title}{width}>{escape(column.label)}</th>'


def _cell(column, row, first):
    value = getattr(row, column.name)
    inside = escape(column.show(row if column.of_row else value))
    mark = column.mark(value) if column.mark and not wording.missing(value) else None
    if mark:
        inside = f'<span class="{mark}">{inside}</span>'
    place = column.link(row) if column.link else None
    if place and inside:
        inside = f'<a href="{escape(place)}">{inside}</a>'
    if column.under and not wording.missing(getattr(row, column.under)):
        inside += f'<br><span class="aside">{escape(wording.text(getattr(row, column.under)))}</span>'
    tag = 'th scope="row"' if first else "td"
    return f'<{tag} class="{column.kind}">{inside}</{tag[:2]}>'


def facts(pairs):
    """A short list of names and values; what has no value is left out."""
    pairs = [(name, value) for name, value in pairs if not wording.missing(value)]
    st.html(
        "<dl class='facts'>"
        + "".join(f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>" for name, value in pairs)
        + "</dl>"
    )


def section(title, sentence=""):
    """A heading inside a page and, in small print, how to read what follows."""
    said = f"<p class='read'>{escape(sentence)}</p>" if sentence else ""
    st.html(f"<h2>{escape(title)}</h2>{said}")


def said(sentence):
    st.html(f"<p class='read'>{escape(sentence)}</p>")


def subsection(title):
    st.html(f"<h3>{escape(title)}</h3>")


def folded(title, lines):
    """One line that opens to a list."""
    st.html(
        f"<details class='what'><summary>{escape(title)}</summary><ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul></details>"
    )


def folded_table(frame, columns, title):
    """One line that opens to a table."""
    if not frame.empty:
        st.html(
            f"<details class='what'><summary>{escape(title)}</summary>{html(frame, columns, title, wide=False)}</details>"
        )


SHADES = ("shade0", "shade1", "shade2", "shade3", "shade4")
SHADE_FROM = (0.0, 0.02, 0.05, 0.10, 0.20)
FEW = 10  # systems verified, under which a share is not shaded


def heat(frame, titles, link, caption, *, empty):
    """Checks down, regions across: share deficient among verified, counts, and not verified beside; shaded by share.

    `frame`: region, check_id, verified, deficient, not_verified. `link(check, region)` is the address of the homes.
    """
    frame = frame[frame["verified"] + frame["not_verified"] > 0]
    if frame["verified"].sum() == 0:
        st.html(f'<p class="empty">{escape(empty)}</p>')
        return
    regions = sorted(dict.fromkeys(frame["region"]), key=lambda region: not region)
    cells = {(row.check_id, row.region): row for row in frame.itertuples()}
    head = "".join(
        f'<th scope="col" class="number">{escape(region or "region not recorded")}</th>' for region in regions
    )
    body = "".join(
        f'<tr><th scope="row">{escape(titles[check])}</th>{"".join(_heat_cell(cells.get((check, region)), link) for region in regions)}</tr>'
        for check in titles
        if any((check, region) in cells for region in regions)
    )
    key = "".join(
        f'<span class="{shade}">{100 * start:.0f} % or more</span>'
        for shade, start in zip(SHADES, SHADE_FROM, strict=True)
    )
    st.html(
        f'<p class="key">Shading: {key} none under {FEW} verified</p><div class="scroll" tabindex="0" role="region" aria-label="{escape(caption)}"><table class="table heat"><caption>{escape(caption)}</caption>'
        f'<thead><tr><th scope="col">Check</th>{head}</tr></thead><tbody>{body}</tbody></table></div>'
    )


def _heat_cell(row, link):
    if row is None:
        return '<td class="number is-aside">does not apply</td>'
    aside = f'<br><span class="aside">{row.not_verified:,} not verified</span>'
    if not row.verified:
        return f'<td class="number">{wording.NOTHING}{aside}</td>'
    share = row.deficient / row.verified
    shade = SHADES[sum(share >= start for start in SHADE_FROM) - 1] if row.verified >= FEW else ""
    count = f"{row.deficient:,} of {row.verified:,}"
    count = f'<a href="{escape(link(row.check_id, row.region))}">{count}</a>' if row.deficient else count
    return f'<td class="number {shade if row.deficient else ""}"><b>{wording.percent(share)}</b> {count}{aside}</td>'


def matrix(frame, levels, link, caption):
    """Severity down, probability across; each cell its risk, how many are open, and which checks those are.

    `frame`: severity, probability, title, check_id, deficiencies. `levels`: (severity, probability) → risk.
    """
    probabilities, severities = sorted({place[1] for place in levels}), sorted({place[0] for place in levels})
    head = "".join(f'<th scope="col">{escape(wording.PROBABILITY[name])}</th>' for name in probabilities)
    body = ""
    for severity in severities:
        body += f'<tr><th scope="row">{escape(wording.SEVERITY[severity])}</th>'
        for probability in probabilities:
            part = frame[(frame["severity"] == severity) & (frame["probability"] == probability)]
            body += _matrix_cell(part, levels[severity, probability], link)
        body += "</tr>"
    st.html(
        f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(caption)}"><table class="table wide matrix"><caption>{escape(caption)}</caption>'
        f'<thead><tr><th scope="col">Severity, by probability</th>{head}</tr></thead><tbody>{body}</tbody></table></div>'
    )


def _matrix_cell(part, risk, link):
    mark = f'<span class="{wording.RISK_CLASS[risk]}">{escape(risk)}</span>'
    if part.empty:
        return f'<td>{mark}<br><span class="aside">no check</span></td>'
    count = int(part["deficiencies"].sum())
    said = (
        f'<a href="{escape(link(list(part["check_id"])))}"><b>{count:,}</b> open</a>'
        if count
        else "none open"
    )
    today = ", act today" if part["act_today"].all() else ""
    return (
        f'<td>{mark} {said}<br><span class="aside">of {wording.plural(len(part), "check")}{today}</span></td>'
    )


def rows(records):
    """Records (dataclasses) as a frame, for `show`."""
    return pd.DataFrame(
        [{name: getattr(record, name) for name in record.__dataclass_fields__} for record in records]
    )


def subtitle(title, sentence, risk):
    """What the page is about and the sentence over it."""
    mark = f'<span class="{wording.RISK_CLASS[risk]}">{escape(risk)}</span> ' if risk else ""
    st.html(
        f"<h2 class='over'>{escape(title)}</h2><p class='headline'>{mark}{escape(wording.without_risk(sentence, risk))}</p>"
    )


def lines(texts):
    st.html(f"<ul class='lines'>{''.join(f'<li>{escape(text)}</li>' for text in texts)}</ul>")


def picture(svg, words, title):
    """A drawing, and the same in words for those who do not see it."""
    st.image(svg, width=1180, alt=f"{title}: " + " ".join(f"{name}: {text}." for name, text in words))
    said = "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in words)
    st.html(f"<details class='what'><summary>{escape(title)}</summary><dl>{said}</dl></details>")


def folded_timeline(checks, visits, title):
    """Outcome of every check at every visit, folded; the outcomes are words, told apart by weight."""
    if not checks:
        return
    head = "".join(f'<th scope="col">{escape(wording.day(visit.inspected_on))}</th>' for visit in visits)
    body = ""
    for check in checks:
        told = {visit: outcome for visit, outcome, _ in check.visits}
        cells = "".join(
            f'<td class="short"><span class="{wording.OUTCOME_CLASS.get(told.get(visit.inspection_id), "")}">{escape(told.get(visit.inspection_id, "other system"))}</span></td>'
            for visit in visits
        )
        body += f'<tr><th scope="row">{escape(check.title)}</th>{cells}<td class="short"><span class="{wording.STATE_CLASS.get(check.state, "")}">{escape(check.state)}</span></td></tr>'
    st.html(
        f'<details class="what"><summary>{escape(title)}</summary><div class="scroll" tabindex="0" role="region" aria-label="{escape(title)}"><table class="table"><caption>{escape(title)}</caption>'
        f'<thead><tr><th scope="col">Check</th>{head}<th scope="col">Now</th></tr></thead><tbody>{body}</tbody></table></div></details>'
    )


def crossed(frame, rows, columns, cell, caption, *, empty, labels, heading):
    """One row per distinct `rows`, one column per distinct `columns`, in their order; `cell(row)` is (text, address); none where there is no row."""
    if frame.empty:
        st.html(f'<p class="empty">{escape(empty)}</p>')
        return
    across = list(dict.fromkeys(frame[columns]))
    cells = {(getattr(row, rows), getattr(row, columns)): cell(row) for row in frame.itertuples()}

    def shown(pair):
        return (
            "none"
            if pair is None
            else f'<a href="{escape(pair[1])}">{escape(pair[0])}</a>'
            if pair[1]
            else f'<span class="aside">{escape(pair[0])}</span>'
        )

    head = "".join(f'<th scope="col" class="number">{escape(name)}</th>' for name in across)
    body = "".join(
        f'<tr><th scope="row">{escape(labels[name])}</th>'
        + "".join(f'<td class="number">{shown(cells.get((name, other)))}</td>' for other in across)
        + "</tr>"
        for name in dict.fromkeys(frame[rows])
    )
    st.html(
        f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(caption)}"><table class="table wide"><caption>{escape(caption)}</caption>'
        f'<thead><tr><th scope="col">{escape(heading)}</th>{head}</tr></thead><tbody>{body}</tbody></table></div>'
    )


def lines_told(title, texts):
    """A short list that wants attention."""
    st.html(
        f"<div class='told'><b>{escape(title)}</b><ul class='lines'>{''.join(f'<li>{escape(text)}</li>' for text in texts)}</ul></div>"
    )


def steps(texts, other, command):
    """What comes one after the other; and the command for what goes another way."""
    st.html(
        f"<ol class='steps'>{''.join(f'<li>{escape(text)}</li>' for text in texts)}</ol><p class='read'>{escape(other)} <code>{escape(command)}</code></p>"
    )


def links(pairs):
    """Ways on from here: (words, address)."""
    st.html(
        "<p>"
        + " &ensp; ".join(f'<a href="{escape(place)}">{escape(words)}</a>' for words, place in pairs)
        + "</p>"
    )


def texts(frame, caption):
    """Cells as they were read, under their own headings; wide tables scroll."""
    head = "".join(f'<th scope="col">{escape(heading)}</th>' for heading in frame.columns)
    body = "".join(
        f"<tr>{''.join(f'<td>{escape(wording.cut(cell or str(), 60))}</td>' for cell in row)}</tr>"
        for row in frame.itertuples(index=False, name=None)
    )
    st.html(
        f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(caption)}"><table class="table as-read"><caption>{escape(caption)}</caption><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>'
    )
