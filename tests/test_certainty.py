"""Certainty against a Monte Carlo of the same model, written down again here from nothing but the stated
errors.

Every telling result of the sample exports is drawn many times: readings get the errors that the policy
states, the pressures are balanced anew, and the share of draws in which the outcome is true is compared with
its certainty. Only the densities come from the shipped table, which test_hydronics holds against its sources.

The figures are printed: pytest -s tests/test_certainty.py; COLDFILL_FULL=1 takes every inspection.
"""

import os

import numpy as np
import pytest
from scipy.stats import norm

from pipelines.engine import margins
from pipelines.engine.checks import BY_ID
from pipelines.engine.hydronics.fluids import density_lb_ft3
from pipelines.engine.margins import NODES
from pipelines.engine.policy import policy as policies
from pipelines.engine.quantities.assessed import ASSESSED
from pipelines.engine.quantities.resolver import Recomputed
from pipelines.engine.results import DEFICIENT, OK, OUTCOMES, results
from pipelines.fields import FIELDS, NUMBER, WORD
from tests.inspections import SOUND, STEEL, batch, judge, sample_inspections, shipped_policy

FULL = os.environ.get("COLDFILL_FULL") == "1"
DRAWS = 40_000 if FULL else 10_000
SAMPLES = None if FULL else 350  # inspections of the sample exports
MADE_UP = 3000 if FULL else 250
MEAN_ERROR, ERROR_95, WORST = 0.02, 0.05, 0.1

# Checks whose outcome rests on a number that is uncertain; the others state words or exact numbers.
UNCERTAIN = (
    "cold-pressure-low",
    "cold-pressure-high",
    "fill-pressure-off-setting",
    "supply-pressure-high",
    "hot-pressure-near-relief",
    "predicted-pressure-near-relief",
    "tank-undersized",
    "tank-cushion-lost",
    "precharge-low",
    "precharge-high",
    "relief-did-not-open",
    "pressure-above-plate",
    "hot-above-high-limit",
    "pressure-did-not-rise",
    "cold-reading-hot",
)
MARGINS = (
    "cold_above_required",
    "cold_below_high",
    "cold_above_setting",
    "cold_below_setting",
    "charge_above_low",
    "charge_below_high",
    "tank_room",
    "room_at_limit",
    "cushion_kept",
)
ALPHA = {"copper": 9.5e-6, "steel": 6.5e-6, "pex": 0.0, None: 6.5e-6}
GALLONS_PER_1000_BTUH = {
    "fin_tube": 0.465,
    "convector": 0.465,
    "fan_coil": 0.619,
    "panel_radiator": 0.852,
    "cast_iron_radiator": 1.084,
    "radiant_floor": 1.781,
}
GLYCOL = {"propylene_glycol": 1, "ethylene_glycol": 2}


class Draw:
    """One inspection drawn `n` times: what may truly have been so, given what was written down."""

    def __init__(self, row, n, rng):
        self.row, self.n, self.rng = row, n, rng
        tested = row["pressure_read_with"] == "test_gauge"
        bias = 0.0 if tested else self.normal(1.0)
        self.cold_read = self.number("cold_pressure_psig") - bias - self.normal(0.5)
        self.hot = self.number("hot_pressure_psig") - bias - self.normal(0.5)
        untimed = row["cold_temperature_f"] is None
        self.cold = self.cold_read - (self.rng.uniform(0, 2, n) if untimed else 0.0)  # of a cold loop
        place = row["elevation_ft"] is None
        spread_ft = (row["place_spread_ft"] or 0.0) if place else 0.0
        self.air = (
            14.696
            * (
                1
                - 6.8754e-6
                * ((row["place_elevation_ft"] if place else row["elevation_ft"]) + self.normal(spread_ft))
            )
            ** 5.2559
            if self.placed
            else np.nan
        )
        self.cold_f = (
            np.maximum(32.0, 60 + self.normal(20)) if untimed else row["cold_temperature_f"] + self.normal(3)
        )
        self.hot_f = self.number("hot_temperature_f") + self.normal(3) + self.normal(6)
        code, percent = GLYCOL.get(row["antifreeze"], 0), row["antifreeze_percent"] or 0.0
        self.density = lambda f: (
            np.interp(f, GRID_F, GRID[code, percent])
            if (code, percent) in GRID
            else np.interp(f, GRID_F, self.grid(code, percent))
        )
        self.fluid_share = 1 + (rng.uniform(0, 0.5, n) if row["antifreeze"] is None else 0.0)
        self.fluid_share = self.fluid_share * (1 + (self.normal(0.1) if code else 0.0))
        self.height = self.heights()
        above = row["tank_above_gauge_ft"] or 0.0
        hangs = max(above, 0.0) if row["tank_type"] != "none" else 0.0
        column = self.density(60.0) / 144
        self.static = np.maximum(self.height, hangs) * column
        self.lift = above * column  # what the tank feels less than the gauge shows
        self.required = np.maximum(self.static + 4, row["boiler_min_pressure_psig"] or 0.0)
        least = np.maximum(12.0, self.required)
        setting = self.number("fill_setting_psig")
        self.should = np.where(np.abs(setting - least) <= 3 + 1e-9, setting, least)
        self.volume = self.loop_volume()
        self.tank = self.number("tank_volume_gal") * (1 + self.normal(0.1))
        self.allowed = 0.9 * self.number("relief_setting_psig")
        self.steel = row["tank_type"] == "plain_steel"
        self.charge = self.charges()

    @property
    def highest(self):
        """Of the pressures that are plausible."""
        return np.fmax(self.hot, self.cold_read) if self.row["cold_plausible"] else self.hot

    def normal(self, sigma):
        return sigma * self.rng.standard_normal(self.n)

    def number(self, name):
        value = self.row[name]
        return np.nan if value is None else value

    @staticmethod
    def grid(code, percent):
        GRID[code, percent] = density_lb_ft3(GRID_F, code, percent)
        return GRID[code, percent]

    @property
    def placed(self):
        return self.row["elevation_ft"] is not None or self.row["place_elevation_ft"] is not None

    def heights(self):
        if self.row["top_height_ft"] is not None:
            return np.full(self.n, self.row["top_height_ft"])
        floors, level = self.number("stories"), self.row["boiler_level"]
        guess = (
            0.0
            if level == "top_or_attic"
            else 9 * (floors - 1)
            if level == "lowest_floor"
            else 9 * floors - 2
        )
        return guess + self.normal(4)

    def loop_volume(self):
        buffer = (self.row["buffer_tank_gal"] or 0.0) * (1 + self.normal(0.1))
        if self.row["system_volume_gal"] is not None:
            return self.row["system_volume_gal"] * (1 + self.normal(0.1)) + buffer
        area = self.row["heated_area_ft2"]
        load = self.number("boiler_output_btuh") if area is None else 30.0 * area
        estimate = load / 1000 * GALLONS_PER_1000_BTUH.get(self.row["emitter"], np.nan)
        low, high = (0.2, 1.3) if area is None else (0.4, 1.6)
        return estimate * self.rng.uniform(low, high, self.n) + buffer

    def charges(self):
        """The charge at 60 °F and the tank's height; where it is not trusted, what it should be; the air's in
        steel.
        """
        if self.steel:
            return 0.0
        if not self.row["trusted"]:
            return self.should - self.lift
        read, warm = self.row["precharge_psig"] - self.normal(0.5), self.row["tank_temperature_f"]
        if warm is None:
            return read + self.rng.uniform(-2, 0.5, self.n)
        return (read + self.air) * 520 / (460 + warm + self.normal(3)) - self.air

    @property
    def fill(self):
        """The fill pressure that this loop has, as the tank feels it."""
        setting, by_valve = self.row["fill_setting_psig"], self.row["fill_connection"]
        if setting is not None and by_valve in (None, "automatic", "manual"):
            return setting - self.lift
        return (self.cold if self.row["cold_usable"] else self.should) - self.lift

    def expansion(self, cold_f, hot_f):
        share = (
            self.density(cold_f) / self.density(hot_f)
            - 1
            - 3 * ALPHA[self.row["pipe_material"]] * (hot_f - cold_f)
        )
        return self.volume * share * self.fluid_share

    @property
    def limit_f(self):
        limit = 120.0 if self.row["emitter"] == "radiant_floor" else self.row["high_limit_f"] or 180.0
        return max(limit, self.row["hot_temperature_f"] or 0.0)

    def gas_taken(self, hot_psig, cold_psig, charge, gas=1.0):
        """Pressures at the gauge, the charge at the tank; `gas` is the share that is left of it."""
        charge_psia, over = gas * (charge + self.air), self.air - self.lift
        return (
            self.tank * charge_psia * (1 / np.maximum(charge_psia, cold_psig + over) - 1 / (hot_psig + over))
        )

    # ---- what is wrong, per draw

    def cold_pressure_low(self):
        return self.cold < self.required

    def cold_pressure_high(self):
        return self.cold > self.should + 5

    def fill_pressure_off_setting(self):
        return np.abs(self.cold - self.row["fill_setting_psig"]) > 3

    def supply_pressure_high(self):
        return self.row["supply_pressure_psig"] + self.normal(0.5) > 80

    def hot_pressure_near_relief(self):
        return self.hot > self.allowed

    def predicted_pressure_near_relief(self):
        if self.row["tank_type"] == "none" or self.row["tank_valve"] == "closed":
            return np.ones(self.n, bool)
        expansion = np.maximum(self.expansion(self.cold_f, self.limit_f), 0.0)
        limit = (
            np.inf if np.isnan(self.allowed) else self.allowed
        )  # without a relief setting only a gas that cannot take it all is deficient
        return expansion > self.gas_taken(limit, self.cold_read, self.charge)

    def tank_undersized(self):
        return self.expansion(60.0, self.limit_f) > self.gas_taken(
            self.allowed, self.should, 0.0 if self.steel else self.should - self.lift
        )

    def tank_cushion_lost(self):
        expansion = np.maximum(self.expansion(self.cold_f, self.hot_f), 0.0)
        if self.row["by_charge"]:
            return self.rng.random(self.n) < 0.2
        if self.row["half_gas_excluded"]:
            return expansion < self.gas_taken(self.hot + 2, self.cold_read, self.charge, gas=0.5)
        over = self.air - self.lift
        start = np.maximum(self.charge + self.air, self.cold_read + over)
        bracket = 1 / start - 1.06 / (self.hot + over)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(
                bracket > 0, expansion / bracket / (self.tank * (self.charge + self.air)), np.inf
            )
        setting = self.number("relief_setting_psig")
        cut_off = self.hot >= setting - (3 if setting <= 60 else 0.05 * setting)
        cut_off &= self.row["relief_signs"] not in (None, "dry")
        stays_below = expansion <= self.gas_taken(self.allowed, self.cold_read, self.charge)
        return np.where(self.row["ratio_known"], ratio < 0.5, False) | (cut_off & stays_below)

    def precharge_low(self):
        return self.charge < self.fill - 2

    def precharge_high(self):
        return self.charge > self.fill + 2

    def relief_did_not_open(self):
        setting = self.row["relief_setting_psig"]
        opens_by = setting + (3 if setting <= 60 else 0.05 * setting)
        return (self.row["relief_signs"] == "dry") & (self.highest > opens_by)

    def pressure_above_plate(self):
        relieves = self.row["relief_signs"] in ("dripping", "discharging")
        return self.highest > (1.1 if relieves else 1.0) * self.row["boiler_max_pressure_psig"]

    def hot_above_high_limit(self):
        return self.row["hot_temperature_f"] + self.normal(3) > self.row["high_limit_f"] + 20

    def pressure_did_not_rise(self):
        return (self.hot - self.cold_read < 0.1) if self.row["rise_due"] else np.zeros(self.n, bool)

    def cold_reading_hot(self):
        return self.row["cold_temperature_f"] + self.normal(3) > 100


GRID_F = np.arange(32.0, 250.5, 0.5)
GRID = {(0, 0.0): density_lb_ft3(GRID_F)}


def rows_of(recomputed):
    """Readings as dicts, with what the rules made of them: whether the charge is trusted, a ratio was worked
    out, a rise is due.
    """
    readings = recomputed.readings
    columns = {field.name: readings.number(field.name).value for field in FIELDS if field.kind == NUMBER}
    columns |= {name: recomputed[name].value for name in ("place_elevation_ft", "place_spread_ft")}
    words = {field.name: readings.word(field.name) for field in FIELDS if field.kind == WORD}
    flags = {
        "trusted": recomputed["trusted_charge_psig"].known,
        "ratio_known": recomputed["cushion_ratio"].known,
        "rise_due": recomputed["expected_rise_psi"].value > 2.0,
        "half_gas_excluded": recomputed["half_gas_excluded"],
        "by_charge": recomputed["told_by_charge"],
        "cold_usable": recomputed["cool_cold_psig"].known,
        "cold_plausible": recomputed["read_cold_psig"].known,
    }

    def row(at):
        numbers = {name: None if np.isnan(value[at]) else float(value[at]) for name, value in columns.items()}
        texts = {
            name: word.words[word.codes[at]] if word.codes[at] >= 0 else None for name, word in words.items()
        }
        return numbers | texts | {name: bool(flag[at]) for name, flag in flags.items()}

    return row


def errors_of(recomputed, places, draws=DRAWS):
    """check → (certainty, share of draws in which the outcome was true) for the inspections at `places`."""
    found, row, rng = (
        results(recomputed, [BY_ID[check] for check in UNCERTAIN]),
        rows_of(recomputed),
        np.random.default_rng(20260310),
    )
    compared = {check: [] for check in UNCERTAIN}
    for at in places:
        drawn = Draw(row(at), draws, rng)
        for check in UNCERTAIN:
            outcome = found[check].outcome[at]
            if outcome in (OK, DEFICIENT):
                wrong = float(np.mean(getattr(drawn, check.replace("-", "_"))()))
                compared[check].append(
                    (
                        at,
                        OUTCOMES[outcome],
                        float(found[check].certainty[at]),
                        wrong if outcome == DEFICIENT else 1 - wrong,
                    )
                )
    return compared


def close_to_limits(count):
    """Invented inspections, scattered so that many results are doubtful and every kind of gap in the readings
    occurs.
    """
    rng = np.random.default_rng(11)

    def row():
        def perhaps(share, value):
            return None if rng.random() < share else value

        steel, radiant = rng.random() < 0.25, rng.random() < 0.1
        fluid = rng.choice(["none", "propylene_glycol", "ethylene_glycol"], p=[0.8, 0.15, 0.05])
        setting, tall = rng.choice([30.0, 30.0, 50.0, 75.0]), rng.uniform(4, 30)
        cold = round(rng.normal(13, 2.5), 1)
        elevation = rng.uniform(0, 8000)
        known_place = rng.random() < 0.7
        above = rng.choice([0.0, 4.0, -3.0, -25.0, 30.0], p=[0.4, 0.2, 0.2, 0.1, 0.1])
        if above > 20:  # what lies under such a tank stands under a higher pressure
            cold, tall = cold + 8.0, above
        changes = dict(
            relief_setting_psig=perhaps(0.05, setting),
            relief_signs=perhaps(0.2, rng.choice(["dry", "stained", "dripping"])),
            fill_connection=perhaps(0.2, rng.choice(["automatic", "valved_off"])),
            heated_area_ft2=perhaps(0.5, rng.uniform(800, 3000)),
            tank_air_valve=perhaps(0.5, "air"),
            boiler_max_pressure_psig=setting,
            top_height_ft=perhaps(0.4, tall),
            stories=rng.choice([1.0, 2.0, 3.0]),
            elevation_ft=elevation if known_place else None,
            place_elevation_ft=elevation,
            place_spread_ft=rng.choice([50.0, 400.0]),
            cold_pressure_psig=cold,
            cold_temperature_f=perhaps(0.25, rng.uniform(55, 80)),
            hot_pressure_psig=round(min(cold + rng.gamma(4, 2.5), setting + rng.normal(0, 1)), 1),
            hot_temperature_f=rng.uniform(110, 195),
            pressure_read_with=rng.choice(["boiler_gauge", "test_gauge"]),
            fill_setting_psig=perhaps(0.3, rng.choice([12.0, 15.0, 18.0])),
            system_volume_gal=perhaps(0.3, rng.uniform(20, 60)),
            emitter="radiant_floor" if radiant else rng.choice(["fin_tube", "cast_iron_radiator"]),
            antifreeze=None if rng.random() < 0.2 else fluid,
            antifreeze_percent=rng.choice([20.0, 40.0]),
            boiler_output_btuh=rng.uniform(40e3, 120e3),
            high_limit_f=perhaps(0.3, rng.choice([160.0, 180.0, 200.0])),
            tank_volume_gal=rng.choice([1.0, 1.5, 2.0, 3.0, 4.5, 6.0]) * (2 if steel else 1),
            tank_temperature_f=perhaps(0.4, rng.uniform(55, 95)),
            precharge_psig=round(
                max(0.0, rng.normal(12.5, 2.5) + (8.0 if above > 20 else 0) - 0.43 * above), 1
            ),
            tank_above_gauge_ft=perhaps(0.2, above),
            hot_reading_state=rng.choice(["all_zones_hot", "some_zones"], p=[0.8, 0.2]),
            buffer_tank="no" if (wide := rng.random() < 0.9) else "yes",
            buffer_tank_gal=None if wide else 20.0,
            pipe_material=perhaps(0.2, rng.choice(["steel", "copper", "pex"])),
        )
        if changes["antifreeze"] in (None, "none"):
            changes["antifreeze_percent"] = None
        if steel:
            changes |= {
                name: STEEL[name]
                for name in (
                    "tank_type",
                    "precharge_psig",
                    "precharge_system_side",
                    "tank_air_valve",
                    "tank_temperature_f",
                    "vent_cap",
                )
            }
        return SOUND | changes

    return batch([row() for _ in range(count)])


def sampled():
    _, readings = sample_inspections()
    return Recomputed(readings, shipped_policy().for_rows())


@pytest.mark.parametrize(
    "made, most",
    [(sampled, SAMPLES), (lambda: close_to_limits(MADE_UP), None)],
    ids=["samples", "close to limits"],
)
def test_certainty_is_the_share_of_draws_in_which_the_outcome_is_true(made, most, capsys):
    """Over all results, and over those alone that are open to doubt, where the share lies between 0.02 and
    0.98.
    """
    recomputed = made()
    places = np.flatnonzero(recomputed["state"] == ASSESSED)
    if most:
        places = np.sort(np.random.default_rng(7).choice(places, most, replace=False))
    compared = errors_of(recomputed, places)
    missed = []
    with capsys.disabled():
        headings = ("results", "mean", "95th", "worst", "doubtful", "mean", "95th")
        print(f"\n{len(places)} inspections, {DRAWS} draws each")
        print(f"{'':32}", *(f"{heading:>8}" for heading in headings))
        for check, pairs in compared.items():
            error = np.array([abs(certainty - share) for _, _, certainty, share in pairs])
            doubtful = np.array([0.02 < share < 0.98 for *_, share in pairs])
            figures = [
                of
                for part in (error, error[doubtful])
                for of in ((part.mean(), np.quantile(part, 0.95)) if part.size else (0.0, 0.0))
            ]
            numbers = (len(pairs), *figures[:2], error.max(), doubtful.sum(), *figures[2:])
            print(f"{check:32}", *(f"{number:8.4g}" for number in numbers))
            few = doubtful.sum() < 20  # too few to speak of a 95th percentile
            if (
                error.max() > WORST
                or figures[0] > MEAN_ERROR
                or figures[1] > ERROR_95
                or (not few and (figures[2] > MEAN_ERROR or figures[3] > ERROR_95))
            ):
                missed.append(check)
    assert not missed
    assert all(len(pairs) > 50 for pairs in compared.values())


@pytest.mark.parametrize(
    "read_with, bias_psi, noise_psi",
    [("boiler_gauge", 1.0, 0.0), ("boiler_gauge", 0.0, 1.0), ("test_gauge", 9.0, 1.0)],
)
def test_the_gauge_alone(tmp_path, read_with, bias_psi, noise_psi):
    """All other errors taken away: a predicted pressure is as sure as the cold pressure is far from the one
    that just fits.

    A charge of 3 psi stays below the cold pressure, so 6·17.696·(1/(p + 14.696) - 1/41.696) gal is the room;
    a test gauge has no bias, whatever is said of the boiler's.
    """
    (tmp_path / "policy.toml").write_text(
        f"""[limits]
        gauge_bias_psi = {bias_psi}
        gauge_noise_psi = {noise_psi}
        test_gauge_psi = {noise_psi if read_with == "test_gauge" else 0.0}
        volume_share = 0.0
        temperature_f = 0.0
    """,
        encoding="utf-8",
    )
    policy, row = (
        policies.load(tmp_path / "policy.toml"),
        SOUND | dict(precharge_psig=3.0, pressure_read_with=read_with, tank_volume_gal=8.0),
    )
    grown = float(batch([row])["expansion_gal"].value[0])
    fits = 1 / (grown / (8.0 * 17.696) + 1 / 41.696) - 14.696
    for steps in (-1.5, -0.5, 0.25, 1.0):
        sigma = np.hypot(bias_psi if read_with == "boiler_gauge" else 0.0, noise_psi)
        if (
            read_with == "test_gauge"
        ):  # the tank gauge is of the same kind: 1 psi of charge is worth this much cold pressure
            slope = (1 / (fits + 14.696) - 1 / 41.696) / (17.696 / (fits + 14.696) ** 2)
            sigma = np.hypot(sigma, noise_psi * slope)
        found = judge(
            row | dict(cold_pressure_psig=fits + steps * sigma), "predicted-pressure-near-relief", policy
        )
        assert found.outcome == ("deficient" if steps > 0 else "ok")
        assert found.certainty == pytest.approx(norm.cdf(abs(steps)), abs=0.03), (steps, found)


def test_the_normal_share_from_a_table():
    """Against SciPy's normal distribution function."""
    steps = np.concatenate(
        (
            np.random.default_rng(1).normal(0.0, 3.0, 20_000),
            [0.0, 7.999, 8.0, 8.001, -8.0, -50.0, 50.0, np.inf, -np.inf],
        )
    )
    np.testing.assert_allclose(margins._normal_share(steps.copy()), norm.cdf(steps), rtol=0.0, atol=1e-6)


@pytest.mark.parametrize("name", MARGINS)
def test_where_a_margin_does_not_bend_every_set_of_errors_gives_the_same(name):
    _, readings = sample_inspections()
    margin = Recomputed(readings, shipped_policy().for_rows())[name]
    bends = np.broadcast_to(margin.bends, (len(readings),))
    straight = margin._steps(NODES, np.flatnonzero(bends == 0))
    np.testing.assert_array_equal(straight, np.broadcast_to(straight[:1], straight.shape))
    bent = (
        np.ptp(margin._steps(NODES, np.flatnonzero(bends))[:, :500], axis=0) if bends.any() else np.zeros(0)
    )
    assert len(straight[0]) + len(bent) > 100 and (len(bent) == 0 or np.nanmax(bent) > 0.01)
