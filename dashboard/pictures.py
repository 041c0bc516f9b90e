"""A chart on a page: its title, the drawing, and a sentence that says what it shows, its text alternative."""

from typing import Any, cast

import altair as alt
import streamlit as st
from altair.utils import schemapi

from dashboard import tables


class _Drawn:
    """A chart for Streamlit, which checks each against the schema of charts at every drawing: 20 ms.

    Here they are checked where Altair is to check (DEBUG_MODE): in the tests, which draw each of them.
    """

    def __init__(self, chart: alt.LayerChart):
        self.chart = chart

    def to_dict(self) -> dict[str, Any]:
        return self.chart.to_dict(validate=schemapi.DEBUG_MODE)


def place(chart: alt.LayerChart, words: str) -> None:
    """Draw a chart with its text alternative."""
    st.altair_chart(cast(alt.LayerChart, _Drawn(chart)), width="stretch", theme=None, alt=words)


def show(title: str, drawn: tuple[alt.LayerChart, str]) -> None:
    """Draw what a function of `charts` gave, under a title."""
    chart, words = drawn
    tables.heading(title)
    place(chart, words)
    tables.said(words)
