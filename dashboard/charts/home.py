"""Charts of one home: a visit's pressure as its loop warms, and what its visits found."""

import altair as alt
import pandas as pd

from dashboard.charts.theme import BLUE, FONT, INK, RUST, SOFT, quiet
from dashboard.wording import KINDS, day, plural

READ_SIGMAS = 1.96  # of a reading's standard deviation, to either side
SOUND, HALF = "this tank, all its gas", "the same with half its gas"


def psi(value: float) -> str:
    return f"{value:.1f} psi"


def degrees(value: float) -> str:
    return f"{value:.0f} °F"


def pressures(found, on: str):
    """Gauge pressure against temperature: what was read, what the tank should do, and the lines beside it.

    `found` is an answers.pressures.Pressures.
    """
    points = _points(found.curves)
    lines = pd.DataFrame(
        [(name, value) for name, value in _lines(found) if value is not None], columns=["name", "psig"]
    )
    runs = pd.DataFrame(
        [(name, *at) for name, run in ((SOUND, found.curves.sound), (HALF, found.curves.half)) for at in run],
        columns=["curve", "degrees", "psig"],
    )
    highest = max([*points["psig"], *lines["psig"], 12.0])
    top = 5.0 * (int(1.12 * highest / 5.0) + 1)
    left = min([*points["degrees"], 60.0]) - 12.0
    right = max([*points["degrees"], *runs["degrees"], 180.0]) + 8.0
    points["degrees_low"] = points["degrees_low"].clip(lower=left)
    points["degrees_high"] = points["degrees_high"].clip(upper=right)
    x = alt.X(
        "degrees:Q",
        title="Temperature of the loop, °F",
        axis=alt.Axis(grid=False),
        scale=alt.Scale(domain=[left, right], nice=False),
    )
    y = alt.Y(
        "psig:Q", title="Pressure at the gauge, psi", scale=alt.Scale(domain=[0, top], nice=False, clamp=True)
    )
    layers = [*_rules(lines, x, y, left), *_curves(runs[runs["psig"] <= top], x, y), *_read(points, x, y)]
    return quiet(alt.layer(*layers).properties(height=300)), _in_words(found, on)


def _points(curves):
    read = [
        (name, one.temperature_f, one.pressure_psig, one.temperature_sigma_f, one.pressure_sigma_psi)
        for name, one in (("cold", curves.cold), ("hot", curves.hot))
        if one is not None
    ]
    points = pd.DataFrame(read, columns=["reading", "degrees", "psig", "sigma_f", "sigma_psi"])
    for name, sigma in (("degrees", "sigma_f"), ("psig", "sigma_psi")):
        points[f"{name}_low"] = points[name] - READ_SIGMAS * points[sigma]
        points[f"{name}_high"] = points[name] + READ_SIGMAS * points[sigma]
    return points


def _lines(found):
    relief, plate = found.relief_psig, found.plate_psig
    if relief is not None and relief == plate:
        yield f"relief valve opens, and the boiler's maximum: {psi(relief)}", relief
    else:
        yield (f"relief valve opens: {psi(relief)}", relief) if relief is not None else ("", None)
        yield (f"boiler's maximum: {psi(plate)}", plate) if plate is not None else ("", None)
    least = found.required_cold_psig
    yield (f"least cold pressure for this height: {psi(least)}", least) if least is not None else ("", None)


def _rules(lines, x, y, left):
    base = alt.Chart(lines.assign(degrees=left + 2.0))
    yield base.mark_rule(color=INK, strokeDash=[2, 3]).encode(y=y)
    yield base.mark_text(align="left", baseline="bottom", dy=-2, fontSize=12, font=FONT, color=INK).encode(
        x=x, y=y, text=alt.Text("name:N")
    )


def _curves(runs, x, y):
    for name, color, dash in ((SOUND, BLUE, []), (HALF, RUST, [7, 4])):
        run = runs[runs["curve"] == name]
        if run.empty:
            continue
        yield alt.Chart(run).mark_line(color=color, strokeWidth=2, strokeDash=dash).encode(x=x, y=y)
        # Each on the side where its own curve does not run.
        if name == HALF:
            end = alt.Chart(run.tail(1)).mark_text(align="right", baseline="bottom", dy=-6)
        else:
            middle = run.iloc[[len(run) * 2 // 3]]
            end = alt.Chart(middle).mark_text(align="left", baseline="top", dy=8)
        yield end.encode(x=x, y=y, text=alt.Text("curve:N"), color=alt.ColorValue(color))


def _read(points, x, y):
    base = alt.Chart(points)
    tooltip = [
        alt.Tooltip("reading:N", title="Reading"),
        alt.Tooltip("degrees:Q", title="°F", format=".0f"),
        alt.Tooltip("psig:Q", title="psi", format=".1f"),
    ]
    yield base.mark_rule(color=SOFT, strokeWidth=1.5).encode(
        x=x, y=alt.Y("psig_low:Q"), y2=alt.Y2("psig_high:Q")
    )
    yield base.mark_rule(color=SOFT, strokeWidth=1.5).encode(
        y=y, x=alt.X("degrees_low:Q"), x2=alt.X2("degrees_high:Q")
    )
    yield base.mark_point(size=95, filled=True, opacity=1, color=INK).encode(
        x=x,
        y=y,
        shape=alt.Shape(
            "reading:N",
            scale=alt.Scale(domain=["cold", "hot"], range=["circle", "diamond"]),
            legend=None,
        ),
        tooltip=tooltip,
    )
    yield base.mark_text(align="left", dx=9, dy=-9, fontSize=12, fontWeight="bold", font=FONT).encode(
        x=x, y=y, text=alt.Text("reading:N"), color=alt.ColorValue(INK)
    )


def _in_words(found, on):
    curves = found.curves
    said = [f"Pressure against temperature on {on}."]
    for name, one in (("Cold", curves.cold), ("Hot", curves.hot)):
        if one is None:
            said.append(f"{name}: not verified.")
        else:
            taken = " (temperature not recorded, taken)" if one.taken else ""
            said.append(f"{name}: {psi(one.pressure_psig)} at {degrees(one.temperature_f)}{taken}.")
    at = curves.hot.temperature_f if curves.hot else None
    if not curves.sound:
        said.append("For want of a reading, or of gas, no curve of this tank can be drawn.")
    elif at is not None:
        whole, half = _at(curves.sound, at), _at(curves.half, at)
        said.append(
            f"At {degrees(at)} this tank with all its gas would stand at {whole}, with half of it at {half}."
        )
    if curves.charge_taken:
        said.append("No charge could be trusted: the curves take the one it should have.")
    said += [f"{name[0].upper()}{name[1:]}." for name, value in _lines(found) if value is not None]
    return " ".join(said)


def _at(run, degrees_f):
    """Pressure of a curve at a temperature, in words."""
    if degrees_f > run[-1][0] + 1.0:
        return "no pressure that its gas could hold"
    return psi(min(run, key=lambda at: abs(at[0] - degrees_f))[1])


# Marks in squares of two by two: filled, hollow, hatched, so that no color is needed to tell them apart.
OUTCOMES = ("deficient", "ok", "not verified")
FILLED, HATCHED = "M-1,-1H1V1H-1Z", "M-1,-1H1V1H-1ZM-1,0L0,-1M-1,1L1,-1M0,1L1,0"
VISITS_DRAWN = 12


def visits(home):
    """What every visit said of each check that a visit found deficient: filled, hollow or hatched squares.

    `home` is an answers.one_home.Home. None where nothing was ever found deficient; of many visits the last
    VISITS_DRAWN are drawn.
    """
    named = len(home.systems) > 1
    shown = home.visits[-VISITS_DRAWN:]
    when = {visit.inspection_id: _when(visit, named) for visit in shown}
    marks = pd.DataFrame(
        [
            (f"{check.title}{_of_system(check.system_id, named)}", when[visit], outcome, text)
            for check in home.checks
            if any(outcome == "deficient" for _, outcome, _ in check.visits)
            for visit, outcome, text in check.visits
            if visit in when and outcome in OUTCOMES
        ],
        columns=["check", "visit", "outcome", "text"],
    )
    if marks.empty:
        return None
    chart = (
        alt.Chart(marks)
        .mark_point(size=150, strokeWidth=1.5, opacity=1)
        .encode(
            x=alt.X(
                "visit:N",
                title=None,
                sort=list(when.values()),
                scale=alt.Scale(domain=list(when.values())),
                axis=alt.Axis(labelAngle=0, labelExpr="split(datum.label, '|')", labelLimit=0),
            ),
            y=alt.Y("check:N", title=None, sort=None, axis=alt.Axis(labelLimit=380, grid=True)),
            shape=_by_outcome(alt.Shape, (FILLED, FILLED, HATCHED)),
            fill=_by_outcome(alt.Fill, (RUST, "#ffffff", "#ffffff")),
            stroke=_by_outcome(alt.Stroke, (RUST, INK, SOFT)),
            tooltip=[
                alt.Tooltip("check:N", title="Check"),
                alt.Tooltip("outcome:N", title="Outcome"),
                alt.Tooltip("text:N", title="Found"),
            ],
        )
        .properties(height=alt.Step(26))
    )
    left_out = len(home.visits) - len(shown)
    return quiet(chart), _visits_in_words(marks, left_out)


def _by_outcome(channel, values):
    scale = alt.Scale(domain=list(OUTCOMES), range=list(values))
    return channel("outcome:N", title=None, scale=scale, legend=alt.Legend(orient="top"))


def _when(visit, named):
    reported = f"|reported {day(visit.reported_on)}" if visit.reported_on else ""
    kind = KINDS.get(visit.inspection_kind, "kind not recorded")
    said = f"{kind}{_of_system(visit.system_id, named)}"
    return f"{day(visit.inspected_on)}|{said}|{_printed(visit.inspection_id)}{reported}"


def _of_system(system_id, named):
    return f", system {_printed(system_id)}" if named and system_id else ""


def _printed(text):
    """A recorded text on one line: the order of marks is an expression, which breaks at what ends a line."""
    return "".join(letter if letter.isprintable() else " " for letter in text)


def _visits_in_words(marks, left_out):
    said = [
        f"{check}: " + ", ".join(f"{row.visit.split('|')[0]} {row.outcome}" for row in rows.itertuples())
        for check, rows in marks.groupby("check", sort=False)
    ]
    earlier = f" {plural(left_out, 'earlier visit')} stand in the table alone." if left_out else ""
    return f"What the visits found. {'; '.join(said)}.{earlier}"
