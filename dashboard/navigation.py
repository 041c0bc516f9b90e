"""VIEWS: every page, in the order of the navigation, and how an address is written. Imports no Streamlit.

A page is one entry here and one file of the same name in views/.
"""

from dataclasses import dataclass
from urllib.parse import urlencode

FILTERS = ("agency", "region", "elevation", "charge", "crew", "check", "risk", "stage", "reported", "file")


@dataclass(frozen=True)
class View:
    """One page.

    `name` is its file in views/ and its word in the address; `filters` are those that change it; `listed`
    whether the navigation shows it, `anytime` where it needs no snapshot.
    """

    name: str
    label: str
    title: str
    question: str
    filters: tuple[str, ...] = ()
    listed: bool = True
    anytime: bool = False


VIEWS = (
    View(
        "fleet",
        "Fleet",
        "Fleet",
        "What needs a decision now, most urgent first.",
        ("agency", "region", "crew"),
    ),
    View(
        "hold",
        "Hold",
        "Hold before reporting",
        "Units with a final inspection that should not be reported yet.",
        FILTERS,
    ),
    View("homes", "Homes", "Homes", "Find homes, and take the list of what is open in them along.", FILTERS),
    View(
        "home",
        "One home",
        "One home",
        "Everything known of one home, down to the line of the file.",
        listed=False,
    ),
    View(
        "plan",
        "Plan",
        "Retrofit plan",
        "Which work removes the most risk for this money and these hours.",
        ("agency", "region", "crew"),
    ),
    View(
        "changes",
        "Changes",
        "What changed",
        "What changed between two loads: newly flagged, recurred, worsened, corrected, gone, and why.",
        ("agency", "region", "crew"),
    ),
    View(
        "regions",
        "Regions",
        "Regions",
        "Which deficiencies stand open where, among what could be verified.",
        ("agency", "region", "crew"),
    ),
    View(
        "crews", "Crews", "Crews", "What final inspections found after each crew's work.", ("agency", "crew")
    ),
    View(
        "sample",
        "Sample",
        "Re-inspection sample",
        "How many re-inspections are short, whom to draw, and what those drawn let one conclude.",
        ("agency",),
    ),
    View(
        "risk", "Risk", "Risk", "How grave and how likely what stands open is.", ("agency", "region", "crew")
    ),
    View(
        "files",
        "Files",
        "Files received",
        "What came in, what was not loaded, and what each file can answer.",
        ("agency",),
    ),
    View(
        "add",
        "Add a file",
        "Add a file",
        "Bring in an agency's export: see how it is read and what would be used before anything is stored.",
        anytime=True,
    ),
    View(
        "returned",
        "Returned list",
        "A list that came back",
        "Take in what was filled in: see what becomes of each row before anything is recorded.",
        listed=False,
    ),
    View(
        "whatif",
        "What if",
        "What if",
        "Which homes would gain or lose which flags under other limits, before they are adopted.",
        ("agency", "region", "crew"),
    ),
    View("checks", "Checks", "Checks", "What is checked, against which limits, on whose authority.", ()),
)
BY_NAME = {view.name: view for view in VIEWS}
DEFAULT = VIEWS[0]


def address(name, **asked):
    """Relative address of a page with what it is asked; empty values are left out, sequences repeat.

    Raises KeyError for a page that is not in VIEWS.
    """
    view = BY_NAME[name]
    path = "." if view is DEFAULT else view.name
    pairs = {
        key: value
        for key, value in asked.items()
        if value is not None and value is not False and value != "" and value != () and value != []
    }
    return f"{path}?{urlencode(pairs, doseq=True)}" if pairs else path
