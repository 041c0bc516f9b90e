"""Router: the page that is asked for, and what every page shares around it."""

import streamlit as st

from dashboard import filters, frame, going
from dashboard.navigation import DEFAULT, VIEWS

st.set_page_config(page_title="Coldfill", layout="wide", initial_sidebar_state="auto")
pages = {
    view: st.Page(
        f"views/{view.name}.py",
        title=view.label,
        url_path=view.name,
        default=view is DEFAULT,
        visibility="visible" if view.listed else "hidden",
    )
    for view in VIEWS
}
page = st.navigation(list(pages.values()), position="top")
view = next(view for view, shown in pages.items() if shown == page)
going.arrive()
if frame.opened(view):
    filters.sidebar(view)
    if filters.snapshot() is not None:
        filters.on_paper(view)
    with frame.errors_shown():
        page.run()
