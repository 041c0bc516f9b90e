"""Going from page to page inside a session: a click on a link or a mark of ours loads nothing anew.

The links stay links: they open in a new tab, can be copied, and work without this. So do marks of charts.
"""

import streamlit as st
from streamlit.runtime.scriptrunner import get_script_run_ctx

from dashboard import filters

# A click puts the address into the browser's history and then does what its forward button does. With another
# button or a key held it is the browser's; so are links elsewhere and to a place on the same page. A mark is
# no link but knows where it leads: Vega, which would load that anew, does not hear of the click. Listeners
# stay on the document: a click that comes while one page is being exchanged for another is followed, too.
FOLLOWED = st.components.v2.component(
    "coldfill_links",
    js="""
export default function () {
  const folder = (place) => place.origin + place.pathname.replace(/[^/]*$/, "");
  const go = (place) => {
    history.pushState({}, "", place);
    dispatchEvent(new PopStateEvent("popstate"));
    document.querySelector("[data-testid=stMain]")?.scrollTo(0, 0);
  };
  const aside = (event) => event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey;
  const follow = (event) => {
    if (event.defaultPrevented || aside(event)) return;
    const link = event.target.closest?.("[data-testid=stHtml] a[href]");
    if (!link || link.target || link.hash || link.hasAttribute("download")
        || folder(link) !== folder(location)) return;
    event.preventDefault();
    go(link.href);
  };
  const followMark = (event) => {
    if (event.button > 1 || !event.target.closest?.("[data-testid=stVegaLiteChart] svg")) return;
    const href = [event.target.__data__].flat()[0]?.href;
    const place = href && new URL(href, document.baseURI);
    if (!place || folder(place) !== folder(location)) return;
    event.preventDefault();
    event.stopPropagation();
    if (aside(event)) open(place, "_blank", "noopener");
    else go(place.href);
  };
  if (document.followsLinks) return;
  document.followsLinks = true;
  document.addEventListener("click", follow);
  for (const kind of ["click", "auxclick"]) document.addEventListener(kind, followMark, true);
}
""",
)


def arrive() -> None:
    """Follow links and marks from here on; what was chosen before does not hold where the address is new.

    Streamlit does the same for the widgets that it binds to an address by itself.
    """
    FOLLOWED(key="links", height=1)
    run = get_script_run_ctx()
    if run is not None and run.is_history_navigation:
        filters.forget()
