"""A chart on a page: its title, the drawing, and a sentence that says what it shows, its text alternative."""

import altair as alt
import streamlit as st

from dashboard import tables


def show(title: str, drawn: tuple[alt.LayerChart, str]) -> None:
    """Draw what a function of `charts` gave, under a title."""
    chart, words = drawn
    tables.subsection(title)
    st.altair_chart(chart, width="stretch", theme=None, alt=words)
    tables.said(words)
