"""The picture of a plan: risk removed against money. Frame → Altair chart and the same in a sentence."""

import altair as alt
import pandas as pd

from dashboard.charts.theme import BLUE, FONT, INK, RUST, SOFT, quiet

COLORS = {"this plan": BLUE, "worst first": RUST, "cheapest first": SOFT, "nothing done": INK}
DASHES = {"this plan": [1, 0], "worst first": [7, 4], "cheapest first": [2, 3], "nothing done": [1, 0]}


def risk_against_money(curve: pd.DataFrame, budget: float, cost: float, worth: float):
    """Risk removed by each order of work, the budget as a line, this plan as a dot.

    `curve`: order, cost in dollars, worth; `cost` and `worth` are those of the plan.
    """
    orders = list(COLORS)
    x = alt.X("cost:Q", title="Money spent, dollars", axis=alt.Axis(format=",d"))
    y = alt.Y("worth:Q", title="Risk removed, weighed")
    color = alt.Color(
        "order:N", title="Order of work", scale=alt.Scale(domain=orders, range=list(COLORS.values()))
    )
    dash = alt.StrokeDash(
        "order:N", title="Order of work", scale=alt.Scale(domain=orders, range=list(DASHES.values()))
    )
    lines = alt.Chart(curve).mark_line(strokeWidth=2).encode(x=x, y=y, color=color, strokeDash=dash)
    at_budget = alt.Chart(pd.DataFrame({"cost": [budget], "words": ["budget"]}))
    rule = at_budget.mark_rule(color=INK, strokeWidth=1).encode(x=x)
    name = at_budget.mark_text(align="left", dx=5, baseline="top", font=FONT, fontSize=12, color=INK).encode(
        x=x, y=alt.YValue(4), text=alt.Text("words:N")
    )
    dot = (
        alt.Chart(pd.DataFrame({"cost": [cost], "worth": [worth]}))
        .mark_point(size=110, filled=True, color=BLUE, stroke=INK)
        .encode(x=x, y=y)
    )
    chart = quiet(alt.layer(lines, rule, name, dot).properties(height=300))
    return chart, _in_words(curve, budget, cost, worth)


def _in_words(curve, budget, cost, worth):
    others = []
    for order in ("worst first", "cheapest first"):
        some = curve[(curve["order"] == order) & (curve["cost"] <= budget)]
        others.append(f"{some['worth'].max() if len(some) else 0:,.0f} {order}")
    return (
        f"For {cost:,.0f} dollars this plan removes {worth:,.0f} of risk; the same budget removes "
        f"{' and '.join(others)}."
    )
