"""Frame → Altair chart, a room for each subject; no Streamlit, no queries.

Each function returns the chart and the same in a sentence. Shapes, dashes and outlines differ as well as
colors. Marks stay under 2,000: frames come counted.
"""

from dashboard.charts.changes import changed
from dashboard.charts.crews import funnel
from dashboard.charts.files import answered, received
from dashboard.charts.hold import held
from dashboard.charts.home import pressures, visits
from dashboard.charts.months import over_time
from dashboard.charts.places import by_elevation, placed
from dashboard.charts.plan import risk_against_money
from dashboard.charts.readings import charge_against_elevation, reliability
from dashboard.charts.regions import by_region
from dashboard.charts.risk import ranked
from dashboard.charts.waiting import agencies, by_gravest, by_month

__all__ = [
    "agencies",
    "by_gravest",
    "by_month",
    "answered",
    "by_elevation",
    "by_region",
    "changed",
    "charge_against_elevation",
    "funnel",
    "held",
    "over_time",
    "pressures",
    "placed",
    "visits",
    "ranked",
    "received",
    "reliability",
    "risk_against_money",
]
