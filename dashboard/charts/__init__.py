"""Frame → Altair chart, a room for each subject; no Streamlit, no queries.

Each function returns the chart and the same in a sentence. Shapes, dashes and outlines differ as well as
colors. Marks stay under 2,000: frames come counted.
"""

from dashboard.charts.crews import funnel
from dashboard.charts.files import answered, received
from dashboard.charts.hold import held
from dashboard.charts.months import over_time
from dashboard.charts.readings import charge_against_elevation, reliability
from dashboard.charts.regions import by_region
from dashboard.charts.risk import ranked

__all__ = [
    "answered",
    "by_region",
    "charge_against_elevation",
    "funnel",
    "held",
    "over_time",
    "ranked",
    "received",
    "reliability",
]
