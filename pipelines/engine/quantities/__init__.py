"""QUANTITIES: every recomputed quantity and every step to one, each after all that it needs.

Every one uses only the inspection's own row, the policy and the place's elevation. Pressures are gauge until
the local atmosphere is added, once. What is missing stays missing with its reason; nothing is taken that the
policy or an Assumption does not name.
"""

from pipelines.engine.quantities import (
    assessed,
    bands,
    charge,
    cushion,
    gas,
    height,
    recorded,
    tank,
    trust,
    volume,
)

QUANTITIES = (
    assessed.QUANTITIES
    + trust.QUANTITIES
    + height.QUANTITIES
    + charge.QUANTITIES
    + volume.QUANTITIES
    + gas.QUANTITIES
    + tank.QUANTITIES
    + cushion.QUANTITIES
    + bands.QUANTITIES
    + recorded.QUANTITIES
)
BY_NAME = {quantity.name: quantity for quantity in QUANTITIES}
# Columns of the snapshot's table, in order: numbers that are NULL where not known, then flags.
COLUMNS = tuple(quantity.name for quantity in QUANTITIES if quantity.column)
FLAGS = tuple(quantity.name for quantity in QUANTITIES if quantity.flag)
