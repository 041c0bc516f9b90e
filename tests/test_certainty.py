"""Certainty against a Monte Carlo of the same model, written down again here from nothing but the stated errors.

Every telling result of the sample exports is drawn many times: readings get the errors that the policy states, the
pressures are balanced anew, and the share of draws in which the outcome is true is compared with its certainty. Only
the densities come from the shipped table, which test_hydronics holds against its sources.

The figures are printed: pytest -s tests/test_certainty.py; COLDFILL_FULL=1 takes every inspection.
"""

import os

import numpy as np
import pytest
from tests.inspections import COMPRESSION, SOUND, batch, sample_inspections, shipped_policy

from pipelines.checks import BY_ID
from pipelines.fields import FIELDS, NUMBER, WORD
from pipelines.hydronics.fluids import density_lb_ft3
from pipelines.readings import Readings
from pipelines.recompute import ASSESSED, Recomputed
from pipelines.results import DEFICIENT, OK, OUTCOMES, results

FULL = os.environ.get("COLDFILL_FULL") == "1"
DRAWS = 40_000 if FULL else 20_000
INSPECTIONS = None if FULL else 260
MEAN_ERROR, ERROR_95 = 0.02, 0.05

# Checks whose outcome rests on a number that is uncertain; the others state words or exact numbers.
UNCERTAIN = (
    "cold-pressure-low", "cold-pressure-high", "fill-pressure-off-setting", "supply-pressure-high", "hot-pressure-near-relief",
    "predicted-pressure-near-relief", "tank-undersized", "tank-cushion-lost", "precharge-low", "precharge-high", "relief-did-not-open",
    "pressure-did-not-rise", "cold-reading-hot",
)
ALPHA = {"copper": 9.5e-6, "steel": 6.5e-6, "pex": 0.0, None: 6.5e-6}
GALLONS_PER_1000_BTUH = {"fin_tube": 0.465, "convector": 0.465, "fan_coil": 0.619, "panel_radiator": 0.852, "cast_iron_radiator": 1.084, "radiant_floor": 1.781}
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
        self.air = 14.696 * (1 - 6.8754e-6 * ((row["place_elevation_ft"] if place else row["elevation_ft"]) + self.normal(spread_ft))) ** 5.2559 if self.placed else np.nan
        self.cold_f = np.maximum(32.0, 60 + self.normal(20)) if untimed else row["cold_temperature_f"] + self.normal(3)
        self.hot_f = self.number("hot_temperature_f") + self.normal(3) + self.normal(6)
        code, percent = GLYCOL.get(row["antifreeze"], 0), row["antifreeze_percent"] or 0.0
        self.density = lambda f: np.interp(f, GRID_F, GRID[code, percent]) if (code, percent) in GRID else np.interp(f, GRID_F, self.grid(code, percent))
        self.fluid_share = 1 + (rng.uniform(0, 0.5, n) if row["antifreeze"] is None else 0.0)
        self.fluid_share = self.fluid_share * (1 + (self.normal(0.1) if code else 0.0))
        self.height = self.heights()
        self.static = np.maximum(self.height, 0.0) * self.density(60.0) / 144
        self.required = np.maximum(self.static + 4, row["boiler_min_pressure_psig"] or 0.0)
        least = np.maximum(12.0, self.required)
        setting = self.number("fill_setting_psig")
        self.should = np.where(np.abs(setting - least) <= 3 + 1e-9, setting, least)
        self.volume = self.loop_volume()
        self.tank = self.number("tank_volume_gal") * (1 + self.normal(0.1))
        self.allowed = 0.9 * self.number("relief_setting_psig")
        self.steel = row["tank_type"] == "plain_steel"
        self.charge = self.charges()

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
        guess = 0.0 if level == "top_or_attic" else 9 * (floors - 1) if level == "lowest_floor" else 9 * floors - 2
        return guess + self.normal(4)

    def loop_volume(self):
        buffer = (self.row["buffer_tank_gal"] or 0.0) * (1 + self.normal(0.1))
        if self.row["system_volume_gal"] is not None:
            return self.row["system_volume_gal"] * (1 + self.normal(0.1)) + buffer
        estimate = self.number("boiler_output_btuh") / 1000 * GALLONS_PER_1000_BTUH.get(self.row["emitter"], np.nan)
        return estimate * self.rng.uniform(0.4, 1.3, self.n) + buffer

    def charges(self):
        """The charge at 60 °F and the gauge's height; where it is not trusted, what it should be; the air's in steel."""
        if self.steel:
            return 0.0
        if not self.row["trusted"]:
            return self.should
        read, warm = self.row["precharge_psig"] - self.normal(0.5), self.row["tank_temperature_f"]
        if warm is None:
            at_60 = read + self.rng.uniform(-2, 0.5, self.n)
        else:
            at_60 = (read + self.air) * 520 / (460 + warm + self.normal(3)) - self.air
        return at_60 + 62.364 / 144 * (self.row["tank_above_gauge_ft"] or 0.0)

    def expansion(self, cold_f, hot_f):
        share = self.density(cold_f) / self.density(hot_f) - 1 - 3 * ALPHA[self.row["pipe_material"]] * (hot_f - cold_f)
        return self.volume * share * self.fluid_share

    @property
    def limit_f(self):
        return 120.0 if self.row["emitter"] == "radiant_floor" else self.row["high_limit_f"] or 180.0

    def gas_taken(self, hot_psig, cold_psig, charge):
        return self.tank * (charge + self.air) * (1 / (np.maximum(charge, cold_psig) + self.air) - 1 / (hot_psig + self.air))

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
        limit = np.inf if np.isnan(self.allowed) else self.allowed  # without a relief setting only a gas that cannot take it all is deficient
        return expansion > self.gas_taken(limit, self.cold_read, self.charge)

    def tank_undersized(self):
        return self.expansion(60.0, self.limit_f) > self.gas_taken(self.allowed, self.should, 0.0 if self.steel else self.should)

    def tank_cushion_lost(self):
        expansion = np.maximum(self.expansion(self.cold_f, self.hot_f), 0.0)
        bracket = 1 / (np.maximum(self.charge, self.cold_read) + self.air) - 1.06 / (self.hot + self.air)
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(bracket > 0, expansion / bracket / (self.tank * (self.charge + self.air)), np.inf)
        cut_off = self.hot >= self.row["relief_setting_psig"] - 3 if self.row["relief_setting_psig"] is not None else False
        stays_below = expansion <= self.gas_taken(self.allowed, self.cold_read, self.charge)
        return np.where(self.row["ratio_known"], ratio < 0.5, False) | (cut_off & stays_below)

    def precharge_low(self):
        return self.charge < self.should - 2

    def precharge_high(self):
        return self.charge > self.should + 2

    def relief_did_not_open(self):
        return (self.row["relief_signs"] == "dry") & (self.hot > 1.1 * self.row["relief_setting_psig"])

    def pressure_did_not_rise(self):
        return (self.hot - self.cold_read < 0.1) if self.row["rise_due"] else np.zeros(self.n, bool)

    def cold_reading_hot(self):
        return self.row["cold_temperature_f"] + self.normal(3) > 100


GRID_F = np.arange(32.0, 250.5, 0.5)
GRID = {(0, 0.0): density_lb_ft3(GRID_F)}


def rows_of(recomputed):
    """Readings as dicts, with what the rules made of them: whether the charge is trusted, a ratio was worked out, a rise is due."""
    readings = recomputed.readings
    columns = {field.name: readings.number(field.name).value for field in FIELDS if field.kind == NUMBER}
    columns |= {name: recomputed._place(name).value for name in ("place_elevation_ft", "place_spread_ft")}
    words = {field.name: readings.word(field.name) for field in FIELDS if field.kind == WORD}
    flags = {"trusted": recomputed.trusted_charge_psig.known, "ratio_known": recomputed.cushion_ratio.known,
             "rise_due": recomputed.expected_rise_psi.value > 2.0}

    def row(at):
        numbers = {name: None if np.isnan(value[at]) else float(value[at]) for name, value in columns.items()}
        texts = {name: word.words[word.codes[at]] if word.codes[at] >= 0 else None for name, word in words.items()}
        return numbers | texts | {name: bool(flag[at]) for name, flag in flags.items()}

    return row


def errors_of(recomputed, places, draws=DRAWS):
    """check → (certainty, share of draws in which the outcome was true) for the inspections at `places`."""
    found, row, rng = results(recomputed, [BY_ID[check] for check in UNCERTAIN]), rows_of(recomputed), np.random.default_rng(20260310)
    told = {check: [] for check in UNCERTAIN}
    for at in places:
        drawn = Draw(row(at), draws, rng)
        for check in UNCERTAIN:
            outcome = found[check].outcome[at]
            if outcome in (OK, DEFICIENT):
                wrong = float(np.mean(getattr(drawn, check.replace("-", "_"))()))
                told[check].append((at, OUTCOMES[outcome], float(found[check].certainty[at]), wrong if outcome == DEFICIENT else 1 - wrong))
    return told


def test_certainty_is_the_share_of_draws_in_which_the_outcome_is_true(capsys):
    _, readings = sample_inspections()
    recomputed = Recomputed(readings, shipped_policy().for_rows())
    places = np.flatnonzero(recomputed.state == ASSESSED)
    if INSPECTIONS:
        places = np.sort(np.random.default_rng(7).choice(places, INSPECTIONS, replace=False))
    told = errors_of(recomputed, places)
    missed = []
    with capsys.disabled():
        print(f"\n{len(places)} inspections, {DRAWS} draws each\n{'check':32}{'results':>8}{'mean':>8}{'95th':>8}{'worst':>8}{'doubtful':>9}")
        for check, pairs in told.items():
            error = np.abs([certainty - share for _, _, certainty, share in pairs])
            doubtful = sum(0.02 < share < 0.98 for *_, share in pairs)
            print(f"{check:32}{len(pairs):8}{error.mean():8.4f}{np.quantile(error, 0.95):8.4f}{error.max():8.4f}{doubtful:9}")
            if error.mean() > MEAN_ERROR or np.quantile(error, 0.95) > ERROR_95:
                missed.append(check)
    assert not missed
