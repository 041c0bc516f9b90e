"""Tables that pages share: plain HTML, so that they wrap, print, follow the keyboard and carry real links.

Everything recorded by people is escaped here and nowhere trusted.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

import pandas as pd
import streamlit as st

from dashboard import wording

NUMBER, TEXT = "number", "text"


@dataclass(frozen=True)
class Column:
    """One column: the frame's column `name`, its heading, and how a value is said.

    `show` turns a value into plain text, `link` a row (as a named tuple) into an address or None, `mark` a value into
    a class of the stylesheet. `help` says what the column means, below the table and on the heading.
    """

    name: str
    label: str
    show: Callable = wording.text
    help: str = ""
    kind: str = TEXT
    link: Callable | None = None
    mark: Callable | None = None
    sort: str = ""  # address that sorts by this column


def count(name, label, **more):
    return Column(name, label, wording.whole, kind=NUMBER, **more)


def risk(name="risk", label="Risk", **more):
    return Column(name, label, wording.text, mark=wording.RISK_CLASS.get, **more)


def day(name, label, **more):
    return Column(name, label, wording.day, kind=NUMBER, **more)


def show(frame: pd.DataFrame, columns: Sequence[Column], caption: str, *, empty: str, sorted_by: str = "", wide: bool = True):
    """Draw a table under a caption; `empty` is said instead where there is no row."""
    if frame.empty:
        st.html(f'<p class="empty">{escape(empty)}</p>')
        return
    st.html(html(frame, columns, caption, sorted_by=sorted_by, wide=wide))


def html(frame, columns, caption, *, sorted_by="", wide=True):
    """The table as HTML; for tests and for pages that set several side by side."""
    head = "".join(_heading(column, sorted_by) for column in columns)
    body = "".join(f"<tr>{''.join(_cell(column, row, first=place == 0) for place, column in enumerate(columns))}</tr>" for row in frame.itertuples(index=False))
    helps = "".join(f"<dt>{escape(column.label)}</dt><dd>{escape(column.help)}</dd>" for column in columns if column.help)
    said = f"<details class='what'><summary>What the columns mean</summary><dl>{helps}</dl></details>" if helps else ""
    width = "table wide" if wide else "table"
    return (f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(caption)}"><table class="{width}"><caption>{escape(caption)}</caption>'
            f"<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table></div>{said}")


def _heading(column, sorted_by):
    order = {f"{column.name}": "ascending", f"-{column.name}": "descending"}.get(sorted_by) if column.sort else None
    aria = f' aria-sort="{order}"' if order else ""
    inside = escape(column.label)
    if column.sort:
        inside = f'<a href="{escape(column.sort)}">{inside}</a>' + (f'<span class="order"> {"up" if order == "ascending" else "down"}</span>' if order else "")
    title = f' title="{escape(column.help)}"' if column.help else ""
    return f'<th scope="col" class="{column.kind}"{aria}{title}>{inside}</th>'


def _cell(column, row, first):
    value = getattr(row, column.name)
    inside = escape(column.show(value))
    mark = column.mark(value) if column.mark and not wording.missing(value) else None
    if mark:
        inside = f'<span class="{mark}">{inside}</span>'
    place = column.link(row) if column.link else None
    if place:
        inside = f'<a href="{escape(place)}">{inside}</a>'
    tag = 'th scope="row"' if first else "td"
    return f'<{tag} class="{column.kind}">{inside}</{tag[:2]}>'


def facts(pairs):
    """A short list of names and values."""
    st.html("<dl class='facts'>" + "".join(f"<div><dt>{escape(name)}</dt><dd>{escape(value)}</dd></div>" for name, value in pairs) + "</dl>")


def section(title, sentence="", anchor=""):
    """A heading inside a page and, in small print, how to read what follows."""
    place = f' id="{escape(anchor)}"' if anchor else ""
    said = f"<p class='read'>{escape(sentence)}</p>" if sentence else ""
    st.html(f"<h2{place}>{escape(title)}</h2>{said}")


def said(sentence):
    st.html(f"<p class='read'>{escape(sentence)}</p>")
