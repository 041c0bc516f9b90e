"""Readings about readings: what is odd about a visit. They say nothing about the home."""

import numpy as np

from pipelines.engine.arrays import more, within
from pipelines.engine.checks.kinds import AnyOf, Applies, Band, Check, Doubt, Odd, grouped
from pipelines.engine.checks.tank import has_diaphragm


def precharge_under_pressure(precharge_psig, precharge_system_side, *, charge_is_no_echo):
    return Odd(precharge_system_side.among("pressurized") & ~charge_is_no_echo, observed=precharge_psig)


def precharge_echoes_system(
    *, precharge_psig, cold_pressure_psig, hot_pressure_psig, fill_setting_psig, tank_lift_psi, policy
):
    """A number copied, or the system's pressure as it stands at the tank."""

    def echo_of(name, pressure):
        equal = within(precharge_psig, pressure, policy.echo_within_psi)
        equal |= within(precharge_psig, pressure - tank_lift_psi, policy.echo_within_psi)
        far = more(abs(pressure - fill_setting_psig), policy.echo_off_setting_psi)
        no_setting = Doubt(equal & np.isnan(fill_setting_psig), "not recorded", field="fill_setting_psig")
        return Odd(equal & far, observed=precharge_psig, less=(no_setting,), needs=("precharge_psig", name))

    return AnyOf(
        (echo_of("cold_pressure_psig", cold_pressure_psig), echo_of("hot_pressure_psig", hot_pressure_psig))
    )


def side_not_recorded(tank_type, *, precharge_system_side):
    diaphragm = has_diaphragm(tank_type)
    return Applies(
        diaphragm.yes & ~precharge_system_side.known,
        diaphragm.unknown & ~precharge_system_side.known,
        "tank_type",
    )


def pressure_did_not_rise(pressure_rise_psi, expected_rise_psi, *, rise_seen, rise_due_by_volume, policy):
    rise_due = more(expected_rise_psi, policy.expected_rise_psi)
    low = np.where(rise_due, policy.rise_seen_psi, -np.inf)
    unseen = rise_due_by_volume & more(policy.rise_seen_psi, pressure_rise_psi)
    doubt = Doubt(unseen, "volume is estimated", field="system_volume_gal")
    return Band(pressure_rise_psi, low=low, below=rise_seen, less=(doubt,))


def cold_reading_hot(cold_temperature_f, *, cold_below_warm, policy):
    return Band(cold_temperature_f, high=policy.cold_above_f, above=cold_below_warm)


def readings_repeated(repeated_elsewhere):
    return Odd(repeated_elsewhere > 0.5)


def system_changed_unexplained(changed_unexplained):
    return Odd(changed_unexplained > 0.5)


def home_id_reused(other_address):
    return Odd(other_address > 0.5)


def passed_but_readings_disagree(stated_result, *, results, policy):
    """A pass beside a safety-critical deficiency that is sure."""
    return Odd(stated_result.among("pass") & results.sure_danger(policy.sure_certainty))


def is_not_an_audit(inspection_kind):
    return Applies(
        inspection_kind.known & ~inspection_kind.among("initial"), ~inspection_kind.known, "inspection_kind"
    )


EVIDENCE = grouped(
    "evidence",
    (
        Check(
            "precharge-under-pressure",
            precharge_under_pressure,
            applies=has_diaphragm,
            title="Charge read with the system side under pressure",
            name="State of the system side when the charge was read",
            sound="Charge read at zero pressure, or too far from the system's pressure to be that",
            remedy="Read the charge again with the water side at zero.",
            source="published: charge is checked at zero water pressure (M. Housh, practitioner article)",
        ),
        Check(
            "precharge-echoes-system",
            precharge_echoes_system,
            applies=side_not_recorded,
            title="Charge equals a system pressure far from the fill setting",
            name="Charge against the system's pressures",
            sound="Charge equals no system pressure far from the fill setting",
            remedy="Read the charge again with the water side at zero, and record that it was.",
            source="common practice, no source",
        ),
        Check(
            "pressure-did-not-rise",
            pressure_did_not_rise,
            title="Pressure did not rise although it should have",
            name="Rise of the pressure",
            sound="Pressure rose as it should, or no rise was due",
            remedy="Check the gauge, and read again with every zone hot.",
            source="gas balance; limits: policy",
        ),
        Check(
            "cold-reading-hot",
            cold_reading_hot,
            title="Cold reading taken on a warm loop",
            name="Temperature of the cold reading",
            sound="Cold reading taken on a cool loop",
            remedy="Read again with the heat off and the loop cool.",
            source="policy",
        ),
        Check(
            "readings-repeated",
            readings_repeated,
            any_system=True,
            title="The same five readings at another home within days",
            name="The same readings elsewhere",
            sound="Readings of this visit stand at no other home within days",
            remedy="Visit one of the homes again.",
            source="policy; two equal pressures are common, five are not",
        ),
        Check(
            "system-changed-unexplained",
            system_changed_unexplained,
            any_system=True,
            title="Another heating system than before, and nothing says that it was replaced",
            name="Heating system against the visit before",
            sound="Heating system as before, or the change is explained",
            remedy="Look again which heating system is there, and record its year or its replacement.",
            source="policy; a slip of the pen looks like a new system",
        ),
        Check(
            "home-id-reused",
            home_id_reused,
            any_system=True,
            title="Another address than before under the same home id",
            name="Address against earlier visits",
            sound="Address as at earlier visits, or the first one recorded",
            remedy="Give one of the two homes an id of its own, or correct the address.",
            source="policy; results at one home say nothing of another",
        ),
        Check(
            "passed-but-readings-disagree",
            passed_but_readings_disagree,
            applies=is_not_an_audit,
            title="Passed, though the readings show a danger",
            name="Verdict against the readings",
            sound="No danger that the readings show was passed",
            remedy="Go by the readings until someone has looked again.",
            source="policy",
        ),
    ),
)
