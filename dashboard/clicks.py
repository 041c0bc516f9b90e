"""A click on a link of a table that asks for something on the same page, told to Python in the same session.

Such a link carries what it asks for in its address (`decide=`), so that it works in a new tab as well. Other
links begin a new session of the server: the name of who decides outlives them in a cookie of the browser,
until that is closed.
"""

from urllib.parse import unquote

import streamlit as st

# The listener stands on the document, since tables are drawn anew without it; clicks that open a tab go by.
HEARS = """
export default function ({ setTriggerValue, data }) {
    if (data) document.cookie = `decides=${encodeURIComponent(data)}; path=/; SameSite=Strict`;
    const heard = (event) => {
        const link = event.target.closest && event.target.closest("td a[href]");
        if (!link || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
        const asked = new URL(link.href, document.baseURI).searchParams.get("decide");
        if (!asked) return;
        event.preventDefault();
        event.stopPropagation();
        setTriggerValue("decide", asked);
    };
    document.addEventListener("click", heard, true);
    return () => document.removeEventListener("click", heard, true);
}
"""
_listener = st.components.v2.component("clicks", js=HEARS)


def asked_to_decide(where: str) -> str | None:
    """What the row is called whose link was clicked, or that the address names; until it is `answered`.

    `where` tells pages apart, on which the same name means something else.
    """
    name = st.session_state.get("decides", "")
    asked = _listener(key="clicks", data=name, on_decide_change=lambda: None).decide
    if "decide" in st.query_params:
        asked = asked or st.query_params["decide"]
        del st.query_params["decide"]
    if asked:
        st.session_state["asked to decide"] = where, asked
    page, asked = st.session_state.get("asked to decide", ("", None))
    return asked if page == where else None


def answered() -> None:
    """Nothing is asked any more."""
    st.session_state.pop("asked to decide", None)


def name_known() -> str:
    """The name of who decides, as this browser last gave it; "" where it gave none."""
    kept = st.context.cookies.get("decides")
    return unquote(kept)[:200] if isinstance(kept, str) else ""
