"""How a plan of work weighs and orders what is open: an agency's choice, read from its policy."""

from dataclasses import dataclass

MOST_WEIGHT = 1_000_000.0


@dataclass(frozen=True)
class Planning:
    """What a plan goes by.

    `weights` has for each probability A to E the risk that putting one deficiency of severity 1 to 4 right
    removes; `act_today` is the weight of what must be acted on today. `before_the_rest` are levels of
    risk that come before the others while money lasts; `stays` symptoms that do not go away when their root
    is put right: each needs work of its own, after it.
    """

    weights: dict[str, tuple[float, ...]]
    act_today: float
    before_the_rest: tuple[str, ...]
    stays: tuple[str, ...]

    def weight(self, severity, probability):
        """Risk removed with one deficiency of severity 1 to 4 and probability A to E."""
        return self.weights[probability][severity - 1]


def planning(own, shipped, levels, probabilities):
    """What the policy says of plans; PolicyError names the line and what would be accepted."""
    weights, act_today = _weights(
        own, {**shipped["risk_weights"], **_table(own, "risk_weights")}, probabilities
    )
    rules = {**shipped["plan"], **_table(own, "plan")}
    for extra in sorted(set(rules) - {"before_the_rest", "stays", "mark", "why"}):
        raise own.wrong(("plan", extra), f"plan: unknown key {extra!r}; accepted are before_the_rest, stays")
    first, stays = rules["before_the_rest"], rules["stays"]
    if not isinstance(first, list) or any(level not in levels[1:] for level in first):
        accepted = ", ".join(levels[1:])
        raise own.wrong(
            ("plan", "before_the_rest"), f"plan.before_the_rest needs a list, maybe empty, of {accepted}"
        )
    if not isinstance(stays, list) or not all(isinstance(check, str) for check in stays):
        raise own.wrong(("plan", "stays"), "plan.stays needs a list of check ids, maybe empty")
    return Planning(weights, act_today, tuple(first), tuple(stays))


def _table(own, key):
    found = own.tables.get(key, {})
    if not isinstance(found, dict):
        raise own.wrong((key,), f"{key} needs to be a table: a line [{key}], and its values below")
    return found


def _weights(own, table, probabilities):
    accepted = ("act today", *probabilities)
    for extra in sorted(set(table) - {*accepted, "mark", "why"}):
        raise own.wrong(
            ("risk_weights", extra),
            f"risk_weights: unknown key {extra!r}; accepted are {', '.join(accepted)}",
        )
    for key in accepted:
        row = [table[key]] if key == "act today" else table[key]
        size = 1 if key == "act today" else 4
        if not isinstance(row, list) or len(row) != size or not all(map(_is_weight, row)):
            what = "a number" if size == 1 else "four numbers, of severity 1 to 4,"
            raise own.wrong(
                ("risk_weights", key), f"risk_weights.{key} needs {what} from 0 to {MOST_WEIGHT:,.0f}"
            )
    rows = {key: tuple(float(weight) for weight in table[key]) for key in probabilities}
    return rows, float(table["act today"])


def _is_weight(value):
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= MOST_WEIGHT
