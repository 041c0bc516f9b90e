"""Works quantities out, each once, and says what they rest on."""

from pipelines.engine.quantities import BY_NAME, QUANTITIES


class Recomputed:
    """What is recomputed of a batch: `recomputed["static_psi"]` is worked out, with all it needs, when first asked for.

    Parameters
    ----------
    readings : Readings
        May carry `place_elevation_ft` and `place_spread_ft`, floats, NaN where the fleet knows no place.
    policy : RowPolicy
        Limits of these rows.
    quantities : dict of str to Quantity
        By name; a name that is none of them is a field's, or one that compares with other inspections.
    """

    def __init__(self, readings, policy, quantities=BY_NAME):
        self.readings, self.policy, self.quantities = readings, policy, quantities
        self._found = {"policy": policy}

    def __getitem__(self, name):
        """Numbers, Words, Dates or whatever the function of a quantity returns; KeyError where nothing is called so."""
        if name not in self._found:
            self._found[name] = self._work_out(name)
        return self._found[name]

    def _work_out(self, name):
        quantity = self.quantities.get(name)
        if quantity is None:
            return self.readings.field(name)
        return quantity.function(*(self[need] for need in quantity.needs))


def assumptions(visit, quantities=QUANTITIES):
    """(Assumption, names of the columns that rest on it) of one visit, each once, in the order of the quantities.

    `visit` holds the readings of an inspection by field, None where not recorded, and its columns and flags by name.
    """
    made = dict.fromkeys(one for quantity in quantities for one in quantity.assumes)
    return [(one, _columns_on(one, visit, quantities)) for one in made if one.holds(visit)]


def _columns_on(assumption, visit, quantities):
    """Names of the columns that an assumption enters, directly or through what they need."""
    touched = set()
    for quantity in quantities:
        if assumption in quantity.assumes or any(quantity.rests_on(name, visit) for name in touched):
            touched.add(quantity.name)
    return tuple(quantity.name for quantity in quantities if quantity.column and quantity.name in touched)
