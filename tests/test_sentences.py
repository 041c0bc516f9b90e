"""Limits of the policy stand in sentences by their names, never as numbers that a policy may change."""

import ast
import re
from pathlib import Path

import pytest

from pipelines.engine import reasons
from pipelines.engine.checks import CHECKS
from pipelines.engine.policy import policy as policies
from pipelines.engine.policy.policy import limit_said
from tests.inspections import shipped_policy

ROOT = Path(__file__).resolve().parent.parent
SOURCES = sorted(path for folder in ("pipelines", "dashboard") for path in (ROOT / folder).rglob("*.py"))
LIMITS = shipped_policy().limits.values()
# No limits, though a limit has the same value: the charge
# is told at 60 °F by its law; what a published rule says.
NO_LIMITS = {
    "temperature of the tank not recorded: 60 °F taken",
    "trusted charge at 60 °F",
    "Tank charge at 60 °F, psi gauge",
    "published: IRC P2903.3.1, IPC 604.8, 80 psi static",
}
UNITS = {"degF": "°F", "month": "months?", "day": "days?", "gal/month": "gal a month"}


def sentences(path):
    """String literals of a file, the parts of f-strings too; docstrings aside."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    aside = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in aside:
            yield node.value


def written(limit):
    """How a sentence would write this limit: its value and its unit;
    shares and certainties by their value.
    """
    value = re.escape(f"{limit.value:g}")
    if limit.name.endswith("_certainty"):
        return rf"certainty[^.;]*(?<![\d.]){value}(?![\d.]*\d)"
    if limit.unit:
        unit = UNITS.get(limit.unit, re.escape(limit.unit))
        return rf"(?<![\d.]){value}(\.0+)? ?-?{unit}\b"
    if limit.name == "few_visits":
        return rf"(?<![\d.]){value} (visits|units|inspections)"
    return None


def test_no_limit_stands_as_a_number_in_a_sentence():
    patterns = {limit.name: pattern for limit in LIMITS if (pattern := written(limit))}
    found = [
        (path.relative_to(ROOT).as_posix(), name, text)
        for path in SOURCES
        for text in sentences(path)
        if text not in NO_LIMITS
        for name, pattern in patterns.items()
        if re.search(pattern, text)
    ]
    assert found == []


@pytest.mark.parametrize(
    "text", ["cold reading taken above 100 °F", "up to 2 psi lower", "under 10 visits", "a certainty of 0.8"]
)
def test_such_a_number_would_be_found(text):
    assert any(pattern and re.search(pattern, text) for pattern in map(written, LIMITS))


def test_every_limit_is_read():
    code = "\n".join(path.read_text(encoding="utf-8") for path in SOURCES)
    assert [limit.name for limit in LIMITS if not re.search(rf"\b{limit.name}\b", code)] == []


def test_a_reason_takes_its_limit_from_the_policy(tmp_path):
    own = tmp_path / "policy.toml"
    own.write_text("[limits]\ncold_above_f = 90\n", encoding="utf-8")
    assert "cold reading taken above 90 °F" in reasons.in_words(policies.load(own).quoted)
    assert "cold reading taken above 100 °F" in reasons.in_words(shipped_policy().quoted)
    own.write_text("[[region]]\nname = 'Harbor'\nlimits = { cold_above_f = 90 }\n", encoding="utf-8")
    assert "cold reading taken above the policy's temperature" in reasons.in_words(policies.load(own).quoted)


def test_limits_that_reasons_name_exist():
    names = {name for text in reasons.REASONS for name in re.findall(r"{(\w+)}", text)}
    assert names and names <= {limit.name for limit in LIMITS}
    assert limit_said(60.0, "degF") == "60 °F" and limit_said(0.8, "") == "0.8"


def test_every_reason_is_given_by_something():
    code = "\n".join(path.read_text(encoding="utf-8") for path in SOURCES if path.name != "reasons.py")
    assert [text for text in reasons.REASONS if text and f'"{text}"' not in code] == []


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.id)
def test_a_check_says_three_things(check):
    """What was looked at, what is wrong, what is right: three sentences without a stop, none like another."""
    said = (check.name, check.title, check.sound)
    assert len(set(said)) == 3 and all(text[0].isupper() and text[-1] not in ".!" for text in said)
