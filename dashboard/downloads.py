"""Buttons that hand out a list; the file is made only when it is asked for."""

from collections.abc import Callable
from datetime import date
from functools import partial
from pathlib import Path

import streamlit as st

from dashboard.markup import as_label, render
from pipelines.answers.formats import Sheet, as_csv, as_parquet, as_xlsx, as_zip

FORMATS = (
    ("CSV", as_csv, "csv", "text/csv"),
    ("XLSX", as_xlsx, "xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
    ("Parquet", as_parquet, "parquet", "application/vnd.apache.parquet"),
    ("CSV with a text of what it rests on", as_zip, "zip", "application/zip"),
)
STATES = "states the snapshot, the day and the filters it rests on"
LABELS = tuple(label for label, *_ in FORMATS)


def offer(make: Callable[[], Sheet], name: str, what: str, formats: tuple[str, ...] = LABELS):
    """Buttons for a list that `make()` returns; `what` says what is in it, `name` begins the file's name."""
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        st.html(render("words", "said", sentence=f"Download {what}"), width="content")
        for label, write, ending, mime in FORMATS:
            if label in formats:
                st.download_button(
                    label,
                    data=partial(_written, make, write),
                    file_name=f"{name}.{ending}",
                    mime=mime,
                    key=f"download {name} {ending}",
                    on_click="ignore",
                    help=f"{as_label(what)}, as {label}; {STATES}",
                )


def as_it_is(make: Callable[[], tuple[str, bytes]], name: str, what: str):
    """A button for a CSV that `make()` returns as (file name, bytes)."""
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        st.html(render("words", "said", sentence=f"Download {what}"), width="content")
        st.download_button(
            "CSV to mend",
            data=lambda: make()[1],
            file_name=f"{name}.csv",
            mime="text/csv",
            key=f"download {name}",
            on_click="ignore",
            help=f"{as_label(what)}, as CSV",
        )


def _written(make: Callable[[], Sheet], write: Callable[[Sheet], bytes]) -> bytes:
    return write(make())


def name(what: str, snapshot: str, day: date) -> str:
    """Beginning of a file's name: what, of which snapshot, as of which day."""
    return f"{what}-{Path(snapshot).stem}-as-of-{day.isoformat()}"
