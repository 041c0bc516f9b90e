"""Buttons that hand out a list; the file is made only when it is asked for."""

from collections.abc import Callable, Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import streamlit as st

from dashboard.markup import as_label, render
from pipelines.answers.formats import as_csv, as_parquet, as_pdf, as_xlsx, as_zip
from pipelines.answers.listed import Sheet
from pipelines.answers.work_pdf import MOST_HOMES

FORMATS = (
    ("CSV", as_csv, "csv", "text/csv"),
    ("XLSX", as_xlsx, "xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
    ("Parquet", as_parquet, "parquet", "application/vnd.apache.parquet"),
    ("CSV with a text of what it rests on", as_zip, "zip", "application/zip"),
)
WORK = ("Work as PDF", as_pdf, "pdf", "application/pdf")
WORK_SAID = "home by home, to print or to read on a phone"
STATES = "states the snapshot, the day and the filters it rests on"
LABELS = tuple(label for label, *_ in FORMATS)


def offer(make: Callable[[], Sheet], name: str, what: str, formats: tuple[str, ...] = LABELS):
    """Buttons for a list that `make()` returns; `what` says what is in it, `name` begins the file's name.

    Returns their row, for another button.
    """
    row = _beside(what)
    with row:
        for one in FORMATS:
            if one[0] in formats:
                _button(make, name, *one, help=f"{as_label(what)}, as {one[0]}; {STATES}")
    return row


def offer_work(make: Callable[[], Sheet], name: str, homes: int):
    """A button for what is open in so many homes as work on paper."""
    too_many = f": up to {MOST_HOMES:,} homes, these are {homes:,}; filter, or take the XLSX"
    with _beside(f"the work in {'this home' if homes == 1 else 'these homes'}"):
        _button(
            make,
            name,
            *WORK,
            help=f"{WORK_SAID}{too_many if homes > MOST_HOMES else ''}",
            disabled=homes > MOST_HOMES,
        )


def _beside(what: str):
    """A row of buttons after the words that say what they download."""
    row = st.container(horizontal=True, vertical_alignment="center", gap="small")
    row.html(render("words", "said", sentence=f"Download {what}"), width="content")
    return row


def _button(
    make: Callable[[], Sheet],
    name: str,
    label: str,
    write: Callable[[Sheet], bytes],
    ending: str,
    mime: str,
    **more: Any,
):
    st.download_button(
        label,
        data=partial(_written, make, write),
        file_name=f"{name}.{ending}",
        mime=mime,
        key=f"download {name} {ending}",
        on_click="ignore",
        **more,
    )


def as_it_is(make: Callable[[], bytes], file_name: str, label: str, what: str):
    """A button for one file whose bytes `make()` returns."""
    with _beside(what):
        _as_it_is(make, file_name, label, what)


def some(files: dict[str, Callable[[], bytes]], labels: Sequence[str], what: str):
    """Buttons for some files, each with its label, that belong together."""
    with _beside(what):
        for (file_name, make), label in zip(files.items(), labels, strict=True):
            _as_it_is(make, file_name, label, what)


def as_they_are(make: Callable[[str], bytes], name: str, endings: Sequence[str], what: str):
    """Buttons for one thing in several formats; `make(ending)` returns the bytes."""
    with _beside(what):
        for ending in endings:
            _as_it_is(partial(make, ending), f"{name}{ending}", ending[1:].upper(), what)


def _as_it_is(make: Callable[[], bytes], file_name: str, label: str, what: str):
    ending = Path(file_name).suffix[1:]
    mimes = {one: mime for _, _, one, mime in (*FORMATS, WORK)} | {"json": "application/json"}
    st.download_button(
        label,
        data=make,
        file_name=file_name,
        mime=mimes[ending],
        key=f"download {file_name}",
        on_click="ignore",
        help=f"{as_label(what)}, as {ending.upper()}",
    )


def _written(make: Callable[[], Sheet], write: Callable[[Sheet], bytes]) -> bytes:
    return write(make())


def name(what: str, snapshot: str, day: date) -> str:
    """Beginning of a file's name: what, of which snapshot, as of which day."""
    return f"{what}-{Path(snapshot).stem}-as-of-{day.isoformat()}"
