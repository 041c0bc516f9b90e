"""One look for all charts: colors, font, axes, and marks told apart by shape and weight beside color."""

import altair as alt

INK, SOFT, LINE, BLUE, RUST = "#1c2329", "#4f5860", "#d9d5ca", "#0072b2", "#a53f04"
FONT = "Source Sans, sans-serif"
AXIS_PX, ROW_OF_LEGEND_PX = 45, 21  # what a chart of a height of its own needs beside its marks


OF_TEXT = {
    "labelFont": FONT,
    "titleFont": FONT,
    "labelFontSize": 12,
    "titleFontSize": 12,
    "titleFontWeight": "normal",
    "labelColor": INK,
    "titleColor": INK,
}
OF_AXES = {**OF_TEXT, "gridColor": LINE, "domainColor": SOFT, "tickColor": SOFT}


def quiet(chart):
    """The chart in the look that all have."""
    return chart.configure(view={"strokeWidth": 0}, axis=OF_AXES, legend=OF_TEXT)


def marks(order, colors, shapes):
    """Channels that tell marks apart by fill and shape, with one legend for both."""
    legend = alt.Legend(orient="top", symbolOpacity=1)

    def scale(values):
        return alt.Scale(domain=list(order), range=list(values))

    # The outline says nothing, but in the legend an open mark has one only if it is a channel, too.
    return {
        "fill": alt.Fill("mark:N", title=None, scale=scale(colors), legend=legend),
        "shape": alt.Shape("mark:N", title=None, scale=scale(shapes), legend=legend),
        "stroke": alt.Stroke("mark:N", title=None, scale=scale([INK] * len(order)), legend=legend),
    }
