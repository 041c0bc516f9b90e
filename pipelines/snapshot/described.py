"""What the numbers of a snapshot rest on, in small tables: checks, measures, limits, words, clocks."""

import pyarrow as pa

from pipelines.engine.checks import CHECKS
from pipelines.engine.reasons import in_words
from pipelines.engine.risk import rating


def describe(connection, policy, shown):
    """Make them; `shown` is check id → (words, numbers) that its results may show."""
    for name, table in (_of_policy(policy) | _of_shown(shown)).items():
        connection.register("described", table)
        connection.execute(f"CREATE OR REPLACE TABLE {name} AS SELECT * FROM described")
        connection.unregister("described")


def _of_shown(shown):
    """Which numbers a check's results may show, and the word behind each code."""
    words = [
        (check, position, word) for check, (texts, _) in shown.items() for position, word in enumerate(texts)
    ]
    numbers = [(check, number) for check, (_, names) in shown.items() for number in names]
    return {
        "shown_words": pa.table(
            {
                "check_id": pa.array([check for check, _, _ in words], pa.string()),
                "position": pa.array([position for _, position, _ in words], pa.int32()),
                "word": pa.array([word for _, _, word in words], pa.string()),
            }
        ),
        "shown_numbers": pa.table(
            {
                "check_id": pa.array([check for check, _ in numbers], pa.string()),
                "what": pa.array([number for _, number in numbers], pa.string()),
            }
        ),
    }


def _of_policy(policy):
    ratings = [(None, None) if check.evidence else rating(check, policy) for check in CHECKS]
    own_of_regions = [
        (region.name, region.agency, key, str(value), region.effective_from)
        for region in policy.regions
        for key, value in region.said.items()
    ]
    matrix = [
        (severity, probability, level)
        for probability, levels in policy.risk_matrix.items()
        for severity, level in enumerate(levels, start=1)
    ]
    weights: list[tuple] = [(None, None, policy.planning.act_today)]
    weights += [(*cell, policy.planning.weight(*cell)) for *cell, _ in matrix]
    rules = [("before the rest", level) for level in policy.planning.before_the_rest]
    rules += [("stays", check) for check in policy.planning.stays]
    clocks = [(risk, *(days or (None, None))) for risk, days in policy.clocks.items()]

    texts = in_words(policy.quoted)
    return {
        "reasons": pa.table({"position": pa.array(range(len(texts)), pa.int16()), "reason": texts}),
        "checks": pa.table(
            {
                "check_id": [check.id for check in CHECKS],
                "title": [check.title for check in CHECKS],
                "name": [check.name for check in CHECKS],
                "sound": [check.sound for check in CHECKS],
                "group": [check.group for check in CHECKS],
                "safety_critical": [check.safety_critical for check in CHECKS],
                "act_today": [check.act_today for check in CHECKS],
                "severity": pa.array([severity for severity, _ in ratings], pa.int8()),
                "probability": pa.array([probability for _, probability in ratings], pa.string()),
                "remedy": [check.remedy for check in CHECKS],
                "source": [check.source for check in CHECKS],
            }
        ),
        "measures": pa.table(
            {
                "measure_id": [measure.id for measure in policy.measures],
                "title": [measure.title for measure in policy.measures],
                **{
                    name: ["; ".join(getattr(measure, name)) for measure in policy.measures]
                    for name in ("fixes", "paid_by", "tanks", "only_where_open")
                },
                **{
                    name: pa.array([getattr(measure, name) for measure in policy.measures], kind)
                    for name, kind in (
                        ("cost", pa.float64()),
                        ("hours", pa.float64()),
                        ("licensed", pa.bool_()),
                        ("mark", pa.string()),
                    )
                },
            }
        ),
        "limits": pa.table(
            {
                name: [getattr(limit, name) for limit in policy.limits.values()]
                for name in ("name", "value", "unit", "mark", "why")
            }
        ),
        "accepted_words": pa.table(
            {
                "name": list(policy.accepted),
                "words": ["; ".join(entry["words"]) for entry in policy.accepted.values()],
                "mark": [entry["mark"] for entry in policy.accepted.values()],
                "why": [entry["why"] for entry in policy.accepted.values()],
            }
        ),
        "region_overrides": pa.table(
            {
                name: pa.array([own[at] for own in own_of_regions], kind)
                for at, (name, kind) in enumerate(
                    (
                        ("region", pa.string()),
                        ("agency", pa.string()),
                        ("name", pa.string()),
                        ("value", pa.string()),
                        ("effective_from", pa.date32()),
                    )
                )
            }
        ),
        "clocks": pa.table(
            {
                "risk": [risk for risk, _, _ in clocks],
                "days_to_act": pa.array([to_act for _, to_act, _ in clocks], pa.int32()),
                "days_to_correct": pa.array([to_correct for _, _, to_correct in clocks], pa.int32()),
            }
        ),
        "risk_matrix": pa.table(
            {
                "severity": pa.array([severity for severity, _, _ in matrix], pa.int8()),
                "probability": [probability for _, probability, _ in matrix],
                "risk": [level for _, _, level in matrix],
            }
        ),
        "risk_weights": pa.table(
            {
                "severity": pa.array([severity for severity, _, _ in weights], pa.int8()),
                "probability": pa.array([probability for _, probability, _ in weights], pa.string()),
                "weight": pa.array([weight for _, _, weight in weights], pa.float64()),
            }
        ),
        "plan_rules": pa.table(
            {
                "rule": pa.array([rule for rule, _ in rules], pa.string()),
                "name": pa.array([name for _, name in rules], pa.string()),
            }
        ),
    }
