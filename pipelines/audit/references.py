"""Readings and what each is held against: settings of the house, and what others read at the same system."""

from dataclasses import dataclass

import numpy as np

from pipelines.audit import chance
from pipelines.audit.side_by_side import NOBODY, numbered, word
from pipelines.engine.arrays import to_six_digits
from pipelines.engine.codes import coded, outcome_of_results
from pipelines.engine.hydronics import fluids, loop
from pipelines.engine.results import DEFICIENT

PRESSURE, CHARGE, TEMPERATURE = "pressure", "charge", "temperature"
READINGS = (PRESSURE, TEMPERATURE, CHARGE)
OF_NORMAL = 1.4826  # deviation over median deviation
ENOUGH_PAIRS = 30  # to tell how much two readings of one system differ
GRID = 2.0**20


# ---- what was read


@dataclass(frozen=True)
class Visits:
    """All visits in the order of systems.

    `who` is a position in `names`, (agency, inspector), NOBODY where none is recorded; `agency_of` the agency
    of each name, `crew` that of the visit, by number; `stretch` a number for each run of visits with no work
    between. `recorded` are arrays by name in the order of readings, `place` where each visit stands there.
    """

    who: np.ndarray
    names: tuple[tuple[str, str], ...]
    agency_of: np.ndarray
    crew: np.ndarray
    day: np.ndarray
    after: np.ndarray
    stretch: np.ndarray
    recorded: dict[str, np.ndarray]
    place: np.ndarray

    def reading(self, name, at):
        """What was recorded at some visits."""
        return self.recorded[name][self.place[at]].astype(float)


def visits_of(both, policy):
    """The Visits of what was judged and recorded, a SideBySide."""
    column = float(to_six_digits(loop.static_pressure_psi(1.0, fluids.density_lb_ft3(policy.sizing_cold_f))))
    judged = both.judged(
        [
            "hash(agency, crew) AS crew",
            "coalesce(inspection_kind IN ('final', 'qa'), false) AS after",
            f"{coded('home-id-reused')} AS moved",
        ]
    )
    recorded = both.numbers(
        [
            "inspected_on",
            "repairs_reported IS NOT NULL AS repaired",
            f"""CASE WHEN heating_system = {word("heating_system", "hot_water")}
                  AND pressure_read_with IS DISTINCT FROM {word("pressure_read_with", "boiler_gauge")}
                  AND cold_reading_state IS DISTINCT FROM {word("cold_reading_state", "heat_not_shut_off")}
                  AND coalesce(cold_temperature_f, 0) <= {policy.cold_above_f}
                 THEN cold_pressure_psig END AS pressure""",
            f"""CASE WHEN fill_connection = {word("fill_connection", "automatic")}
                 THEN fill_setting_psig END AS pressure_due""",
            f"""CASE WHEN hot_reading_state = {word("hot_reading_state", "all_zones_hot")}
                  AND emitter <> {word("emitter", "radiant_floor")}
                 THEN hot_temperature_f END AS temperature""",
            "high_limit_f AS temperature_due",
            f"""CASE WHEN precharge_system_side = {word("precharge_system_side", "relieved")}
                  AND tank_type = {word("tank_type", "diaphragm")}
                  AND tank_air_valve IS DISTINCT FROM {word("tank_air_valve", "water")}
                 THEN precharge_psig END AS charge""",
            f"fill_setting_psig - {column} * tank_above_gauge_ft AS charge_due",
        ]
    )
    names, who = both.readers
    agencies = sorted({agency for agency, _ in names})
    day = recorded["inspected_on"].astype("datetime64[D]").astype(np.int64)[both.place]
    after = judged.column("after").to_numpy()
    moved = outcome_of_results(judged.column("moved").to_numpy()) == DEFICIENT
    return Visits(
        who,
        names,
        np.array([agencies.index(agency) for agency, _ in names], np.int64),
        judged.column("crew").to_numpy(),
        day,
        after,
        _stretches(both.system, day, after, recorded["repaired"][both.place], moved, policy),
        recorded,
        both.place,
    )


def _stretches(system, day, after, repaired, moved, policy):
    """A number for each run of visits to one system between which nothing was done, as far as recorded."""
    breaks = np.ones(len(day), bool)
    breaks[1:] = (
        (system[1:] != system[:-1])
        | (np.diff(day) > policy.paired_within_days)
        | moved[1:]
        | (after[1:] & (repaired[1:] | ~after[:-1]))
        | (~after[:-1] & repaired[:-1])
    )
    return np.cumsum(breaks)


@dataclass(frozen=True)
class Taken:
    """Readings of one kind, by inspector and day, the first of each inspector in a stretch.

    `due` is the setting, NaN where none is recorded at every visit of the stretch; `place` of what others'
    readings it is compared with; `partners` how many others read a system just before or after each
    inspector, with no work between.
    """

    who: np.ndarray
    inspectors: int
    agency_of: np.ndarray
    day: np.ndarray
    stretch: np.ndarray
    value: np.ndarray
    due: np.ndarray
    place: np.ndarray
    partners: np.ndarray
    least_told: float
    noise: float


def taken_of(visits, name, policy):
    """What was read of one kind; the crew that worked there sets the charge, so it is compared within it."""
    known = np.isfinite(visits.recorded[name].astype(float))[visits.place]
    at = np.flatnonzero(known & (visits.who != NOBODY))
    who = _narrow(visits.who[at])
    order = np.argsort(who, kind="stable")
    of_who, of_stretch = who[order], visits.stretch[at[order]]
    repeats = np.zeros(len(at), bool)
    repeats[order[1:]] = (of_who[1:] == of_who[:-1]) & (of_stretch[1:] == of_stretch[:-1])
    at = at[~repeats]
    partners = _partners(visits.stretch[at], visits.who[at], len(visits.names))
    day = visits.day[at]
    at = at[np.argsort(_narrow(day - day.min(initial=0)), kind="stable")]
    at = at[np.argsort(_narrow(visits.who[at]), kind="stable")]
    who, stretch, after = visits.who[at], visits.stretch[at], visits.after[at]
    due = visits.reading(f"{name}_due", at)
    place = visits.agency_of[who] * 2 + after
    if name == CHARGE:
        within = np.where(after, visits.crew[at], place.astype(np.uint64))
        place = np.unique(within, return_inverse=True)[1]
    hot = name == TEMPERATURE
    return Taken(
        who,
        len(visits.names),
        visits.agency_of,
        visits.day[at],
        stretch,
        visits.reading(name, at),
        np.where(_in_any(stretch, np.isnan(due)), np.nan, due),
        place,
        partners,
        policy.shift_told_f if hot else policy.shift_told_psi,
        policy.temperature_f if hot else policy.test_gauge_psi,
    )


def _narrow(codes):
    """Whole numbers from 0 in the narrowest type, which sorts fastest."""
    return codes.astype(np.min_scalar_type(int(codes.max(initial=0))))


def _partners(stretch, who, inspectors):
    """Of readings in the order of visits."""
    same = stretch[1:] == stretch[:-1]
    one, other = who[1:][same], who[:-1][same]
    pairs, _ = numbered(np.concatenate([one * inspectors + other, other * inspectors + one]))
    return np.bincount(pairs // max(inspectors, 1), minlength=inspectors)


# ---- how far from its reference each reading lies


@dataclass(frozen=True)
class Apart:
    """Readings that can be compared: by how much each lies above its reference, and the error of that."""

    who: np.ndarray
    day: np.ndarray
    above: np.ndarray
    error: np.ndarray


def on_grid(values):
    found = values * GRID
    np.rint(found, out=found)
    found /= GRID
    return found


def apart_of(taken, told, policy):
    """The Apart of some readings; others' are taken without the shifts told of them."""
    few, others = policy.few_visits, policy.others_to_compare
    off = np.zeros(len(taken.who))
    for who, run in told.items():
        start, end = np.searchsorted(taken.who, [who, who + 1])
        days = taken.day[start:end]
        off[start:end] = np.where((days >= run.since) & (days <= run.until), run.shift, 0.0)
    right = taken.value - off
    usual = _usual(taken, right - taken.due, few, others)
    has_due = ~_in_any(taken.stretch, ~np.isfinite(usual))
    due = on_grid(np.where(has_due, taken.due + usual, 0.0))
    own, right = on_grid(taken.value) - due, on_grid(right) - due
    read = np.bincount(taken.stretch)[taken.stretch]
    elsewhere = np.bincount(taken.stretch, right)[taken.stretch] - right
    with np.errstate(invalid="ignore", divide="ignore"):
        elsewhere = np.where(read > 1, elsewhere / (read - 1), 0.0)
    within, between = _spreads(taken, right, elsewhere, read, has_due)
    weights, errors = _weights(within, between, np.arange(int(read.max(initial=0)) + 1))
    keep = has_due | (read > 1) & (taken.partners >= others)[taken.who]
    kind = (read + len(weights) // 2 * has_due)[keep]
    above = own[keep] - weights[kind] * elsewhere[keep]
    return Apart(taken.who[keep], taken.day[keep], above, errors[kind])


def _in_any(stretch, marked):
    """Whether any reading of each one's stretch is marked."""
    found = np.zeros(int(stretch.max(initial=-1)) + 1, bool)
    found[stretch[marked]] = True
    return found[stretch]


def _weights(within, between, read):
    """(weight of what others read, error of the difference) by how often a system was read; first for those
    whose setting says nothing, then for the others.
    """
    of_others = within**2 / np.maximum(read - 1, 1)
    of_due = np.where(read > 1, between**2 / (between**2 + of_others), 0.0)
    unsure = np.where(read > 1, of_due * of_others, between**2)
    weights = np.concatenate([np.where(read > 1, 1.0, 0.0), of_due])
    return weights, to_six_digits(np.sqrt(within**2 + np.concatenate([of_others, unsure])))


def _usual(taken, beyond_due, few, others):
    """What readings usually lie above the setting at each place; NaN where too few or too few others read."""
    known = np.flatnonzero(np.isfinite(beyond_due))
    places = int(taken.place.max(initial=-1)) + 1
    count = np.bincount(taken.place[known], minlength=places)
    pairs, _ = numbered(taken.place[known] * taken.inspectors + taken.who[known])
    reads = np.bincount(pairs // max(taken.inspectors, 1), minlength=places)
    median = chance.quantiles(beyond_due[known], taken.place[known], count, 0.5)
    median = np.where((reads > others) & (count >= few * others), to_six_digits(median), np.nan)
    return np.where(np.isfinite(beyond_due), median[taken.place], np.nan)


def _spreads(taken, right, elsewhere, read, has_due):
    """(between two readings of one system, between systems of one setting), of one reading, robust."""
    twice = read == 2
    within = taken.noise
    if twice.sum() >= ENOUGH_PAIRS:
        apart = np.abs(right - elsewhere)[twice]
        within = max(within, OF_NORMAL * float(np.median(apart)) / np.sqrt(2.0))
    whole = OF_NORMAL * float(np.median(np.abs(right[has_due]))) if has_due.any() else 0.0
    return to_six_digits(within), to_six_digits(np.sqrt(max(whole**2 - within**2, 0.0)))
