"""Gauges and thermometers: does what an inspector reads lie above or below what others read in such houses?

A reading is held against its *reference*: a setting of the house (pressure and charge the fill setting,
temperature the high limit), less what is usual between the two in that agency, before and after work; and
what others read at the same system with no work between. How much each of the two says is estimated from how
much readings differ within and between houses. A setting that fewer than some others read against says
nothing, nor do fewer than some others who read the same systems.

The shift is a Huber estimate over the run of readings, up to the last one or from the first one on, that
stands out most; its probability pays for the choice of the run (Siegmund 1985) and for how much inspectors
differ anyway. What is told of one is taken out of the reference of the others, the clearest first, until
nothing more is told: whoever re-inspects after a gauge that reads high does not read low.

Sums are of multiples of 2^-20, hence exact: no order of rows changes them.
"""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipelines.audit import chance
from pipelines.engine.arrays import to_six_digits
from pipelines.engine.codes import coded, outcomes_of_results
from pipelines.engine.hydronics import fluids, loop
from pipelines.engine.results import DEFICIENT

PRESSURE, CHARGE, TEMPERATURE = "pressure", "charge", "temperature"
READINGS = (PRESSURE, TEMPERATURE, CHARGE)
HUBER, OF_NORMAL = 1.345, 1.4826  # where readings begin to count less; deviation over median deviation
NORMAL_PULL = 0.71  # mean square of what normal readings of the stated error pull
STEPS = 12  # from no shift to Huber's estimate
ROUNDS = 12  # of taking out what was told
ENOUGH_PAIRS = 30  # to tell how much two readings of one system differ
GRID = 2.0**20
NOBODY = -1


def instruments(connection, policy):
    """The rows of `instruments`, an Arrow table: one per agency, inspector and kind of reading.

    `readings` are those that `shift` rests on: of the run from `since` until `until` (NULL: the last one)
    where it is `beyond_chance`, else all. Shift, interval and `adjusted_p` are NULL where too few readings
    can be compared.
    """
    visits = _visits(connection, policy)
    every = [_taken(visits, name, policy) for name in READINGS]
    told: list[dict[int, _Run]] = [{} for _ in READINGS]
    found = [_found(one, {}, policy) for one in every]
    for _ in range(ROUNDS):
        adjusted, beyond = _called(found, visits.agency_of, policy)
        new = [
            _clearest(one, called, before, visits.agency_of)
            for one, called, before in zip(found, beyond, told, strict=True)
        ]
        if not any(new):
            break
        for position, runs in enumerate(new):
            if runs:
                told[position] |= runs
                found[position] = _found(every[position], told[position], policy)
    adjusted, beyond = _called(found, visits.agency_of, policy)
    return pa.concat_tables(
        _rows(visits, name, *one) for name, *one in zip(READINGS, found, adjusted, beyond, strict=True)
    )


# ---- what was read


@dataclass(frozen=True)
class _Visits:
    """All visits in the order of systems: arrays by name.

    `who` is a position in `names`, (agency, inspector), NOBODY where none is recorded; `stretch` a number for
    each run of visits with no work between; `agency_of` the agency of each name, by number.
    """

    columns: dict[str, np.ndarray]
    who: np.ndarray
    names: tuple[tuple[str, str], ...]
    agency_of: np.ndarray
    stretch: np.ndarray


def _visits(connection, policy):
    inspector = "coalesce(r.inspector, j.crew)"
    column = float(to_six_digits(loop.static_pressure_psi(1.0, fluids.density_lb_ft3(policy.sizing_cold_f))))
    table = connection.sql(f"""
        SELECT j.rowid AS row, hash(j.agency, j.home_id, j.system_id) AS system, r.inspected_on,
               CASE WHEN {inspector} IS NOT NULL THEN hash(j.agency, {inspector}) ELSE 0 END AS name,
               hash(j.agency, j.crew) AS crew, r.repairs_reported IS NOT NULL AS repaired,
               coalesce(j.inspection_kind IN ('final', 'qa'), false) AS after,
               j.{coded("home-id-reused")} AS moved,
               CASE WHEN r.cold_pressure_psig IS NOT NULL
                     AND r.heating_system = 'hot_water'
                     AND r.pressure_read_with IS DISTINCT FROM 'boiler_gauge'
                     AND r.cold_reading_state IS DISTINCT FROM 'heat_not_shut_off'
                     AND coalesce(r.cold_temperature_f, 0) <= {policy.cold_above_f}
                    THEN r.cold_pressure_psig END AS pressure,
               CASE WHEN r.fill_connection = 'automatic' THEN r.fill_setting_psig END AS pressure_due,
               CASE WHEN r.hot_reading_state = 'all_zones_hot' AND r.emitter <> 'radiant_floor'
                    THEN r.hot_temperature_f END AS temperature,
               r.high_limit_f AS temperature_due,
               CASE WHEN r.precharge_system_side = 'relieved' AND r.tank_type = 'diaphragm'
                     AND r.tank_air_valve IS DISTINCT FROM 'water'
                    THEN r.precharge_psig END AS charge,
               r.fill_setting_psig - {column} * r.tank_above_gauge_ft AS charge_due
        FROM judged AS j
        JOIN readings AS r USING (agency, inspection_id)
    """).to_arrow_table()
    named = connection.sql("""
        SELECT agency, inspector, hash(agency, inspector) AS name
        FROM (
            SELECT agency, inspector FROM readings WHERE inspector IS NOT NULL
            UNION
            SELECT agency, crew FROM judged WHERE crew IS NOT NULL)
        ORDER BY agency, inspector
    """).fetchall()
    order = np.argsort(table.column("row").to_numpy(), kind="stable")
    columns = {name: table.column(name).to_numpy(zero_copy_only=False)[order] for name in table.column_names}
    names = tuple((agency, inspector) for agency, inspector, _ in named)
    hashes = np.array([one for _, _, one in named], np.uint64)
    sorter = np.argsort(hashes)
    who = np.append(sorter, -1)[np.searchsorted(hashes, columns["name"], sorter=sorter)]
    who[columns["name"] == 0] = NOBODY
    agencies = sorted({agency for agency, _ in names})
    agency_of = np.array([agencies.index(agency) for agency, _ in names], np.int64)
    return _Visits(columns, who, names, agency_of, _stretches(columns, policy))


def _stretches(visits, policy):
    """A number for each run of visits to one system between which nothing was done, as far as recorded."""
    day = visits["inspected_on"].astype("datetime64[D]").astype(np.int64)
    after, repaired = visits["after"].astype(bool), visits["repaired"].astype(bool)
    moved = outcomes_of_results(visits["moved"])[0] == DEFICIENT
    breaks = np.ones(len(day), bool)
    breaks[1:] = (
        (visits["system"][1:] != visits["system"][:-1])
        | (np.diff(day) > policy.paired_within_days)
        | moved[1:]
        | (after[1:] & (repaired[1:] | ~after[:-1]))
        | (~after[:-1] & repaired[:-1])
    )
    return np.cumsum(breaks)


@dataclass(frozen=True)
class _Taken:
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


def _taken(visits, name, policy):
    """What was read of one kind; the crew that worked there sets the charge, so it is compared within it."""
    value = visits.columns[name].astype(float)
    at = np.flatnonzero(np.isfinite(value) & (visits.who != NOBODY))
    who = _narrow(visits.who[at])
    order = np.argsort(who, kind="stable")
    of_who, of_stretch = who[order], visits.stretch[at[order]]
    repeats = np.zeros(len(at), bool)
    repeats[order[1:]] = (of_who[1:] == of_who[:-1]) & (of_stretch[1:] == of_stretch[:-1])
    at = at[~repeats]
    partners = _partners(visits.stretch[at], visits.who[at], len(visits.names))
    day = visits.columns["inspected_on"][at].astype("datetime64[D]").astype(np.int64)
    at = at[np.argsort(_narrow(day - day.min(initial=0)), kind="stable")]
    at = at[np.argsort(_narrow(visits.who[at]), kind="stable")]
    due, stretch = visits.columns[f"{name}_due"][at].astype(float), visits.stretch[at]
    lacks = np.bincount(stretch, np.isnan(due))
    after = visits.columns["after"][at].astype(bool)
    place = visits.agency_of[visits.who[at]] * 2 + after
    if name == CHARGE:
        within = np.where(after, visits.columns["crew"][at], place.astype(np.uint64))
        place = np.unique(within, return_inverse=True)[1]
    hot = name == TEMPERATURE
    return _Taken(
        visits.who[at],
        len(visits.names),
        visits.agency_of,
        visits.columns["inspected_on"][at].astype("datetime64[D]").astype(np.int64),
        stretch,
        value[at],
        np.where(lacks[stretch] > 0, np.nan, due),
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
    pairs = np.unique(np.concatenate([one * inspectors + other, other * inspectors + one]))
    return np.bincount(pairs // max(inspectors, 1), minlength=inspectors)


# ---- how far from its reference each reading lies


@dataclass(frozen=True)
class _Run:
    """Readings of one inspector, from the first to the last day, and their shift."""

    since: int
    until: int
    shift: float


@dataclass(frozen=True)
class _Apart:
    """Readings that can be compared: by how much each lies above its reference, and the error of that."""

    who: np.ndarray
    day: np.ndarray
    above: np.ndarray
    error: np.ndarray


def _on_grid(values):
    return np.rint(values * GRID) / GRID


def _apart(taken, told, policy):
    """The _Apart of some readings; others' are taken without the shifts told of them."""
    few, others = policy.few_visits, policy.others_to_compare
    off = np.zeros(len(taken.who))
    for who, run in told.items():
        start, end = np.searchsorted(taken.who, [who, who + 1])
        days = taken.day[start:end]
        off[start:end] = np.where((days >= run.since) & (days <= run.until), run.shift, 0.0)
    right = taken.value - off
    usual = _usual(taken, right - taken.due, few, others)
    due = _on_grid(np.where(np.isfinite(usual), taken.due + usual, 0.0))
    lacks = np.bincount(taken.stretch, ~np.isfinite(usual))
    due = np.where(lacks[taken.stretch] > 0, 0.0, due)
    has_due = lacks[taken.stretch] == 0
    own, right = _on_grid(taken.value) - due, _on_grid(right) - due
    read = np.bincount(taken.stretch)[taken.stretch]
    elsewhere = np.bincount(taken.stretch, right)[taken.stretch] - right
    with np.errstate(invalid="ignore", divide="ignore"):
        elsewhere = np.where(read > 1, elsewhere / (read - 1), 0.0)
    within, between = _spreads(taken, right, elsewhere, read, has_due)
    of_others = within**2 / np.maximum(read - 1, 1)
    weight = np.where(read > 1, np.where(has_due, between**2 / (between**2 + of_others), 1.0), 0.0)
    unsure = np.where(has_due, np.where(read > 1, weight * of_others, between**2), of_others)
    keep = has_due | (read > 1) & (taken.partners >= others)[taken.who]
    error = to_six_digits(np.sqrt(within**2 + unsure))
    return _Apart(taken.who[keep], taken.day[keep], (own - weight * elsewhere)[keep], error[keep])


def _usual(taken, beyond_due, few, others):
    """What readings usually lie above the setting at each place; NaN where too few or too few others read."""
    known = np.flatnonzero(np.isfinite(beyond_due))
    places = int(taken.place.max(initial=-1)) + 1
    count = np.bincount(taken.place[known], minlength=places)
    pairs = np.unique(taken.place[known] * taken.inspectors + taken.who[known])
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


# ---- the shift of each inspector


@dataclass(frozen=True)
class _Found:
    """What was found of each inspector, arrays of their number.

    `taken` counts readings, `readings` (2, n) those that can be compared: all, and of the run that stands out
    most, from the day `since` to `until`, `last` where that is the last one. `run` and `every` are (shift,
    its error) of the two. `p` is the probability that chance alone gives such a run, NaN where it cannot be
    told; `clear` how far it lies from none, in errors.
    """

    taken: np.ndarray
    readings: np.ndarray
    since: np.ndarray
    until: np.ndarray
    last: np.ndarray
    run: np.ndarray
    every: np.ndarray
    p: np.ndarray
    clear: np.ndarray
    least_told: float


def _found(taken, told, policy):
    apart, few = _apart(taken, told, policy), policy.few_visits
    count = np.bincount(apart.who, minlength=taken.inspectors)
    small = apart.above / apart.error
    kappa, eta = _pooled(small)
    pull = _on_grid(np.clip(small, -HUBER, HUBER) / apart.error)
    weight = _on_grid(1.0 / apart.error**2)
    pulls = np.bincount(apart.who, pull, taken.inspectors)
    weights = np.bincount(apart.who, weight, taken.inspectors)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean, error = pulls / (eta * weights), np.sqrt(kappa / weights) / eta
    stands = (count >= few) & (weights > 0)
    reading = np.bincount(taken.agency_of, stands, int(taken.agency_of.max(initial=-1)) + 1)[taken.agency_of]
    stands &= reading > policy.others_to_compare
    between = _between(mean, error, stands, taken.agency_of, policy)
    start, end = _runs(apart, count, pull, weight, few)
    at = np.arange(len(apart.who))
    inside = (at >= start[apart.who]) & (at < end[apart.who])
    run_pull = np.bincount(apart.who, pull * inside, taken.inspectors)
    run_weight = np.bincount(apart.who, weight * inside, taken.inspectors)
    every = _shifts(apart, np.ones(len(at), bool), taken.inspectors, kappa, eta)
    with np.errstate(invalid="ignore", divide="ignore"):
        height, run_error = run_pull / (eta * run_weight), np.sqrt(kappa / run_weight) / eta
        likely = _chosen(np.abs(height) / np.sqrt(run_error**2 + between), count, few)
        unlikely = stands & (likely <= policy.false_discoveries)  # of the others no run can be told
        run = _shifts(apart, inside & unlikely[apart.who], taken.inspectors, kappa, eta)
        run_error = np.where(unlikely, run[1], run_error)
        clear = to_six_digits(np.abs(height) / np.sqrt(run_error**2 + between))
    p = np.where(stands, _chosen(clear, count, few), np.nan)
    first, last = (np.minimum(position, max(len(at) - 1, 0)) for position in (start, end - 1))
    day = apart.day if len(at) else np.zeros(1, np.int64)
    ends = np.cumsum(count)
    return _Found(
        np.bincount(taken.who, minlength=taken.inspectors),
        np.stack([count, end - start]),
        day[first],
        day[last],
        end == ends,
        np.where(stands, run, np.nan),
        np.where(stands, every, np.nan),
        p,
        np.where(stands, clear, 0.0),
        taken.least_told,
    )


def _pooled(small):
    """(mean square of pulls, of a normal at least; share of readings that pull freely), of all inspectors."""
    if not len(small):
        return NORMAL_PULL, 1.0
    pull = np.clip(small, -HUBER, HUBER)
    free = np.count_nonzero(np.abs(small) < HUBER) / len(small)
    square = to_six_digits(_on_grid(pull**2).sum() / len(small))
    return max(float(square), NORMAL_PULL), float(to_six_digits(free))


def _between(mean, error, stands, agency, policy):
    """Variance between the inspectors of each agency beyond chance; 0 where too few to tell."""
    known = np.flatnonzero(stands)
    agencies = int(agency.max(initial=-1)) + 1
    deviates = to_six_digits(mean[known] / error[known])
    _, between = chance.over_dispersion(deviates, to_six_digits(error[known]), agency[known], agencies)
    enough = np.bincount(agency[known], minlength=agencies) >= policy.few_crews
    return np.where(enough, np.nan_to_num(between), 0.0)[agency]


def _runs(apart, count, pull, weight, few):
    """(start, end) of the run of each inspector that stands out most: up to the last reading, or from the
    first; runs begin and end with a day and hold enough readings. Of equals the longest; all of them unless a
    run stands out clearly more (twice what one more parameter costs by Schwarz's criterion).
    """
    ends = np.cumsum(count)
    starts = ends - count
    begins = np.ones(len(apart.who), bool)
    begins[1:] = (np.diff(apart.who) != 0) | (np.diff(apart.day) != 0)
    cuts = np.flatnonzero(begins)
    who = apart.who[cuts]
    sums = [np.concatenate([[0.0], np.cumsum(values)]) for values in (pull, weight)]
    best_start, best_end = starts.copy(), ends.copy()
    with np.errstate(invalid="ignore", divide="ignore"):
        pulls, weights = (one[ends] - one[starts] for one in sums)
        best = np.nan_to_num(to_six_digits(pulls**2 / weights)) + to_six_digits(2.0 * np.log(count))
    firsts = np.flatnonzero(np.append(True, np.diff(who) != 0)) if len(who) else who
    # From a cut to the last reading, then from the first to before a cut: of equals the longest.
    for start, end, longest in ((cuts, ends[who], 0), (starts[who], cuts, -1)):
        with np.errstate(invalid="ignore", divide="ignore"):
            pulls, weights = (one[end] - one[start] for one in sums)
            gain = np.where(end - start >= few, to_six_digits(pulls**2 / weights), -1.0)
        most = np.maximum.reduceat(gain, firsts) if len(who) else gain
        reached = np.flatnonzero(gain == np.repeat(most, np.diff(firsts, append=len(who))))
        edge = np.diff(who[reached], prepend=-1) if longest == 0 else np.diff(who[reached], append=-1)
        winner = reached[edge != 0]
        better = winner[gain[winner] > best[who[winner]]]
        best[who[better]] = gain[better]
        best_start[who[better]], best_end[who[better]] = start[better], end[better]
    return best_start, best_end


def _shifts(apart, inside, inspectors, kappa, eta):
    """(shift, its error) of each inspector over the readings `inside`, rounded: Huber's estimate."""
    at = np.flatnonzero(inside)
    who, above, error = apart.who[at], apart.above[at], apart.error[at]
    count = np.bincount(who, minlength=inspectors)
    shift = np.zeros(inspectors)
    weights = np.bincount(who, _on_grid(1.0 / error**2), inspectors)
    with np.errstate(invalid="ignore", divide="ignore"):
        for _ in range(STEPS):
            far = np.abs(above - shift[who]) / error
            weight = _on_grid(np.minimum(1.0, HUBER / far) / error**2)
            shift = np.bincount(who, _on_grid(weight * above), inspectors) / np.bincount(
                who, weight, inspectors
            )
        left = np.clip((above - shift[who]) / error, -HUBER, HUBER) ** 2
        own = np.bincount(who, _on_grid(left), inspectors) / count
        apart_by = np.sqrt(np.maximum(own, kappa) / weights) / eta
    return to_six_digits(np.stack([shift, apart_by]))


def _chosen(clear, count, few):
    """Probability of a run so clear, however it was chosen among those of `few` readings and more.

    Source: the usual bound for the standardized sum of a run that grows from `few` to `count`, taken from
    both ends: twice the tail of a normal and, for each side, b·φ(b)·log(count / few).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        length = np.log(np.maximum(count, few) / few)
        height = clear * np.exp(-(clear**2) / 2.0) / np.sqrt(2.0 * np.pi)
    return to_six_digits(np.minimum(chance.two_sided(clear) + 2.0 * height * length, 1.0))


# ---- what is told


def _called(found, agency_of, policy):
    """(adjusted p, whether it is told) of each kind of reading: arrays of the inspectors."""
    family = np.tile(agency_of, len(found))
    adjusted = chance.adjusted(np.concatenate([one.p for one in found]), family)
    parts = np.split(adjusted, len(found))
    with np.errstate(invalid="ignore"):
        beyond = [
            (part <= policy.false_discoveries) & (np.abs(one.run[0]) >= one.least_told)
            for part, one in zip(parts, found, strict=True)
        ]
    return parts, beyond


def _clearest(found, beyond, before, agency_of):
    """The clearest _Run of each agency that was not told before, by inspector."""
    known = np.isin(np.arange(len(beyond)), list(before))
    new = np.flatnonzero(beyond & ~known)
    order = new[np.lexsort((-new, found.clear[new], agency_of[new]))]
    last = order[np.flatnonzero(np.append(np.diff(agency_of[order]) != 0, True))] if len(order) else order
    return {
        int(one): _Run(int(found.since[one]), int(found.until[one]), float(found.run[0, one])) for one in last
    }


def _rows(visits, name, found, adjusted, beyond):
    """The rows of one kind of reading, those of inspectors with any."""
    at = np.flatnonzero(found.taken)
    shift, error = np.where(beyond, found.run, found.every)[:, at]
    day = pa.array(found.since[at].astype("datetime64[D]"), mask=~beyond[at])
    until = pa.array(found.until[at].astype("datetime64[D]"), mask=~beyond[at] | found.last[at])
    return pa.table(
        {
            "agency": pa.array([visits.names[one][0] for one in at], pa.string()),
            "inspector": pa.array([visits.names[one][1] for one in at], pa.string()),
            "reading": pa.array([name] * len(at), pa.string()),
            "readings": pa.array(np.where(beyond, found.readings[1], found.readings[0])[at]),
            "shift": pa.array(shift, from_pandas=True),
            "low95": pa.array(to_six_digits(shift - chance.NORMAL_95 * error), from_pandas=True),
            "high95": pa.array(to_six_digits(shift + chance.NORMAL_95 * error), from_pandas=True),
            "adjusted_p": pa.array(adjusted[at], from_pandas=True),
            "beyond_chance": pa.array(beyond[at]),
            "since": day.cast(pa.date32()),
            "until": until.cast(pa.date32()),
        }
    )
