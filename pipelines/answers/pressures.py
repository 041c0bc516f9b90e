"""The pressures of one visit as a picture needs them: points read, curves of the tank, lines beside them."""

from dataclasses import dataclass

from pipelines.answers.access import Filters, Viewer, where
from pipelines.answers.targets import policy_of
from pipelines.engine.arrays import from_arrow
from pipelines.engine.curves import Curves, curves
from pipelines.fleet.snapshots import Snapshot
from pipelines.snapshot.batches import BATCH_FIELDS

STORED = ("atmosphere_psia", "trusted_charge_psig", "should_have_psig", "required_cold_psig")


@dataclass(frozen=True)
class Pressures:
    """The curves of a visit and, in psi gauge, the lines beside them; None for what was not recorded."""

    curves: Curves
    relief_psig: float | None
    plate_psig: float | None
    required_cold_psig: float | None


def pressures(viewer: Viewer, snapshot: Snapshot, agency: str, inspection_id: str) -> Pressures | None:
    """The Pressures of an inspection in force; None where neither a cold nor a hot pressure can be used."""
    condition, params = where(viewer, Filters(agency=(agency,)), homes="r")
    found = snapshot.arrow(
        f"""
        SELECT {", ".join(f"r.{name}" for name in BATCH_FIELDS)}, r.unusable, r.agency, r.region,
               {", ".join(f"c.{name}" for name in STORED)}
        FROM readings AS r
        JOIN recomputed AS c ON c.agency = r.agency AND c.inspection_id = r.inspection_id
        WHERE r.inspection_id = ? AND c.assessed AND {condition}""",
        [inspection_id, *params],
    )
    if not found.num_rows:
        return None
    visit = found.to_pylist()[0]
    policy = policy_of(snapshot).for_rows([(visit["agency"], visit["region"], visit["inspected_on"])])
    drawn = curves(from_arrow(found.select([*BATCH_FIELDS, "unusable"])), policy, visit)
    if drawn.cold is None and drawn.hot is None:
        return None
    return Pressures(
        drawn, visit["relief_setting_psig"], visit["boiler_max_pressure_psig"], visit["required_cold_psig"]
    )
