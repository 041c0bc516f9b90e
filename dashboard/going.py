"""Going from page to page inside a session: a click on a link of ours loads nothing anew.

The links stay links: they open in a new tab, can be copied, and work without this.
"""

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from dashboard import filters

# A click puts the address into the browser's history and then does what its forward button does. With another
# button or a key held it is the browser's; so are links elsewhere and to a place on the same page.
FOLLOWED = st.components.v2.component(
    "coldfill_links",
    js="""
export default function () {
  const folder = (place) => place.origin + place.pathname.replace(/[^/]*$/, "");
  const follow = (event) => {
    if (event.defaultPrevented || event.button || event.ctrlKey || event.metaKey
        || event.shiftKey || event.altKey) return;
    const link = event.target.closest?.("[data-testid=stHtml] a[href]");
    if (!link || link.target || link.hash || link.hasAttribute("download")
        || folder(link) !== folder(location)) return;
    event.preventDefault();
    history.pushState({}, "", link.href);
    dispatchEvent(new PopStateEvent("popstate"));
    document.querySelector("[data-testid=stMain]")?.scrollTo(0, 0);
  };
  document.addEventListener("click", follow);
  return () => document.removeEventListener("click", follow);
}
""",
)


def arrive() -> None:
    """Follow links from here on; where the address came with this run, what was chosen before does not hold.

    Streamlit does the same for the widgets that it binds to an address by itself.
    """
    FOLLOWED(key="links", height=1)
    run = get_script_run_ctx()
    if run is not None and run.is_history_navigation:
        filters.forget()
