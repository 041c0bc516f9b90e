"""Works quantities out, each once, and says what they rest on."""

from pipelines.engine.quantities import BY_NAME, QUANTITIES


class Recomputed:
    """What is recomputed of a batch: `recomputed["static_psi"]` is worked out when first asked for.

    Parameters
    ----------
    readings : Readings
        May carry `place_elevation_ft` and `place_spread_ft`, floats, NaN where the fleet knows no place.
    policy : RowPolicy
        Limits of these rows.

    Attributes of the same names hold both. A name is a quantity's, else a field's or `policy`.
    """

    def __init__(self, readings, policy):
        self.readings, self.policy = readings, policy
        self._found = {"policy": policy}

    def __getitem__(self, name):
        """What stands under a name, as quantities/kinds.py tells; KeyError where nothing is called so."""
        if name not in self._found:
            self._found[name] = self._work_out(name)
        return self._found[name]

    def _work_out(self, name):
        quantity = BY_NAME.get(name)
        if quantity is None:
            return self.readings.field(name)
        return quantity.function(*(self[need] for need in quantity.needs))


def assumptions(visit):
    """(Assumption, names of the columns that rest on it) of one visit, in the order of the quantities.

    `visit` holds the readings of an inspection by field, None where not recorded, and by name its columns and
    flags.
    """
    made = dict.fromkeys(one for quantity in QUANTITIES for one in quantity.assumes)
    return [(one, _columns_on(one, visit)) for one in made if one.holds(visit)]


def _columns_on(assumption, visit):
    """Names of the columns that an assumption enters, directly or through what they need."""
    touched: set[str] = set()
    for quantity in QUANTITIES:
        needs = [name for name in quantity.needs if name in touched]
        if assumption in quantity.assumes or any(quantity.rests_on(name, visit) for name in needs):
            touched.add(quantity.name)
    return tuple(quantity.name for quantity in QUANTITIES if quantity.column and quantity.name in touched)
