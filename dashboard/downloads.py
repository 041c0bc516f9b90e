"""Buttons that hand out a list; the file is made only when it is asked for."""

import streamlit as st

from pipelines import lists

FORMATS = (("CSV", lists.as_csv, "csv", "text/csv"), ("XLSX", lists.as_xlsx, "xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"),
           ("Parquet", lists.as_parquet, "parquet", "application/vnd.apache.parquet"))


def offer(make, name, what, formats=("CSV", "XLSX", "Parquet")):
    """Buttons for a list that `make()` returns as a Sheet; `what` says what is in it, `name` begins the file's name."""
    with st.container(horizontal=True, vertical_alignment="center", gap="small"):
        for label, write, ending, mime in FORMATS:
            if label in formats:
                st.download_button(f"{what} as {label}" if label == formats[0] else label, data=_when_asked(make, write), file_name=f"{name}.{ending}", mime=mime,
                                   key=f"download {name} {ending}", on_click="ignore", help=f"{what}, as {label}; states the snapshot, the day and the filters it rests on")


def _when_asked(make, write):
    return lambda: write(make())
