"""What is clicked in a table and asks for something on the same page, told to Python in the same session.

A link carries what it asks for in its address (`decide=`), so that it works in a new tab as well. Other
links begin a new session of the server: the name of who decides outlives them in a cookie of the browser,
until that is closed. Boxes in rows choose them; the browser holds which, so that quick clicks lose none.
"""

from urllib.parse import unquote
from uuid import uuid4

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


# ---- boxes in rows

# Tables are drawn anew without this component: what is ticked in them follows from the set that is kept here.
# Python's set counts where it made a new choice.
TICKS = """
const kept = { choice: "", rows: new Set() };
export default function ({ data, setStateValue }) {
    if (kept.choice !== data.choice) Object.assign(kept, { choice: data.choice, rows: new Set(data.rows) });
    const tick = () => {
        for (const box of document.querySelectorAll("input[data-row]"))
            box.checked = kept.rows.has(box.dataset.row);
    };
    const heard = ({ target }) => {
        if (!target.matches || !target.matches("input[data-row]")) return;
        kept.rows[target.checked ? "add" : "delete"](target.dataset.row);
        setStateValue("rows", [...kept.rows]);
    };
    const drawn = new MutationObserver(tick);
    drawn.observe(document.body, { childList: true, subtree: true });
    document.addEventListener("change", heard);
    tick();
    return () => {
        drawn.disconnect();
        document.removeEventListener("change", heard);
    };
}
"""
_boxes = st.components.v2.component("boxes", js=TICKS)


def rows_chosen() -> tuple[str, ...]:
    """Names of the rows whose boxes are ticked, on this page of a table and on those turned before."""
    state = st.session_state

    def keep() -> None:
        state["chosen"] = tuple(map(str, state["boxes"].rows))

    choice = state.setdefault("choice", uuid4().hex)
    chosen = state.get("chosen", ())
    _boxes(key="boxes", data={"choice": choice, "rows": chosen}, on_rows_change=keep)
    return chosen


def choose_none() -> None:
    """No box is ticked any more."""
    for name in ("chosen", "choice"):
        st.session_state.pop(name, None)
